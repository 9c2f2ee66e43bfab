"""A field beside a reference: tables, JSON, and a plot of the error at each set point."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any, Protocol

from rich.table import Table

from gateway.analysis.measure.agreement import Agreement, Budget
from gateway.analysis.measure.setpoints import Calibration
from gateway.model.units import unit_text
from gateway.report.plots import Plot
from gateway.report.tables import WORD, bounds_of, number

_GRAY = "#808080"


class Compared(Protocol):
    """A field of a node beside a reference."""

    @property
    def node(self) -> str: ...
    @property
    def field(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def agreement(self) -> Agreement | None: ...
    @property
    def calibration(self) -> Calibration | None: ...
    @property
    def budget(self) -> Budget | None: ...


def agreement_table(found: Agreement, budget: Budget | None, unit: str, asked: bool) -> Table:
    """How a field agrees with a reference, and what its offset is uncertain by."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    gain = f"not determined, {found.why_no_lag}" if found.gain is None else f"{found.gain:.5g}"
    if found.gain_low is not None and found.gain_high is not None:
        gain += f", 95 % bounds {found.gain_low:.5g} to {found.gain_high:.5g}"
    lag = f"not determined, {found.why_no_lag}; offset and gain are those without a lag"
    if found.lag_s is not None:
        lag = f"{number(found.lag_s, 's')}, 95 % bounds {number(found.lag_low_s)} to {number(found.lag_high_s, 's')}"
        lag += ": the value lags the reference"
    bounds = "no bounds, as it moves through the whole of the comparison"
    if found.offset_low is not None:
        bounds = f"95 % bounds {bounds_of(found.offset_low, found.offset_high, unit)}"
    table.add_row("offset", f"{number(found.offset, unit)}, {bounds}: mean of value minus reference")
    table.add_row("gain", gain)
    table.add_row("residual", f"{number(found.residual, unit)}: standard deviation about the line")
    table.add_row("lag", lag)
    table.add_row("based on", f"{found.n} values")
    if budget is None and asked:
        table.add_row("uncertainty", "no budget and no E_n, as the offset has no bounds")
    if budget is not None:
        parts = (("reference", budget.reference), ("comparison", budget.repeated), ("resolution", budget.resolution))
        table.add_row("uncertainty", ", ".join(f"{name} {number(part, unit)}" for name, part in parts) + " (standard)")
        table.add_row("expanded", f"{number(budget.expanded, unit)}, k = 2")
        if (error := budget.normalised_error) is not None:
            agrees = "agrees within" if abs(error) <= 1 else "differs by more than"
            table.add_row("E_n", f"{error:.2f}: the offset {agrees} the uncertainty of both")
    return table


def set_point_table(found: Calibration, unit: str) -> tuple[Table, list[str]]:
    """The error at each set point, and what follows from all of them, a line each."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in ("set point", "values", "mean", "stddev", "error", "95 % bounds"):
        table.add_column(name, justify="right")
    for point in found.points:
        bounds = "moves" if point.error_low is None else bounds_of(point.error_low, point.error_high, unit)
        table.add_row(
            number(point.value, unit),
            str(point.n),
            number(point.mean, unit),
            number(point.stddev, unit),
            number(point.error, unit),
            bounds,
        )
    gain, zero = found.correction
    sign, own_sign = ("-" if part < 0 else "+" for part in (zero, found.zero))
    lines = [
        f"largest error  {number(found.largest.error, unit)} at {number(found.largest.value, unit)}",
        f"line           field = {found.gain:.6g} x true {own_sign} {number(abs(found.zero), unit)}; at most "
        f"{number(found.linearity, unit)} from it",
        f"correction     true = {gain:.6g} x field {sign} {number(abs(zero), unit)}",
    ]
    if found.repeatability is not None:
        lines.insert(1, f"repeated       holds of one value differ by {number(found.repeatability, unit)} at most")
    if found.outcome is not None:
        lines.append(f"limit          {number(found.limit, unit)} at every set point: {WORD[found.outcome]}")
    return table, ["", *lines]


def agreed_json(found: Compared) -> str:
    """The same, with every number."""
    told: dict[str, Any] = {"node": found.node, "field": found.field, "unit": found.unit}
    if found.agreement is not None:
        told |= asdict(found.agreement)
    if found.budget is not None:
        told["uncertainty"] = asdict(found.budget) | {
            "resolution": found.budget.resolution,
            "expanded_k_2": found.budget.expanded,
            "normalised_error": found.budget.normalised_error,
        }
    if (set_points := found.calibration) is not None:
        told |= {
            "set_points": [asdict(point) | {"error": point.error} for point in set_points.points],
            "gain": set_points.gain,
            "zero": set_points.zero,
            "correction": dict(zip(("gain", "zero"), set_points.correction, strict=True)),
            "linearity": set_points.linearity,
            "repeatability": set_points.repeatability,
            "limit": set_points.limit,
            "outcome": set_points.outcome.value if set_points.outcome is not None else None,
        }
    return json.dumps(told, indent=1)


def error_plot(title: str, found: Calibration, unit: str) -> Plot:
    """The error at each set point with its bounds, and the limit."""
    x = [point.value for point in found.points]
    sides = [
        [0.0 if bound is None else abs(bound - point.error) for point, bound in zip(found.points, bounds, strict=True)]
        for bounds in ([p.error_high for p in found.points], [p.error_low for p in found.points])
    ]
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "markers",
            "x": x,
            "y": [point.error for point in found.points],
            "error_y": {"type": "data", "symmetric": False, "array": sides[0], "arrayminus": sides[1]},
        }
    ]
    limits = [] if found.limit is None else [-found.limit, found.limit]
    symbol = unit_text(unit)
    reach = 1.15 * max(
        [abs(one) for point in found.points for one in (point.error_low, point.error_high, point.error) if one]
        + limits
        + [1e-12]
    )
    layout = {
        "margin": {"l": 84, "r": 30, "t": 10, "b": 48},
        "showlegend": False,
        "separators": ".",
        "xaxis": {"title": {"text": f"set point, {symbol}"}},
        "yaxis": {"title": {"text": f"error, {symbol}"}, "zeroline": True, "range": [-reach, reach]},
        "shapes": [
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": y,
                "y1": y,
                "line": {"color": _GRAY, "dash": "dash"},
            }
            for y in limits
        ],
    }
    largest = f"largest error {number(found.largest.error, unit)}"
    return Plot("set points", title, largest, {"data": data, "layout": layout}, over_time=False)
