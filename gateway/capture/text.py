"""The project's own record of a byte stream: text, one record a line, to be read and compared by people.

    # gattest capture 1
    # origin: invented
    # plugin: loan-crate
    2026-03-02T09:00:00.000Z crate-1 !connected {"att_mtu_bytes": 247}
    2026-03-02T09:00:00.125Z crate-1 climate 0100 6e09 8813 cd8b01

Lines that begin with # are the header or remarks. A frame is its UTC time, node, channel and bytes in hex, which
may be spaced; an event has ! before its kind and its details as JSON; - stands for no node. Files whose names
end in .gz or .zst are compressed."""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import os
import zlib
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, cast

import zstandard

from gateway.capture.record import Header, Record, Trouble
from gateway.model.errors import InputError, Problem, ProblemsError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.model.utc import LATEST_NS, utc_ns, utc_text

FIRST_LINE = "# gattest capture 1"
MAX_LINE_BYTES = 1 << 16
PIECE_BYTES = 1 << 20
MAX_STREAM_LINES = 1_000_000  # of a recorded stream, which is read whole
DAMAGED = (OSError, EOFError, zlib.error, zstandard.ZstdError)
_HEADER_LINES = 10_000
_MOST_NODES = 1000
_MOST_INFLATED, _ALWAYS_INFLATED = 200, 100_000_000  # times, bytes; common captures reach 10 times
_KINDS = {kind.value.replace(" ", "-"): kind for kind in EventKind}


class _Bounded(io.RawIOBase):
    """What a compressed file holds, up to a bound that no capture comes near."""

    def __init__(self, inflated: gzip.GzipFile | io.BufferedReader, path: Path) -> None:
        self._inflated = inflated
        self._left = max(_MOST_INFLATED * path.stat().st_size, _ALWAYS_INFLATED)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self._left <= 0:
            raise OSError(f"it unpacks to more than {_MOST_INFLATED} times its size; the rest was left out")
        piece = self._inflated.read1(len(buffer))  # what there is, before it tells of damage
        buffer[: len(piece)] = piece
        self._left -= len(piece)
        return len(piece)

    def close(self) -> None:
        self._inflated.close()
        super().close()


def open_bytes(path: Path) -> io.BufferedIOBase:
    """A file to read, decompressed by its name.

    Raises:
        InputError: it can't be opened.
    """
    try:
        if path.suffix == ".gz":
            return io.BufferedReader(_Bounded(gzip.GzipFile(path), path), 1 << 16)
        plain = path.open("rb")
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}; check the path") from None
    if path.suffix == ".zst":
        reader = zstandard.ZstdDecompressor(max_window_size=1 << 27).stream_reader(plain, closefd=True)
        return io.BufferedReader(_Bounded(io.BufferedReader(cast(io.RawIOBase, reader), 1 << 16), path), 1 << 16)
    return plain


class TextCapture:
    """A capture in the project's own form, read line by line in constant memory.

    Args:
        path: the file.

    Attributes:
        header: what its first lines say.
        trouble: what could not be read, once the records have been.
        ended: when and how the run ended, where a line says so.

    Raises:
        InputError: it can't be read, or does not begin as a capture.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble = Trouble()
        self.ended: tuple[int, str] | None = None
        self._file = open_bytes(path)
        self._number = 0
        self._lines = self._read()
        try:
            self.header = self._read_header()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def guesses(self) -> Iterator[str]:
        """Nothing: a capture of gattest's own names its channels."""
        return iter(())

    def records(self) -> Iterator[Record]:
        """Its records in the order of the file; what can't be read is left out and counted."""
        for number, line in self.numbered():
            try:
                yield parse_line(line)
            except ValueError as error:
                self.trouble.note("line that is not a record", f"line {number}: {line[:60]!r}: {error}")

    def numbered(self) -> Iterator[tuple[int, str]]:
        """Its lines that should be records, with their numbers."""
        for line in self._lines:
            self._number += 1
            if line[:1] == "#":
                self._remark(line)
            elif line and not line.isspace():
                yield self._number, line

    def _remark(self, line: str) -> None:
        if line.startswith("# ended: "):
            moment, _, how = line.removeprefix("# ended: ").strip().partition(" ")
            with contextlib.suppress(ValueError):
                self.ended = (utc_ns(moment), how)

    def _read(self) -> Iterator[str]:
        """Its lines, cut out of pieces of the file; of one that is too long nothing is kept."""
        rest = b""
        skipping = False
        while True:
            try:
                piece = self._file.read1(PIECE_BYTES)  # gives what it has before it tells of damage
            except DAMAGED as error:
                self.trouble.note("file truncated or damaged", f"after line {self._number}: {error}")
                piece = b""
            whole, found, rest_of = (rest + piece).rpartition(b"\n") if piece else (rest, b"", b"")
            if skipping and found:  # the end of what was too long
                whole, skipping = whole.partition(b"\n")[2] if b"\n" in whole else b"", False
            rest = rest_of
            if found or not (piece or skipping):
                yield from whole.decode("utf-8", "replace").split("\n")
            if not piece:
                return
            if len(rest) > MAX_LINE_BYTES:
                if not skipping:
                    self.trouble.note(f"line longer than {MAX_LINE_BYTES} bytes", f"after line {self._number}")
                rest, skipping = b"", True

    def _read_header(self) -> Header:
        first = next(self._lines, "")[:MAX_LINE_BYTES].strip()
        self._number = 1
        if first != FIRST_LINE:
            raise ProblemsError(
                [
                    Problem(
                        str(self.path),
                        "line 1",
                        f"{first[:40]!r}",
                        f"expected {FIRST_LINE!r}; replay reads pcap, pcapng and btsnoop as well",
                    )
                ]
            )
        facts: dict[str, str] = {}
        kinds: dict[str, str] = {}
        line = ""
        for line in self._lines:
            if line[:1] != "#" or self._number >= _HEADER_LINES:
                break
            self._number += 1
            key, found, value = line[1:].strip().partition(": ")
            if key == "node" and found:
                name, _, kind = value.partition(" ")
                if name in kinds or len(kinds) < _MOST_NODES:
                    kinds[name] = kind
                else:
                    self.trouble.note(f"node beyond the first {_MOST_NODES}", f"line {self._number}: {name[:60]!r}")
            elif key == "ended":  # a capture without records
                self._remark(line)
            elif found:
                facts.setdefault(key, value)
            line = ""
        self._lines = chain([line], self._lines)
        self._number -= line == ""
        try:
            started_ns = utc_ns(facts["started"]) if "started" in facts else None
            planned_ns = int(facts["planned"].removesuffix(" ns")) if "planned" in facts else None
            if planned_ns is not None and not 0 < planned_ns <= LATEST_NS:
                raise ValueError(f"planned: {planned_ns} ns is not possible")
        except ValueError as error:
            raise ProblemsError(
                [Problem(str(self.path), "header", str(error), "'# started: TIME' and '# planned: NUMBER ns'")]
            ) from None
        return Header(
            facts.get("origin", "real"), facts.get("plugin", ""), facts.get("title", ""), kinds, started_ns, planned_ns
        )


def parse_line(line: str) -> Record:
    """The record of a line.

    Raises:
        ValueError: it is none.
    """
    parts = line.split(None, 3)
    if len(parts) < 3:
        raise ValueError("expected time, node and channel")
    moment, node, channel = parts[:3]
    rest = parts[3] if len(parts) == 4 else ""
    if channel[0] != "!":
        return Frame(utc_ns(moment), node, channel, bytes.fromhex(rest))
    kind = _KINDS.get(channel[1:])
    if kind is None:
        raise ValueError(f"{channel} is not a kind of event")
    try:
        detail = json.loads(rest or "{}")
    except RecursionError:
        raise ValueError("details nested too deep") from None
    if not isinstance(detail, dict):
        raise ValueError("the details of an event must be a JSON object")
    return LinkEvent.of(utc_ns(moment), None if node == "-" else node, kind, detail)


def read_capture(path: Path) -> list[tuple[int, Frame]]:
    """The frames of a recorded stream with their line numbers.

    Raises:
        ProblemsError: lines that are no records, all of them, or another format.
        InputError: it can't be read.
    """
    frames: list[tuple[int, Frame]] = []
    problems: list[Problem] = []
    with TextCapture(path) as capture:
        for number, line in capture.numbered():
            if len(frames) >= MAX_STREAM_LINES:
                problems.append(Problem(str(path), "", f"more than {MAX_STREAM_LINES} lines", "split it"))
                break
            try:
                record = parse_line(line)
            except ValueError as error:
                problems.append(
                    Problem(
                        str(path),
                        f"line {number}",
                        f"{line[:60]!r}: {error}",
                        "time node channel bytes, as '2026-03-02T09:00:00Z crate-1 climate 0100'",
                    )
                )
                continue
            if isinstance(record, Frame):
                frames.append((number, record))
        problems += [Problem(str(path), "", text, "fix the file") for text in capture.trouble.lines()]
    if problems:
        raise ProblemsError(problems)
    return frames


def record_line(record: Record) -> str:
    """The line of a record, with its end."""
    if isinstance(record, Frame):
        return f"{utc_text(record.t_ns)} {record.node} {record.channel} {record.raw.hex()}\n"
    kind = record.kind.value.replace(" ", "-")
    return f"{utc_text(record.t_ns)} {record.node or '-'} !{kind} {json.dumps(record.facts)}\n"


class TextWriter:
    """Writes a capture beside its final name, and moves it there when it is complete: what stands under the
    name is always whole. What was written so far stays in the ``.part`` file where that never comes.

    Args:
        path: the final name.
        header: what its first lines say.

    Raises:
        InputError: it can't be written.
    """

    def __init__(self, path: Path, header: Header) -> None:
        self.path = path
        self._part = path.with_name(path.name + ".part")
        try:
            self._raw: BinaryIO = self._part.open("wb")
        except OSError as error:
            raise InputError(f"{path} can't be written: {error.strerror}; check the folder") from None
        self._file: BinaryIO = self._raw
        if path.suffix == ".gz":
            self._file = cast(BinaryIO, gzip.GzipFile(path.with_suffix("").name, "wb", fileobj=self._raw))
        elif path.suffix == ".zst":
            self._file = cast(BinaryIO, zstandard.ZstdCompressor().stream_writer(self._raw, closefd=False))
        lines = [FIRST_LINE, f"# origin: {header.origin}"]
        lines += [f"# {key}: {value}" for key, value in (("title", header.title), ("plugin", header.plugin)) if value]
        lines += [f"# node: {name} {kind}" for name, kind in header.kinds.items()]
        if header.started_ns is not None:
            lines.append(f"# started: {utc_text(header.started_ns)}")
        if header.planned_ns is not None:
            lines.append(f"# planned: {header.planned_ns} ns")
        self._write("".join(" ".join(line.split()) + "\n" for line in lines))

    def write(self, records: Iterable[Record]) -> None:
        """Append records.

        Raises:
            InputError: the disk refuses.
        """
        self._write("".join(map(record_line, records)))

    def flush(self) -> None:
        """Hand what was written to the system."""
        with self._told():
            self._file.flush()
            self._raw.flush()

    def close(self, ended: tuple[int, str] | None = None) -> None:
        """Complete the file and move it to its name.

        Args:
            ended: when and how the run ended.

        Raises:
            InputError: the disk refuses; what was written stays in the ``.part`` file.
        """
        if ended is not None:
            self._write(f"# ended: {utc_text(ended[0])} {ended[1]}\n")
        with self._told():
            if self._file is not self._raw:
                self._file.close()
            self._raw.flush()
            os.fsync(self._raw.fileno())
            self._raw.close()
            self._part.replace(self.path)

    def _write(self, text: str) -> None:
        with self._told():
            self._file.write(text.encode())

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise InputError(
                f"{self.path} can't be written: {error.strerror}; what was written is in {self._part}"
            ) from None


def write_capture(path: Path, header: Header, records: Iterable[Record], ended: tuple[int, str] | None) -> int:
    """Write a whole capture; returns how many records.

    Raises:
        InputError: it can't be written.
    """
    writer = TextWriter(path, header)
    count = 0
    batch: list[Record] = []
    for record in records:
        batch.append(record)
        count += 1
        if len(batch) >= 5000:
            writer.write(batch)
            batch.clear()
    writer.write(batch)
    writer.close(ended)
    return count
