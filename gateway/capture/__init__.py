"""Recorded byte streams: the project's own text form, and foreign captures in open formats. A capture is a radio
that has already happened: it yields the same records as a live run, with their own times."""

from __future__ import annotations

from gateway.capture.containers import is_foreign
from gateway.capture.foreign import ForeignCapture
from gateway.capture.handles import read_handles
from gateway.capture.record import Header, Record, Trouble
from gateway.capture.text import TextCapture, TextWriter, read_capture, write_capture

__all__ = [
    "ForeignCapture",
    "Header",
    "Record",
    "TextCapture",
    "TextWriter",
    "Trouble",
    "is_foreign",
    "read_capture",
    "read_handles",
    "write_capture",
]
