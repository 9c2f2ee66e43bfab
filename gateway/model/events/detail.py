"""What the details of every event have in common: their kind, and how they are written as JSON and read back, whatever
somebody else has made of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, ClassVar, Self, get_args, get_origin, get_type_hints


class EventKind(StrEnum):
    """The kinds of events, as logs and captures name them."""

    FOUND = "found"
    NOT_FOUND = "not found"
    CONNECTED = "connected"
    CONNECT_FAILED = "connect failed"
    TABLE = "table found"
    IDENTITY = "identity read"
    CONSTANT = "constant read"
    SETTING = "setting written"
    SETTING_DIFFERS = "setting differs"
    PROCEDURE = "procedure done"
    PROCEDURE_FAILED = "procedure failed"
    DESCRIPTOR_DIFFERS = "descriptor differs"
    SUBSCRIBED = "subscribed"
    ENCRYPTED = "link encrypted"
    LISTENING = "listening"
    HEARD = "advertisements heard"
    READY = "ready"
    SILENT = "silent"
    LOST = "lost"
    DISCONNECTED = "disconnected by host"
    PARAMETERS = "link parameters"
    SIGNAL = "signal strength"
    RECONNECTED = "reconnected"
    ADDRESS = "address differs"
    FORGOTTEN = "table forgotten"
    UNFIT = "unfit"
    READ = "value read"
    POLL_FAILED = "poll failed"
    LATE_CALLBACK = "late callback"
    OVERFLOW = "frames dropped"
    LOG_TROUBLE = "log trouble"
    CLOCK_STEP = "wall clock stepped"
    HOST_STALL = "host stalled"
    HOST_DELAY = "host delay"
    HOST_CLOCK = "host clock"
    RADIO = "radio error"
    STEP = "exercise step"
    RELOADED = "run file reloaded"
    RESUMED = "run resumed"
    DECODED_AGAIN = "decoded again"

    @classmethod
    def _missing_(cls, value: object) -> EventKind | None:
        former = _FORMER_KINDS.get(str(value))
        return cls(former) if former else None

    @property
    def spellings(self) -> tuple[str, ...]:
        """How logs name it, of earlier versions too."""
        return (self.value, *(old for old, new in _FORMER_KINDS.items() if new == self.value))


_FORMER_KINDS = {
    "let go": "disconnected by host",
    "back": "reconnected",
    "radio trouble": "radio error",
    "step tried": "exercise step",
    "run file read again": "run file reloaded",
}


@dataclass(frozen=True, kw_only=True)
class Detail:
    """The details of an event.

    Attributes:
        more: what else was said, by whoever made it; kept, and read by nobody.
    """

    kind: ClassVar[EventKind]
    more: Mapping[str, object] = field(default_factory=dict)

    def facts(self) -> dict[str, object]:
        """As JSON can hold them, without what is not known."""
        own = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "more"}
        return {key: value for key, value in own.items() if value not in (None, "", {}, [], ())} | dict(self.more)

    @classmethod
    def of(cls, facts: Mapping[str, object]) -> Self:
        """The inverse of `facts`: what is missing is empty, what is of another type goes to ``more``."""
        values: dict[str, Any] = {}
        hints = _hints(cls)  # type: ignore[arg-type]  # a class can be hashed
        for one in fields(cls):
            if one.name in facts and one.name != "more" and _fits(facts[one.name], hints[one.name]):
                values[one.name] = facts[one.name]
            elif one.default is MISSING and one.default_factory is MISSING:
                values[one.name] = _empty(hints[one.name])
        return cls(**values, more={key: value for key, value in facts.items() if key not in values})


@cache
def _hints(cls: type[Detail]) -> dict[str, Any]:
    return get_type_hints(cls)


def _fits(value: object, hint: Any) -> bool:
    if isinstance(hint, UnionType):
        return any(_fits(value, one) for one in get_args(hint))
    origin = get_origin(hint) or hint
    if origin is Mapping:
        return isinstance(value, dict) and all(_fits(one, get_args(hint)[1]) for one in value.values())
    if origin is Sequence:
        return isinstance(value, list | tuple)
    if isinstance(value, bool) is not (origin is bool):
        return origin is object
    return isinstance(value, int | float) if origin is float else origin is object or isinstance(value, origin)


def _empty(hint: Any) -> object:
    """What stands for nothing in a field of this type."""
    if isinstance(hint, UnionType):
        return None
    return {str: "", float: 0.0, int: 0, bool: False}.get(hint, {} if get_origin(hint) is Mapping else ())
