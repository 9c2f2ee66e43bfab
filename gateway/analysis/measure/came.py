"""What a log holds of a channel, as its figures need it: when its frames came, with counters and the node's own stamps,
and how many of them hold what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted
from gateway.model.units import parse_unit

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Arrivals:
    """When a channel's frames came.

    Attributes:
        times: nanoseconds UTC, shape (n,).
        counts: sequence counters, -1 where a payload did not decode and -2 where it has none.
        node_s: the node's own time stamps in seconds, NaN where there is none; None where it sends none.
    """

    times: Ints
    counts: Ints
    node_s: Floats | None = None

    def only(self, kept: npt.NDArray[np.bool_]) -> Arrivals:
        """Some of them."""
        return Arrivals(self.times[kept], self.counts[kept], None if self.node_s is None else self.node_s[kept])


@dataclass(frozen=True, slots=True)
class Content:
    """How many frames did not decode, values lie outside their limits, and frames have a field without a reading."""

    faults: int
    outside: int
    silent: int


def arrivals(log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo) -> Arrivals:
    """When a channel's frames came."""
    counter, stamp = channel.with_role("sequence"), channel.with_role("node time")
    column = quoted(counter.column) if counter else "NULL"
    came, counted = log.integers(run, node, channel.relation, ["t_ns", f"ifnull({column}, iif(fault IS NULL, -2, -1))"])
    node_s = None
    if stamp is not None:
        stamps = log.rows(run, node, channel.relation, quoted(stamp.column))
        parts = [np.array([row[0] for row in chunk], dtype=np.float64) for chunk in stamps]
        node_s = np.concatenate([np.empty(0), *parts]) * seconds_in(stamp.unit)
    if np.any(np.diff(came) < 0):  # a capture whose times run backwards
        order = np.argsort(came, kind="stable")
        came, counted, node_s = came[order], counted[order], node_s if node_s is None else node_s[order]
    return Arrivals(came, counted, node_s)


def content(log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo) -> Content:
    """What a channel's frames hold.

    A field that is there only under a condition is not counted: where it is absent, nothing is missing.
    """
    blank = [f"{quoted(f.column)} IS NULL" for f in channel.fields if f.bits is not None and not f.sometimes]
    inner = [f"{quoted(f.column)} IS NULL" for f in channel.sample_fields if f.bits is not None]
    if channel.samples and inner:
        blank.append(f"id IN (SELECT frame FROM {quoted(channel.samples)} WHERE {' OR '.join(inner)})")  # noqa: S608
    missing = " OR ".join(blank) or "0"
    columns = f"total(fault IS NOT NULL), total(fault IS NULL AND ({missing})), {_outside(channel.fields, '')}"
    faults, silent, outside = _one(log.rows(run, node, channel.relation, columns))
    if channel.samples and any(field.low is not None or field.high is not None for field in channel.sample_fields):
        (more,) = _one(log.sample_rows(run, node, channel, _outside(channel.sample_fields, "s.")))
        outside += more
    return Content(int(faults), int(outside), int(silent))


def _one(chunks: Any) -> tuple[float, ...]:
    return tuple(next(iter(chunks))[0])


def _outside(fields: tuple[FieldInfo, ...], owner: str) -> str:
    """SQL that counts values outside their limits."""
    parts = ["0"]
    for field in fields:
        column = owner + quoted(field.column)
        if field.low is not None and field.high is not None:
            parts.append(f"total({column} NOT BETWEEN {field.low!r} AND {field.high!r})")
        elif field.low is not None:
            parts.append(f"total({column} < {field.low!r})")
        elif field.high is not None:
            parts.append(f"total({column} > {field.high!r})")
    return " + ".join(parts)


def seconds_in(unit: str) -> float:
    """How many seconds a unit of time is; a stamp without one counts seconds."""
    return float(parse_unit(unit).to(parse_unit("s"))[0]) if unit else 1.0
