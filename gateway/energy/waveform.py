"""A current over time that was measured: read in blocks, so that its length does not matter, and cut into events above
a baseline, with the charge of each. Reads CSV with a header and a unit, WAV with a scale that is given, Parquet, and
sessions of sampled channels in a ZIP file (an INI file of facts and float32 blocks)."""

from __future__ import annotations

import configparser
import csv
import itertools
import re
import wave
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from gateway.energy.draws import Floats
from gateway.model.errors import InputError, UnitError
from gateway.model.units import parse_unit

_BLOCK = 1 << 20  # samples
_BINS = 4096  # of the histogram that the baseline is read from
_Opened = tuple[float, Callable[[], Iterator[Floats]]]
_TIMES = {"time", "t", "timestamp", "seconds"}
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True)
class Pulse:
    """An event above the baseline.

    Attributes:
        start_s, length_s: since the beginning of the recording.
        charge_c: above the baseline, coulombs.
        peak_a: the highest sample.
    """

    start_s: float
    length_s: float
    charge_c: float
    peak_a: float


@dataclass(slots=True)
class Measured:
    """What a recording holds.

    Attributes:
        rate_hz: samples a second.
        samples, mean_a, lowest_a, highest_a: of all of it.
        baseline_a: what it draws between events: the most frequent current.
        threshold_a: above which an event is.
        pulses: the events.
        shape_a: the mean current over an event, on its own time from its start, for a plot; empty without events.
    """

    rate_hz: float
    samples: int = 0
    mean_a: float = 0.0
    lowest_a: float = 0.0
    highest_a: float = 0.0
    baseline_a: float = 0.0
    threshold_a: float = 0.0
    pulses: list[Pulse] = field(default_factory=list)
    shape_a: Floats = field(default_factory=lambda: np.empty(0))


class Recording:
    """A file of current samples.

    Args:
        path: .csv, .wav, .parquet, or a session in a ZIP file.
        rate_hz: samples a second, where the file does not tell; None for what it tells.
        scale_a: amperes for each unit of its samples, where it does not tell their unit.
        column: which column or channel, where there are several.

    Raises:
        InputError: it can't be read, or something is missing; the text says what.
    """

    def __init__(
        self, path: Path, rate_hz: float | None = None, scale_a: float | None = None, column: str | None = None
    ) -> None:
        self.path, self._scale, self._column = path, scale_a, column
        if not path.is_file():
            raise InputError(f"{path}: no such file")
        kind = path.suffix.lower()
        try:
            if kind == ".wav":
                self.rate_hz, self._blocks = self._wav(rate_hz)
            elif kind == ".parquet":
                self.rate_hz, self._blocks = self._parquet(rate_hz)
            elif zipfile.is_zipfile(path):
                self.rate_hz, self._blocks = self._session(rate_hz)
            else:
                self.rate_hz, self._blocks = self._csv(rate_hz)
        except (OSError, wave.Error, zipfile.BadZipFile, configparser.Error, UnicodeDecodeError, EOFError) as error:
            raise InputError(f"{path} can't be read: {error}") from None
        if not self.rate_hz > 0:
            raise InputError(f"{path}: a rate of {self.rate_hz:g} samples a second; specify it with --rate")

    def blocks(self) -> Iterator[Floats]:
        """Its samples in amperes, a block at a time; can be called again.

        Raises:
            InputError: the file is damaged.
        """
        try:
            yield from self._blocks()
        except (OSError, wave.Error, zipfile.BadZipFile, ValueError, EOFError) as error:
            raise InputError(f"{self.path} is damaged: {error}") from None

    def _wav(self, rate_hz: float | None) -> _Opened:
        if self._scale is None:
            raise InputError(
                f"{self.path}: a WAV file tells no unit; specify the amperes at full scale with --full-scale"
            )
        with wave.open(str(self.path), "rb") as file:
            width, channels, rate = file.getsampwidth(), file.getnchannels(), float(file.getframerate())
        if width not in (1, 2, 4):
            raise InputError(f"{self.path}: samples of {8 * width} bits; 8, 16 and 32 bits are read")
        place = self._channel(0)
        if not 0 <= place < channels:
            raise InputError(f"{self.path}: no channel {place}; it has {channels}")
        scale = self._scale

        def blocks() -> Iterator[Floats]:
            with wave.open(str(self.path), "rb") as file:
                while raw := file.readframes(_BLOCK):
                    samples = np.frombuffer(raw, {1: "u1", 2: "<i2", 4: "<i4"}[width])[place::channels].astype(
                        np.float64
                    )
                    full = float(1 << (8 * width - 1))
                    yield ((samples - 128) / 128 if width == 1 else samples / full) * scale

        return rate_hz or rate, blocks

    def _parquet(self, rate_hz: float | None) -> _Opened:
        try:
            import pyarrow as pa
            import pyarrow.parquet as pq
        except ImportError:
            raise InputError("Parquet needs pyarrow: pip install 'gattest[parquet]'") from None
        try:
            file = pq.ParquetFile(self.path)
        except pa.ArrowInvalid as error:
            raise InputError(f"{self.path} can't be read: {error}") from None
        names = list(file.schema_arrow.names)
        name, time_name = self._choose(names)
        scale = self._unit_of(name)
        if rate_hz is None:
            if time_name is None:
                raise InputError(f"{self.path}: no column of times among {', '.join(names)}; specify --rate")
            first = next(file.iter_batches(1000, columns=[time_name])).column(0).to_numpy(zero_copy_only=False)
            rate_hz = _rate_of(np.asarray(first, dtype=np.float64) * self._scale_of_time(time_name), self.path)

        def blocks() -> Iterator[Floats]:
            for batch in pq.ParquetFile(self.path).iter_batches(_BLOCK, columns=[name]):
                yield np.asarray(batch.column(0).to_numpy(zero_copy_only=False), dtype=np.float64) * scale

        return rate_hz, blocks

    def _session(self, rate_hz: float | None) -> _Opened:
        with zipfile.ZipFile(self.path) as file:
            names = file.namelist()
            if "metadata" not in names:
                raise InputError(f"{self.path}: a ZIP file without metadata is no session of samples")
            facts = configparser.ConfigParser(strict=False, interpolation=None)
            with file.open("metadata") as told_facts:
                facts.read_string(told_facts.read(1 << 20).decode())
        section = next((s for s in facts.sections() if facts.has_option(s, "samplerate")), None)
        if rate_hz is None and section is None:
            raise InputError(f"{self.path}: its metadata tells no sample rate; specify it with --rate")
        told = _hertz(facts.get(section, "samplerate"), self.path) if section else 0.0
        found = [re.fullmatch(r"analog-1-(\d+)-(\d+)", name) for name in names]
        parts = sorted((int(one[1]), int(one[2]), one[0]) for one in found if one)
        channels = sorted({channel for channel, _, _ in parts})
        if not channels:
            raise InputError(f"{self.path}: it holds no analog channel")
        wanted = self._channel(channels[0])
        if wanted not in channels:
            raise InputError(f"{self.path}: no analog channel {wanted}; it has {', '.join(map(str, channels))}")
        scale = 1.0 if self._scale is None else self._scale

        def blocks() -> Iterator[Floats]:
            with zipfile.ZipFile(self.path) as file:
                for _, _, name in (one for one in parts if one[0] == wanted):
                    with file.open(name) as chunk:
                        while raw := chunk.read(4 * _BLOCK):
                            yield np.frombuffer(raw[: len(raw) // 4 * 4], "<f4").astype(np.float64) * scale

        return rate_hz or told, blocks

    def _csv(self, rate_hz: float | None) -> _Opened:
        with self.path.open(newline="", encoding="utf-8-sig") as file:
            head = list(itertools.islice(file, 1001))
        if len(head) < 3:
            raise InputError(f"{self.path}: {len(head)} lines; a header and samples are expected")
        separator = max(";\t,", key=head[0].count)
        names = [name.strip() for name in next(csv.reader([head[0]], delimiter=separator))]
        name, time_name = self._choose(names)
        scale, place = self._unit_of(name), names.index(name)
        comma = separator != "," and any("," in line for line in head[1:])
        time_place = names.index(time_name) if time_name is not None and rate_hz is None else None
        last = max(place, time_place or 0)
        time_scale = self._scale_of_time(time_name) if time_name is not None else 1.0
        if rate_hz is None:
            if time_name is None:
                raise InputError(f"{self.path}: no column of times among {', '.join(names)}; specify --rate")
            at = names.index(time_name)
            times = [line.split(separator)[at].strip() for line in head[1:] if line.count(separator) >= at]
            numbers = np.array([float(t.replace(",", ".")) for t in times if _NUMBER.fullmatch(t)])
            rate_hz = _rate_of(numbers * (self._scale_of_time(time_name)), self.path)

        def blocks() -> Iterator[Floats]:
            with self.path.open(encoding="utf-8-sig") as file:
                next(file)
                number, before_s = 2, None
                while lines := list(itertools.islice(file, _BLOCK // 4)):
                    rows = [line.rstrip("\r\n").split(separator) for line in lines if line.strip()]
                    short = next((n for n, row in enumerate(rows) if len(row) <= last or not row[place].strip()), None)
                    if short is not None:
                        raise InputError(
                            f"{self.path}, line {number + short}: no current or no time; take such lines out"
                        )
                    if time_place is not None:
                        times = _floats([row[time_place] for row in rows], comma) * time_scale
                        steps = np.diff(times if before_s is None else np.concatenate([[before_s], times]))
                        if len(steps) and steps.max() > 1.5 / rate_hz:
                            gap = f"a gap of {float(steps.max()):g} s between samples of {1 / rate_hz:g} s"
                            raise InputError(f"{self.path}: {gap}; cut it there")
                        before_s = float(times[-1])
                    number += len(lines)
                    yield _floats([row[place] for row in rows], comma) * scale

        return rate_hz, blocks

    def _channel(self, usual: int) -> int:
        """The channel that was asked for, by its number."""
        if self._column is None:
            return usual
        if not self._column.isdecimal():
            raise InputError(f"{self.path}: --column {self._column!r}: its channels have numbers; specify one")
        return int(self._column)

    def _choose(self, names: list[str]) -> tuple[str, str | None]:
        """The column of the current and that of the times."""
        bare = {name: re.split(r"[\s(\[/]", name.lower())[0] for name in names}
        seconds = re.compile(r".*[(\[/]\s*[mµun]?s\s*[)\]]?")
        time_name = next((name for name in names if bare[name] in _TIMES or seconds.fullmatch(name)), None)
        if self._column is not None:
            if self._column not in names:
                raise InputError(f"{self.path}: no column {self._column!r}; it has {', '.join(names)}")
            return self._column, time_name
        others = [name for name in names if name != time_name]
        likely = [name for name in others if bare[name] in ("current", "i")] or others
        if len(likely) != 1:
            raise InputError(f"{self.path}: which column is the current? It has {', '.join(names)}; specify --column")
        return likely[0], time_name

    def _unit_of(self, name: str) -> float:
        """Amperes for each unit of a column: by --full-scale, or by its header, such as ``current (mA)``."""
        if self._scale is not None:
            return self._scale
        return self._header_unit(name, "A", "--full-scale")

    def _scale_of_time(self, name: str) -> float:
        return self._header_unit(name, "s", "--rate") if re.search(r"[(\[/]", name) else 1.0

    def _header_unit(self, name: str, wanted: str, option: str) -> float:
        found = re.search(r"[(\[/]\s*([^)\]]+)", name)
        try:
            if found is None:
                raise UnitError("no unit in it")
            gain, _ = parse_unit(found[1].strip()).to(parse_unit(wanted))
            return float(gain)
        except UnitError as error:
            hint = f"its unit belongs in the header, as in 'current (mA)'; or use {option}"
            raise InputError(f"{self.path}: column {name!r}: {error}; {hint}") from None


def _floats(texts: list[str], comma: bool) -> Floats:
    text = "\n".join(texts)
    return np.array((text.replace(",", ".") if comma else text).split(), dtype=np.float64)


def _rate_of(times_s: Floats, path: Path) -> float:
    steps = np.diff(times_s.astype(np.float64))
    if not len(steps) or not np.median(steps) > 0:
        raise InputError(f"{path}: its times do not rise; specify --rate")
    return float(1 / np.median(steps))


def _hertz(text: str, path: Path) -> float:
    found = re.fullmatch(r"\s*([\d.]+)\s*([kMG]?)(Hz)?\s*", text)
    if found is None:
        raise InputError(f"{path}: a sample rate of {text!r} can't be read; specify --rate")
    return float(found[1]) * {"": 1, "k": 1e3, "M": 1e6, "G": 1e9}[found[2]]


def measure(recording: Recording, apart_s: float = 0.5e-3) -> Measured:
    """What a recording holds.

    Args:
        apart_s: two events closer than that are one.

    Raises:
        InputError: the file is damaged, or holds no samples.
    """
    found = Measured(recording.rate_hz)
    lowest, highest, total = np.inf, -np.inf, 0.0
    for block in recording.blocks():
        if not np.isfinite(block).all():
            raise InputError(f"{recording.path}: samples that are no numbers")
        found.samples += len(block)
        total += float(block.sum())
        lowest, highest = min(lowest, float(block.min(initial=np.inf))), max(highest, float(block.max(initial=-np.inf)))
    if not found.samples:
        raise InputError(f"{recording.path}: no samples")
    found.mean_a, found.lowest_a, found.highest_a = total / found.samples, lowest, highest
    found.baseline_a, noise_a = _baseline(recording, lowest, highest)
    found.threshold_a = found.baseline_a + max(6 * noise_a, 0.05 * (highest - found.baseline_a))
    _cut(recording, found, max(round(apart_s * recording.rate_hz), 1))
    return found


def _baseline(recording: Recording, lowest: float, highest: float) -> tuple[float, float]:
    """What is drawn most of the time, and how it varies: the mode of a histogram of the lower part."""
    if highest <= lowest:
        return lowest, 0.0
    counts = np.zeros(_BINS, np.int64)
    for block in recording.blocks():
        counts += np.histogram(block, _BINS, (lowest, highest))[0]
    width = (highest - lowest) / _BINS
    peak = int(np.argmax(counts))
    # what is between events lies around the mode: a second look at that alone
    low, high = lowest + (peak - 2) * width, lowest + (peak + 3) * width
    n, total, squares = 0, 0.0, 0.0
    for block in recording.blocks():
        near = block[(block >= low) & (block <= high)]
        n, total, squares = n + len(near), total + float(near.sum()), squares + float((near * near).sum())
    mean = total / n if n else lowest
    return mean, float(np.sqrt(max(squares / n - mean * mean, 0.0))) if n else 0.0


def _cut(recording: Recording, found: Measured, apart: int) -> None:
    """The events, across blocks."""
    rate, base = found.rate_hz, found.baseline_a
    start = last = -1
    charge, peak, done = 0.0, 0.0, 0
    shapes: list[Floats] = []
    open_samples: list[Floats] = []

    def close() -> None:
        nonlocal start
        found.pulses.append(Pulse(start / rate, (last + 1 - start) / rate, charge / rate, peak))
        if len(shapes) < 200 and open_samples:
            shapes.append(np.concatenate(open_samples))
        start = -1

    for block in recording.blocks():
        above = np.flatnonzero(block > found.threshold_a)
        if len(above):
            edges = np.flatnonzero(np.diff(above) > apart) + 1
            for run in np.split(above, edges):
                first, end = int(run[0]), int(run[-1])
                if start >= 0 and done + first - last > apart:
                    close()
                    open_samples.clear()
                if start < 0:
                    start, charge, peak = done + first, 0.0, 0.0
                    open_samples.clear()
                part = block[max(first, 0) : end + 1]
                charge += float(part.sum()) - base * len(part)
                peak = max(peak, float(part.max()))
                if len(shapes) < 200:
                    open_samples.append(part)
                last = done + end
        done += len(block)
        if start >= 0 and done - last > apart:
            close()
            open_samples.clear()
    if start >= 0:
        close()
    if shapes:
        longest = int(np.median([len(one) for one in shapes]))
        kept = [np.pad(one[:longest], (0, max(longest - len(one), 0)), constant_values=base) for one in shapes]
        found.shape_a = np.mean(kept, axis=0)
