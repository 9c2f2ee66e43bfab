"""What people write down while a run goes on, such as "heater on": a file of lines beside the log, each a JSON object,
as the log itself is the run's to write. Each line holds a digest of itself and of the one before it, which it names,
so that lines of several logs can stand in one file; a run takes the newest digest into its seal, so that a note can't
be changed or removed afterwards without a trace."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Callable, Collection, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, NamedTuple

from gateway.host.lock import FileLock
from gateway.model.errors import InputError, LogFileError

LONGEST = 500  # characters of a note
LATEST_MS = 4_102_444_800_000  # 2100; what is later was meant otherwise
_MOST_BYTES = 10_000_000
_LONGEST_LINE = 16_384  # bytes
_PATIENCE_S = 2.0


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


class _Line(NamedTuple):
    """A note as it stands in the file.

    Attributes:
        digest: its own, "" for one of an earlier version.
        before: of the note that it follows, "" for the first; None where the line before it is meant.
    """

    note: Note
    digest: str
    before: str | None


def _lines(log: Path) -> Iterator[_Line]:
    """The notes in the order they were written; a line that is none is left out."""
    try:
        with notes_path(log).open("rb") as file:
            lines = file.read(_MOST_BYTES).splitlines()
    except OSError:
        return
    for line in lines:
        if (found := _read(line)) is not None:
            yield found


def _read(line: bytes) -> _Line | None:
    try:
        told = json.loads(line)
        t_ns, run, text = told["t_ns"], told["run"], told["text"]
        by, digest, before = told.get("by", ""), told.get("digest", ""), told.get("before")
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None
    texts = (run, text, by, digest, "" if before is None else before)
    if not isinstance(t_ns, int) or not 0 <= t_ns < LATEST_MS * 10**6 or not all(isinstance(one, str) for one in texts):
        return None
    if not all(map(_is_whole, texts)):
        return None
    return _Line(Note(t_ns, run, text[:LONGEST], by[:LONGEST]), digest, before)


def _is_whole(text: str) -> bool:
    """Whether a text holds no half of a character, which no file can."""
    return text.encode("utf-8", "replace").decode() == text


def notes_of(log: Path) -> list[Note]:
    """All notes of a log by their time; a line that is none is left out."""
    return sorted((line.note for line in _lines(log)), key=lambda note: note.t_ns)


def _digest(before: str, note: Note) -> str:
    told: list[Any] = [before, note.t_ns, note.run, note.text, note.by]
    return hashlib.sha256(json.dumps(told, separators=(",", ":")).encode()).hexdigest()


def newest_digest(log: Path) -> str:
    """That of the last note of a log, "" for none."""
    try:
        with notes_path(log).open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(size - 2 * _LONGEST_LINE, 0))
            lines = file.read().splitlines()
    except OSError:
        return ""
    return next((found.digest for line in reversed(lines) if (found := _read(line)) is not None), "")


def notes_that_differ(log: Path, sealed: Collection[str]) -> Iterator[str]:
    """What is wrong with the notes of a log.

    Args:
        sealed: the digests that were taken into seals.
    """
    last, known = "", {""}
    for number, line in enumerate(_lines(log), 1):
        before = last if line.before is None else line.before
        place = f"note {number} ({line.note.text[:40]!r})"
        if line.digest and line.digest in known:
            yield f"{place} stands there twice"
        elif line.digest and (before not in known or _digest(before, line.note) != line.digest):
            yield f"{place} is not as it was written, or one before it was removed"
        elif not line.digest and last:  # those of an earlier version have none
            yield f"{place} has no digest, and one before it has"
        last = line.digest or before
        known.add(last)
    if missing := [one for one in dict.fromkeys(sealed) if one not in known]:
        yield f"{len(missing)} of the notes that were sealed are not in {notes_path(log).name}"


def unsealed_notes(log: Path, sealed: Collection[str]) -> int:
    """How many notes no seal holds: neither one of these digests is theirs, nor that of a note behind them."""
    before: dict[str, str] = {}
    last, bare = "", 0
    for line in _lines(log):
        if not line.digest:
            bare += 1
            continue
        before[line.digest] = last if line.before is None else line.before
        last = line.digest
    reached: set[str] = set()
    for digest in set(sealed):
        while digest and digest not in reached:
            reached.add(digest)
            digest = before.get(digest, "")
    return bare + sum(digest not in reached for digest in before)


def add_notes_of(source: Path, log: Path) -> None:
    """Add the notes of another log that are not there, as they are written there, durably.

    Raises:
        InputError: they can't be written.
    """
    there, last = {(line.note, line.digest) for line in _lines(log)}, ""
    fresh: list[_Line] = []
    for line in _lines(source):
        line = line._replace(before=last if line.before is None else line.before)
        last = line.digest or str(line.before)
        if (line.note, line.digest) not in there:
            fresh.append(line)
    if fresh:
        _append(log, lambda: fresh)


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
    if not _is_whole(note.text) or not _is_whole(note.by):
        raise InputError("a note with half a character (a surrogate by itself); whole ones are expected")
    if not note.text.strip() or len(note.text) > LONGEST:
        raise InputError(f"a note of {len(note.text)} characters; 1 to {LONGEST} are expected")

    def line() -> list[_Line]:
        before = newest_digest(log)
        return [_Line(note, _digest(before, note), before)]

    _append(log, line)


def _append(log: Path, lines: Callable[[], list[_Line]]) -> None:
    """Write lines, made while nobody else writes, behind those that are there."""
    try:
        with _alone(notes_path(log)), notes_path(log).open("a", encoding="utf-8") as file:
            if _is_torn(log):
                file.write("\n")
            for note, digest, before in lines():
                told = asdict(note) | {"before": before, "digest": digest}
                file.write(json.dumps(told, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(f"{notes_path(log)} can't be written: {error.strerror}") from None


def _is_torn(log: Path) -> bool:
    """Whether the last line was broken off, as by a full disk."""
    with notes_path(log).open("rb") as file:
        return file.seek(0, os.SEEK_END) > 0 and file.seek(-1, os.SEEK_END) >= 0 and file.read(1) != b"\n"


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """While nobody else writes a file.

    Raises:
        InputError: somebody does, for long.
    """
    ends_s = time.monotonic() + _PATIENCE_S
    while True:
        try:
            lock = FileLock(path)
            break
        except LogFileError as error:
            if time.monotonic() > ends_s:
                raise InputError(str(error)) from None
            time.sleep(0.02)
    try:
        yield
    finally:
        lock.release()
