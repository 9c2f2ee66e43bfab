"""Byte layouts: the declaration of a characteristic's value (`model`), one value both ways through
construct (`codec`), many values at once through numpy (`columns`), and formulas over decoded values
(`formula`). All four read the same model, so they can't disagree about a byte."""
