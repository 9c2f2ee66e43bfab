"""What a node asks of a link before it answers, and what is needed to give it that (Core Specification, Vol 3, Part C,
10.2: LE security mode 1)."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Security(StrEnum):
    """How a link is protected: levels 2, and 3 or 4, of mode 1."""

    ENCRYPTED = "encrypted"
    AUTHENTICATED = "authenticated"


@dataclass(frozen=True, slots=True)
class Pairing:
    """What to pair with.

    Attributes:
        passkey: the number that the node has or shows; None where none is needed, or none is known yet.
    """

    security: Security
    passkey: int | None = field(default=None, repr=False)
