"""What the energy model tells: tables, the same as JSON, and plots; always with the spread, and with what it is not."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from rich.table import Table

from gateway.energy import Life, Load
from gateway.energy.board import Finding
from gateway.energy.life import shares
from gateway.energy.profile import Profile, guesses
from gateway.energy.trial import Tried
from gateway.energy.waveform import Measured
from gateway.report.plots import Plot

CAUTION = (
    "A forecast is not a rating. Lithium coin cells are dangerous if swallowed, shorted, charged or crushed: keep to "
    "the cell's data sheet, and to local product safety and transport rules. Transmit power and duty cycle are subject "
    "to local radio rules."
)
_QUANTILES = (0.05, 0.5, 0.95)
_PLOT_POINTS = 2000


def days_text(days: float) -> str:
    """A length of life for people. Example: 400 days are 1.1 years."""
    if days < 1:
        return f"{24 * days:.1f} h"
    return f"{days:.0f} days" if days < 365.25 else f"{days / 365.25:.1f} years"


def life_text(life: Life) -> str:
    """The median with the 90 % interval."""
    low, median, high = life.quantiles(*_QUANTILES)
    return f"{days_text(median)} (90 %: {days_text(low)} to {days_text(high)})"


def current_text(amperes: float) -> str:
    """A current for people."""
    return f"{amperes * 1e6:.3g} µA" if amperes < 1e-3 else f"{amperes * 1e3:.3g} mA"


def parts_table(life: Life) -> Table:
    """The mean current by what takes it, largest first."""
    table = Table(box=None, pad_edge=False)
    for name, justify in (("part", "left"), ("mean current", "right"), ("share", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    for name, amperes, share in shares(life.parts_a):
        if amperes or share:
            table.add_row(name, current_text(amperes), f"{100 * share:.1f} %")
    table.add_row("all", current_text(float(np.median(life.current_a))), "100.0 %")
    return table


def life_lines(life: Life, load: Load, profile: Profile, carried: Mapping[str, float]) -> Iterator[str]:
    """What stands beside the table."""
    yield f"cell {profile.in_series} x {profile.cell.kind} ({profile.cell.source}): {life_text(life)}"
    what, depth = life.brownout
    if what:
        yield f"{what} browns out first, with {100 * depth:.0f} % of the cell used"
    most = [f"{path} {100 * share:.0f} %" for path, share in list(carried.items())[:3] if share >= 0.05]
    if most:
        yield f"the spread comes from {', '.join(most)}"
    if guessed := list(guesses(profile)):
        yield f"guessed: {', '.join(guessed[:6])}{f' and {len(guessed) - 6} more' if len(guessed) > 6 else ''}"
    yield (
        f"connected {100 * load.connected:.1f} % of the time, interval {load.interval_s * 1e3:g} ms, "
        f"latency {load.latency}, {load.packets_per_s:.3g} packets/s of {load.octets:.0f} bytes"
    )


def level_line(low: float | None, per_day: float | None, high: float | None, said: str, life: Life) -> str:
    """What the node's own battery level says, and whether that agrees."""
    if per_day is None or low is None or high is None:
        return f"battery level: {said}"
    if per_day >= 0:
        return f"battery level: rises by {per_day:.3g} %/day, which says nothing of the cell"
    by_level = 100 / -per_day
    earliest, latest = 100 / -low, 100 / -high if high < 0 else float("inf")
    least, _, most = life.quantiles(*_QUANTILES)
    agree = "agrees" if earliest <= most and latest >= least else "does not agree"
    until = days_text(latest) if latest != float("inf") else "no end"
    return (
        f"battery level: {per_day:.3g} %/day ({low:.3g} to {high:.3g}), {days_text(by_level)} "
        f"({days_text(earliest)} to {until}) from full if it falls evenly; this {agree} with the forecast"
    )


def tried_table(rows: Sequence[Tried], target_days: float | None) -> Table:
    """What came of other settings."""
    table = Table(box=None, pad_edge=False)
    names = list(dict.fromkeys(name for row in rows for name in row.settings))
    for name in (
        *names,
        "median life",
        "90 % interval",
        "mean current",
        "values",
        "wait",
        *(["target"] if target_days else []),
    ):
        table.add_column(name, justify="left" if name in names else "right")
    for row in rows:
        low, median, high = row.life.quantiles(*_QUANTILES)
        wait_s = row.load.interval_s * (1 + row.load.latency)
        reached = (
            ["reached" if low >= target_days else "open" if high >= target_days else "missed"] if target_days else []
        )
        table.add_row(
            *(row.settings.get(name, "") for name in names),
            days_text(median),
            f"{days_text(low)} to {days_text(high)}",
            current_text(float(np.median(row.life.current_a))),
            f"{row.load.values_per_s:.3g} /s",
            f"{wait_s * 1e3:.4g} ms",
            *reached,
        )
    return table


def just_enough(rows: Sequence[Tried], target_days: float) -> Tried | None:
    """Of those that reach a target in 95 of 100 draws the one that sends most, and waits least."""
    enough = [row for row in rows if row.life.quantiles(0.05)[0] >= target_days]
    return max(
        enough, key=lambda row: (row.load.values_per_s, -row.load.interval_s * (1 + row.load.latency)), default=None
    )


def life_json(life: Life, load: Load, carried: Mapping[str, float], tried: Sequence[Tried]) -> dict[str, Any]:
    """The same for machines: currents in amperes, lives in days."""
    low, median, high = life.quantiles(*_QUANTILES)
    return {
        "life_days": {"p05": low, "median": median, "p95": high},
        "mean_current_a": float(np.median(life.current_a)),
        "parts_a": {name: float(np.median(values)) for name, values in life.parts_a.items()},
        "browns_out": {"what": life.brownout[0] or None, "depth": life.brownout[1]},
        "first_order_indices": dict(list(carried.items())[:20]),
        "load": {
            key: getattr(load, key)
            for key in (
                "connected",
                "interval_s",
                "latency",
                "packets_per_s",
                "octets",
                "values_per_s",
                "connections_per_s",
            )
        },
        "tried": [
            {
                "settings": dict(row.settings),
                "life_days": dict(zip(("p05", "median", "p95"), row.life.quantiles(*_QUANTILES), strict=True)),
            }
            for row in tried
        ],
    }


def findings_table(found: Sequence[Finding]) -> Table:
    """What was looked at of a board."""
    table = Table(box=None, pad_edge=False)
    for name in ("", "what", "found", "change"):
        table.add_column(name, overflow="fold")
    for one in found:
        table.add_row(
            {"works": "works", "close": "CLOSE", "fails": "FAILS"}[one.verdict], one.subject, one.found, one.change
        )
    return table


def findings_json(found: Sequence[Finding]) -> list[dict[str, str]]:
    """The same for machines."""
    return [{"subject": f.subject, "verdict": f.verdict, "found": f.found, "change": f.change} for f in found]


def charge_lines(found: Measured) -> Iterator[str]:
    """What a measured current holds."""
    seconds = found.samples / found.rate_hz
    yield f"{found.samples} samples at {found.rate_hz:g} /s, {seconds:.6g} s; mean {current_text(found.mean_a)}"
    yield (
        f"baseline {current_text(found.baseline_a)}; from {current_text(found.lowest_a)} to "
        f"{current_text(found.highest_a)}, events above {current_text(found.threshold_a)}"
    )
    if found.mean_a < 0:
        yield "the mean current is negative: the polarity of the measurement may be reversed"
    if not found.pulses:
        yield "no events stand out from the baseline"
        return
    charges = np.array([one.charge_c for one in found.pulses]) * 1e6
    lengths = np.array([one.length_s for one in found.pulses]) * 1e3
    spread = f" ± {charges.std(ddof=1):.3g}" if len(charges) > 1 else ""
    yield f"{len(charges)} events: {charges.mean():.4g}{spread} µC above the baseline, {lengths.mean():.3g} ms long"
    if len(found.pulses) > 1:
        starts = np.diff([one.start_s for one in found.pulses])
        yield f"one each {np.median(starts) * 1e3:.4g} ms (median)"


def charge_json(found: Measured) -> str:
    """The same for machines."""
    return json.dumps(
        {
            "samples": found.samples,
            "rate_hz": found.rate_hz,
            "mean_a": found.mean_a,
            "baseline_a": found.baseline_a,
            "threshold_a": found.threshold_a,
            "events": [
                {"start_s": p.start_s, "length_s": p.length_s, "charge_c": p.charge_c, "peak_a": p.peak_a}
                for p in found.pulses
            ],
        },
        indent=1,
    )


def _layout(x: dict[str, Any], y: dict[str, Any]) -> dict[str, Any]:
    margin = {"l": 84, "r": 30, "t": 10, "b": 48}
    return {"margin": margin, "showlegend": False, "separators": ".", "xaxis": x, "yaxis": y}


def charge_plot(found: Measured) -> Plot:
    """The mean current over an event."""
    step = max(len(found.shape_a) // _PLOT_POINTS, 1)
    milli = (found.shape_a[::step] * 1e3).tolist()
    times = [n * step / found.rate_hz * 1e3 for n in range(len(milli))]
    layout = _layout({"title": {"text": "time, ms"}}, {"title": {"text": "current, mA"}})
    figure = {"data": [{"type": "scatter", "mode": "lines", "x": times, "y": milli}], "layout": layout}
    return Plot("charge", "Mean current over an event", f"{len(found.pulses)} events", figure, over_time=False)


def parts_plot(node: str, life: Life) -> Plot:
    """The mean current by what takes it."""
    rows = [row for row in shares(life.parts_a) if row[2] >= 0.001]
    figure = {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "x": [a * 1e6 for _, a, _ in rows][::-1],
                "y": [n for n, _, _ in rows][::-1],
            }
        ],
        "layout": _layout({"title": {"text": "mean current, µA"}}, {"automargin": True}),
    }
    said = f"{life_text(life)}; " + ", ".join(f"{n} {100 * s:.0f} %" for n, _, s in rows[:5])
    return Plot(f"{node}.energy", "What the cell is used for, as modelled", said, figure, over_time=False)


def against_plot(node: str, name: str, rows: Sequence[Tried], numbers: Sequence[float], unit: str) -> Plot:
    """Life against a setting, with its 90 % interval."""
    low, median, high = (list(one) for one in zip(*(row.life.quantiles(*_QUANTILES) for row in rows), strict=True))
    x = list(numbers)
    figure = {
        "data": [
            {"type": "scatter", "mode": "lines+markers", "name": "median", "x": x, "y": median},
            {"type": "scatter", "mode": "lines", "line": {"dash": "dot"}, "name": "5 %", "x": x, "y": low},
            {"type": "scatter", "mode": "lines", "line": {"dash": "dash"}, "name": "95 %", "x": x, "y": high},
        ],
        "layout": _layout(
            {"title": {"text": f"{name}, {unit}" if unit else name}, "type": "log"},
            {"title": {"text": "life, days"}, "rangemode": "tozero"},
        ),
    }
    ends = f"{days_text(median[0])} at {x[0]:g} {unit}, {days_text(median[-1])} at {x[-1]:g} {unit}"
    said = f"{ends}; median, dotted and dashed what 5 and 95 of 100 draws stay below"
    return Plot(f"{node}.energy:{name}", f"Life against {name}", said, figure, over_time=False)
