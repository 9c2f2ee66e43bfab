"""How what stands in values is unpacked, in C: what each step of a plugin is made into."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract import integers, pieces, sealed, streams, texts
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.numbers import Integers, Text
from gateway.plugin.unpack.pieces import Pieces
from gateway.plugin.unpack.sealed import Sealed
from gateway.plugin.unpack.stream import Ended, Measured


def declared(name: str, item: Characteristic) -> Iterator[str]:
    """What stands in the header."""
    match item.step:
        case None:
            pass
        case Pieces() as step:
            yield from pieces.declared(name, item, step)
        case Ended() | Measured() as step:
            yield from streams.declared(name, item, step)
        case Integers() as step:
            yield from integers.declared(name, item, step)
        case Sealed() as step:
            yield from sealed.declared(name, item, step)
        case Text() as step:
            yield from texts.declared(name, item, step)
        case step:
            raise TypeError(f"{type(step).__name__} has no C")


def defined(name: str, item: Characteristic) -> Iterator[str]:
    """What stands in the source."""
    match item.step:
        case Pieces() as step:
            yield from pieces.defined(name, item, step)
        case Ended() | Measured() as step:
            yield from streams.defined(name, item, step)
        case Integers() as step:
            yield from integers.defined(name, item, step)
        case Sealed() as step:
            yield from sealed.defined(name, item, step)
        case Text() as step:
            yield from texts.defined(name, item, step)
