"""Figures from a log, requirements held against them, the evidence, and two runs compared."""
