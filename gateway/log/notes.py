"""What people write down while a run goes on, such as "heater on": a file of lines beside the log, each a JSON object,
as the log itself is the run's to write."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from gateway.model.errors import InputError

LONGEST = 500  # characters of a note
LATEST_MS = 4_102_444_800_000  # 2100; what is later was meant otherwise
_MOST_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class Note:
    """A note.

    Attributes:
        t_ns: the moment it is of, nanoseconds UTC.
        run: uid of the run it is of.
        by: who wrote it.
    """

    t_ns: int
    run: str
    text: str
    by: str = ""


def notes_path(log: Path) -> Path:
    """The file of a log's notes."""
    return log.with_name(log.name + ".notes.jsonl")


def notes_of(log: Path) -> list[Note]:
    """All notes of a log by their time; a line that is none is left out."""
    try:
        with notes_path(log).open("rb") as file:
            lines = file.read(_MOST_BYTES).splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        try:
            told = json.loads(line)
            t_ns, run, text, by = told["t_ns"], told["run"], told["text"], told.get("by", "")
        except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
            continue
        if (
            isinstance(t_ns, int)
            and 0 <= t_ns < LATEST_MS * 10**6
            and all(isinstance(one, str) for one in (run, text, by))
        ):
            found.append(Note(t_ns, run, text[:LONGEST], by[:LONGEST]))
    return sorted(found, key=lambda note: note.t_ns)


def span_of(log: Path, run: str, text: str, end_ns: int) -> tuple[int, int]:
    """The time from a note of a run to the next one, or to ``end_ns``, nanoseconds UTC.

    Raises:
        InputError: there is no such note, or several.
    """
    notes = [note for note in notes_of(log) if note.run == run]
    places = [place for place, note in enumerate(notes) if note.text == text]
    if len(places) != 1:
        known = ", ".join(repr(note.text) for note in notes) or "none"
        raise InputError(f"{notes_path(log)} has {len(places)} notes {text!r} of this run; its notes are {known}")
    after = notes[places[0] + 1 :]
    return notes[places[0]].t_ns, after[0].t_ns if after else end_ns


def add_note(log: Path, note: Note) -> None:
    """Write a note down, durably.

    Raises:
        InputError: it is empty or too long, or can't be written.
    """
    if not 0 <= note.t_ns < LATEST_MS * 10**6:
        raise InputError(f"a note of {note.t_ns / 1e9:.0f} s after 1970; a moment from then to 2100 is expected")
    if not note.text.strip() or len(note.text) > LONGEST:
        raise InputError(f"a note of {len(note.text)} characters; 1 to {LONGEST} are expected")
    try:
        with notes_path(log).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(note), ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(f"{notes_path(log)} can't be written: {error.strerror}") from None
