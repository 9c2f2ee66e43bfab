"""Byte layouts: what a characteristic's value looks like (`model`), read from a plugin's lines (`declare`),
one value both ways through construct (`compiled`, `codec`), many values at once through numpy (`columns`), formulas
over decoded values (`formula`). All read the same model, so they can't disagree about a byte."""
