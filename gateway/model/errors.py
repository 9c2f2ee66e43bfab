"""Every error the product raises on purpose, so that a caller can tell whose turn it is to act.

GattestError
├── InputError            what the user gave is missing, malformed or contradictory (exit 2)
│   ├── UnitError         a unit or quantity that can't be read, or of the wrong dimension
│   ├── ProblemsError     all that is wrong with the files given, in one pass
│   └── LogFileError      a log that is missing, of another kind, in use or damaged
├── PayloadError          bytes and layout disagree
│   ├── DecodeError       a received payload does not fit its layout
│   └── EncodeError       a value does not fit its field
├── RadioError            the radio or the node did not do what was asked in time
│   ├── AdapterError      there is no usable Bluetooth adapter
│   ├── RefusedError      the node answered a request with an ATT error
│   └── NodeError         this node can't be used as declared: asking again will not help
├── BrokerError           the broker can't be reached, refuses, or is gone
├── OutputClosedError     who reads the output has seen enough, as head has
├── StoreError            where runs are gathered does not take a batch; it comes again
└── UnknownRunError       a message is of a run of which nothing is known yet
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class GattestError(Exception):
    """Root of the tree; its text is complete and ready to show."""


class InputError(GattestError):
    """What the user gave can't be used."""


class OutputClosedError(GattestError):
    """Nobody reads the output any more."""


class UnitError(InputError):
    """A unit or a quantity that can't be read, or a conversion between dimensions."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in one place.

    Attributes:
        file: the file it stands in, as the user would name it.
        place: the dotted path inside the file, for example ``characteristic.climate.fields[2].lsb``.
        found: what stands there, and why that can't be.
        expected: what should stand there, or what to do.
        fatal: False for a warning.
    """

    file: str
    place: str
    found: str
    expected: str
    fatal: bool = True

    def __str__(self) -> str:
        head = f"{self.file}: {self.place}" if self.place else self.file
        return f"{head}: {self.found}; {self.expected}" if self.expected else f"{head}: {self.found}"


class ProblemsError(InputError):
    """All the problems found in one pass over the files given."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class LogFileError(InputError):
    """A log file that can't be used."""


class PayloadError(GattestError):
    """Bytes and layout disagree."""


class DecodeError(PayloadError):
    """A payload that does not fit its layout.

    Attributes:
        reason: why, in words, without the layout's name.
        offset: the byte at which it stopped fitting.
    """

    def __init__(self, where: str, reason: str, offset: int) -> None:
        self.reason = reason
        self.offset = offset
        super().__init__(f"{where}: {reason} (at byte {offset})")


class EncodeError(PayloadError):
    """A value that can't be written into its field."""


class RadioError(GattestError):
    """The radio or the node did not do what was asked in time."""


class UnansweredError(RadioError):
    """The node or the radio did not answer in time."""


class GoneError(RadioError):
    """The system no longer knows the device, or its Bluetooth service is not there: nothing more comes on this link."""


class AdapterError(RadioError):
    """There is no usable Bluetooth adapter."""


class RefusedError(RadioError):
    """The node answered a request with an ATT error."""


class NodeError(RadioError):
    """The node can't be used as declared, for example because a characteristic is missing."""


class BrokerError(GattestError):
    """The broker can't be reached, refuses, or is gone; the text says which, and what to do."""


class StoreError(GattestError):
    """The store does not take a batch; nothing of it is kept, and it comes again."""


class UnknownRunError(GattestError):
    """A message is of a run of which nothing is known yet; the text is the id of that run."""
