"""Text from the air, from the network or from files, as it may be shown: what would steer a terminal, hide or turn what
stands around it is written as its number."""

from __future__ import annotations

import re

# control characters but for tab and line feed; marks that turn or hide text (Unicode Standard Annex 9, and UTR 36)
_STEERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def shown(text: str) -> str:
    r"""Text with what steers written as ``\uXXXX``, which JSON reads as what it was.

    Example: an escape sequence for red becomes ``\u001b[31m``.
    """
    return _STEERS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def in_a_cell(text: str) -> str:
    """Text that a spreadsheet does not take for a formula: one that begins like one gets an apostrophe before it."""
    return f"'{text}" if text.startswith(_FORMULA) else text
