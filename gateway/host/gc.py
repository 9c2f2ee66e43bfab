"""Keeps the garbage collector out of the way of work that makes records by the million."""

from __future__ import annotations

import gc


def freeze_gc() -> None:
    """Keep the garbage collector out of the way of a run, a replay or an export.

    What is loaded by now stays for good: unless it is left out, each full round holds up the radio's callbacks
    for some 30 ms. What a run makes is tuples by the ten thousand, which hold no cycles: fewer rounds suffice.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
