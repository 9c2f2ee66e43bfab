"""What a calibrated instrument recorded, from its CSV file: readings at times, or set points that were held from one
time to another. Files as laboratories export them: commas, semicolons or tabs, a decimal comma where that does not part
columns, times in UTC, in a time zone of their own or in a named one."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from gateway.model.errors import InputError

Floats = npt.NDArray[np.float64]
_MOST_ROWS = 5_000_000
_MOST_HOLDS = 1000
_DAY_FIRST = ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M")


@dataclass(frozen=True, slots=True)
class Hold:
    """A value that was held, from one time to another in seconds UTC."""

    from_s: float
    to_s: float
    value: float


@dataclass(frozen=True, slots=True)
class Reference:
    """Readings: times (seconds UTC) in order and values, of one shape (n,); or what was held, and then no readings."""

    times_s: Floats
    values: Floats
    holds: tuple[Hold, ...] = ()


def read_reference(
    path: Path, time: str | None = None, column: str | None = None, zone: str | None = None
) -> Reference:
    """Read a CSV file with a header. With columns called ``from`` and ``to`` it holds set points.

    Args:
        time, column: names of the columns of times and values; the first and the second by default, of set points the
            first that is neither ``from`` nor ``to``.
        zone: the time zone of times that name none, such as Europe/Vienna; UTC by default.

    Raises:
        InputError: the file, a column or a line can't be used.
    """
    moment = _moment_in(zone)
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            parted_by = _delimiter(file.readline() + file.readline())
            file.seek(0)
            rows = csv.reader(file, delimiter=parted_by)
            header = [name.strip() for name in next(rows, [])]
            if not any(header):
                raise InputError(f"{path} is empty; a header and readings are needed")
            number = _number_with("," if parted_by != "," else "")
            if {"from", "to"} <= {name.lower() for name in header}:
                return _set_points(path, header, rows, column, moment, number)
            places = [_place(path, header, name, default) for name, default in ((time, 0), (column, 1))]
            times, values = [], []
            for (when,), value in _cells(path, rows, places[:1], places[1], moment, number):
                times.append(when)
                values.append(value)
                if len(times) > _MOST_ROWS:
                    raise InputError(f"{path} has more than {_MOST_ROWS:,} rows; use a part of it")
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}; check the path") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path} is not CSV text: {error}; export it as UTF-8") from None
    if len(times) < 2:
        raise InputError(f"{path} has {len(times)} readings, at least 2 are needed")
    order = np.argsort(times, kind="stable")
    return Reference(np.array(times)[order], np.array(values)[order])


def _delimiter(lines: str) -> str:
    """What parts the columns of these lines, not counting what stands in quotes; a comma only where nothing else does,
    as it may be a decimal one."""
    bare = re.sub(r'"[^"\n]*"', "", lines)
    return max(";\t,", key=bare.count)


def _set_points(
    path: Path,
    header: list[str],
    rows: Iterator[list[str]],
    column: str | None,
    moment: Callable[[str], float],
    number: Callable[[str], float],
) -> Reference:
    named = [name.lower() for name in header]
    others = [place for place, name in enumerate(named) if name not in ("from", "to")]
    value_at = _place(path, header, column, others[0] if others else len(header))
    holds = []
    for (from_s, to_s), value in _cells(path, rows, [named.index("from"), named.index("to")], value_at, moment, number):
        if to_s <= from_s:
            raise InputError(
                f"{path}: the set point {value:g} is held from {from_s:.0f} to {to_s:.0f} s; to must be later"
            )
        holds.append(Hold(from_s, to_s, value))
        if len(holds) > _MOST_HOLDS:
            raise InputError(f"{path} has more than {_MOST_HOLDS:,} set points; use a part of it")
    if len(holds) < 2:
        raise InputError(f"{path} has {len(holds)} set points, at least 2 are needed")
    return Reference(np.empty(0), np.empty(0), tuple(holds))


def _cells(
    path: Path,
    rows: Iterator[list[str]],
    times_at: list[int],
    value_at: int,
    moment: Callable[[str], float],
    number: Callable[[str], float],
) -> Iterator[tuple[list[float], float]]:
    """The times and the value of each line that has a value."""
    for line, row in enumerate(rows, 2):
        if not row or (len(row) > value_at and not row[value_at].strip()):
            continue  # no reading
        try:
            times, value = [moment(row[place]) for place in times_at], number(row[value_at])
        except (ValueError, IndexError) as error:
            found, why = ",".join(row)[:60], f" ({error})" if "twice" in str(error) else ""
            raise InputError(
                f"{path}, line {line}: {found!r}{why}; a time such as 2026-01-01T12:00:00Z (or seconds since 1970) and "
                "a number are expected"
            ) from None
        if math.isfinite(value) and all(map(math.isfinite, times)):
            yield times, value


def _place(path: Path, header: list[str], name: str | None, default: int) -> int:
    if name is None and default < len(header):
        return default
    if name is not None and name in header:
        return header.index(name)
    raise InputError(f"{path} has no column {name or default + 1!r}; it has {', '.join(header)[:200] or 'none'}")


def _number_with(comma: str) -> Callable[[str], float]:
    """What reads a number, with a decimal comma where that is allowed."""
    return (lambda text: float(text.strip().replace(comma, "."))) if comma else (lambda text: float(text))


def _moment_in(zone: str | None) -> Callable[[str], float]:
    """What reads a time as seconds UTC, one that names no time zone in this one."""
    try:
        own = UTC if zone is None else ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(f"there is no time zone {zone!r} on this machine; give one such as Europe/Vienna") from None

    def read(text: str) -> float:
        text = text.strip()
        try:
            return float(text)
        except ValueError:
            moment = _parsed(text)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=own)
            if moment.utcoffset() != moment.replace(fold=1).utcoffset():
                raise ValueError(f"this time comes twice or never in {zone}; export in UTC")
        return moment.timestamp()

    return read


def _parsed(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        for form in _DAY_FIRST:
            try:
                return datetime.strptime(text, form)
            except ValueError:
                continue
        raise
