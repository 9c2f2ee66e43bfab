"""How far a prototype's values agree with those of a calibrated instrument that stood beside it: offset, gain, what
remains beside them, and by how much the prototype lags. The lag is the one at which the least remains; gain and offset
are the least-squares line of its values over the reference's at that lag."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS, block_bounds
from gateway.log.reader import Log, NodeInfo, RunInfo
from gateway.log.schema import quoted
from gateway.model.errors import InputError
from gateway.model.utc import duration_text

Floats = npt.NDArray[np.float64]
FEWEST = 20
MOST_VALUES = 20_000  # evenly taken from all; more tell no more of a line
_LAGS = 400
_MOST_ROWS = 5_000_000
_AS_GOOD = math.sqrt(1 + 4.41 / (BLOCKS - 2))  # F(0.95; 1, 18) = 4.41, from memory; of standard deviations
_FAR = 5.0  # times the usual distance of two reference values: nothing is known between them


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of a field with a reference, in the field's unit.

    Attributes:
        n: values compared.
        offset, offset_low, offset_high: mean of value less reference, with 95 % bounds by blocks.
        gain: rise of the value for one of the reference, None where the reference did not change.
        residual: standard deviation beside the line.
        lag_s, lag_low_s, lag_high_s: how much later the value follows, with 95 % bounds; None where that can't be told,
            and then offset and gain are those without a lag.
        why_no_lag: why it can't, "" where it can.
    """

    n: int
    offset: float
    offset_low: float
    offset_high: float
    gain: float | None
    residual: float
    lag_s: float | None
    lag_low_s: float | None = None
    lag_high_s: float | None = None
    why_no_lag: str = ""


def agreement(times_s: Floats, values: Floats, ref_times_s: Floats, ref_values: Floats, most_lag_s: float) -> Agreement:
    """Compare two series of the same quantity in the same unit.

    Args:
        times_s, values: of the prototype, shape (n,), times in order.
        ref_times_s, ref_values: of the reference, shape (m,), times in order.
        most_lag_s: how far a lag is looked for, seconds, to both sides.

    Raises:
        InputError: the two have too little time in common, or the lag is beyond what was looked for.
    """
    usual_s = float(np.median(np.diff(ref_times_s))) if len(ref_times_s) > 1 else 0.0
    common_s = min(times_s[-1], ref_times_s[-1]) - max(times_s[0], ref_times_s[0]) if len(times_s) else 0.0
    if 0 < common_s <= 2 * most_lag_s:
        raise InputError(
            f"the values and the reference have {duration_text(round(common_s))} in common, no longer than twice the "
            f"lag of {duration_text(most_lag_s)} that is looked for; give a shorter --lag, or compare a longer run"
        )
    inside = (times_s >= ref_times_s[0] + most_lag_s) & (times_s <= ref_times_s[-1] - most_lag_s)
    beside = np.clip(np.searchsorted(ref_times_s, times_s), 1, len(ref_times_s) - 1)
    inside &= ref_times_s[beside] - ref_times_s[beside - 1] <= _FAR * usual_s
    times_s, values = times_s[inside], values[inside]
    if len(values) < FEWEST:
        raise InputError(
            f"{len(values)} values overlap the reference in time, at least {FEWEST} are needed; check both clocks, "
            "and that the reference starts before and ends after the values"
        )
    step = -(-len(values) // MOST_VALUES)
    times_s, values = times_s[::step], values[::step]

    def rest(lag_s: float) -> tuple[float, float | None]:
        """What remains at a lag, and the gain there."""
        reference = np.interp(times_s - lag_s, ref_times_s, ref_values)
        spread = float(((reference - reference.mean()) ** 2).sum())
        if spread <= 1e-18 * max(float((reference**2).sum()), 1.0):
            return float(np.std(values)), None
        gain = float(((reference - reference.mean()) * (values - values.mean())).sum()) / spread
        return float(np.std(values - values.mean() - gain * (reference - reference.mean()))), gain

    found = _lag(lambda lag_s: rest(lag_s)[0], most_lag_s) if rest(0.0)[1] is not None and most_lag_s > 0 else _NO_LAG
    lag_s = found.best_s if not found.why_not else 0.0
    residual, gain = rest(lag_s)
    apart = values - np.interp(times_s - lag_s, ref_times_s, ref_values)
    low, high = block_bounds([float(part.mean()) for part in np.array_split(apart, BLOCKS)]) or (-math.inf, math.inf)
    offset = float(apart.mean())
    if gain is None or found.why_not or most_lag_s <= 0:
        why = "the reference did not change" if gain is None else found.why_not or "none was looked for"
        return Agreement(len(values), offset, low, high, gain, residual, None, why_no_lag=why)
    return Agreement(len(values), offset, low, high, gain, residual, lag_s, found.low_s, found.high_s)


@dataclass(frozen=True, slots=True)
class _Lag:
    best_s: float
    low_s: float
    high_s: float
    why_not: str = ""


_NO_LAG = _Lag(0.0, 0.0, 0.0)


def _lag(rest: Callable[[float], float], most_s: float) -> _Lag:
    """The lag at which the least remains, and those at which not significantly more does: by the F test of one more
    parameter with as many degrees of freedom as there are blocks, since neighbouring values are no news.

    Raises:
        InputError: the least remains at an end of the search.
    """
    grid = np.linspace(-most_s, most_s, _LAGS + 1)
    remains = np.array([rest(float(lag_s)) for lag_s in grid])
    as_good = np.flatnonzero(remains <= remains.min() * _AS_GOOD + 1e-12 * remains.max())
    low_s, high_s = float(grid[as_good[0]]), float(grid[as_good[-1]])
    if high_s - low_s > most_s:  # half of all that was looked at
        return _Lag(0.0, low_s, high_s, "any lag fits as well as any other, as where the reference only rises or falls")
    best = int(np.argmin(remains))
    if best in (0, _LAGS):
        raise InputError(
            f"the values fit the reference best at {grid[best]:g} s, the end of the search; give a longer --lag, "
            "or check both clocks"
        )
    lag_s, step_s = float(grid[best]), float(grid[1] - grid[0])
    for _ in range(2):  # each time closer around the best
        near = np.linspace(lag_s - 2 * step_s, lag_s + 2 * step_s, 21)
        lag_s, step_s = float(min(near, key=lambda one: rest(float(one)))), step_s / 5
    return _Lag(lag_s, min(low_s, lag_s), max(high_s, lag_s))


def values_of(log: Log, run: RunInfo, node: NodeInfo, field: str) -> tuple[Floats, Floats, str]:
    """Times (seconds UTC), values and unit of a field written ``channel.field``.

    Raises:
        InputError: the node has no such field.
    """
    known = {f"{c.name}.{f.name}": (c, f) for c in node.channels for f in c.fields if not f.role}
    if field not in known:
        raise InputError(f"{node.name} has no field {field!r}; it has {', '.join(known) or 'none'}")
    channel, info = known[field]
    chunks = log.rows(run, node, channel.relation, f"t_ns / 1e9, {quoted(info.column)}")
    rows = np.concatenate([np.empty((0, 2)), *(np.array(chunk, dtype=np.float64) for chunk in chunks)])
    rows = rows[np.isfinite(rows[:, 1])]
    return rows[:, 0], rows[:, 1], info.unit


def read_reference(path: Path, time: str | None, column: str | None) -> tuple[Floats, Floats]:
    """Times (seconds UTC) and values of a CSV file with a header, in order of time.

    Args:
        time, column: names of the columns; the first and the second by default.

    Raises:
        InputError: the file, a column or a line can't be used.
    """
    times: list[float] = []
    values: list[float] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = csv.reader(file)
            header = next(rows, [])
            places = [_place(path, header, name, default) for name, default in ((time, 0), (column, 1))]
            for row in rows:
                if not row or (len(row) > places[1] and not row[places[1]].strip()):
                    continue  # no reading
                try:
                    moment, value = _moment_s(row[places[0]]), float(row[places[1]])
                except (ValueError, IndexError):
                    found = ",".join(row)[:60]
                    raise InputError(
                        f"{path}, line {rows.line_num}: {found!r}; a UTC time such as 2026-01-01T12:00:00Z (or seconds "
                        "since 1970) and a number are expected"
                    ) from None
                if math.isfinite(value) and math.isfinite(moment):
                    times.append(moment)
                    values.append(value)
                if len(times) > _MOST_ROWS:
                    raise InputError(f"{path} has more than {_MOST_ROWS:,} rows; use a part of it")
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}; check the path") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path} is not CSV text: {error}; export it as comma-separated UTF-8") from None
    if len(times) < 2:
        raise InputError(f"{path} has {len(times)} readings, at least 2 are needed")
    order = np.argsort(times, kind="stable")
    return np.array(times)[order], np.array(values)[order]


def _place(path: Path, header: list[str], name: str | None, default: int) -> int:
    if name is None and default < len(header):
        return default
    if name is not None and name in header:
        return header.index(name)
    raise InputError(f"{path} has no column {name or default + 1!r}; it has {', '.join(header)[:200] or 'none'}")


def _moment_s(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        moment = datetime.fromisoformat(text.strip())
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
