"""What came of a sweep: a table with a line for each setting, node and channel, the same as JSON, and a plot."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich.table import Table

from gateway.config import AirConfig
from gateway.model.figures import LINK
from gateway.model.records import Measure, Outcome
from gateway.model.utc import duration_text
from gateway.report.plots import Plot
from gateway.report.tables import number, outcome_text

_FIGURES = ("rate", "loss", "delay_jitter")  # of a channel
_OF_LINK = ("interval", "disconnects", "reconnect_time_median")
_DASHES = ("solid", "dash", "dot", "dashdot")


@dataclass(frozen=True, slots=True)
class SettingResult:
    """One setting of the link, and what came of it.

    Attributes:
        air: the setting.
        run: its run of the log.
        outcomes: the verdict on each node.
        measures: its figures, of links and channels.
    """

    air: AirConfig
    run: int
    outcomes: Mapping[str, Outcome]
    measures: list[Measure]


def setting_text(air: AirConfig) -> str:
    """A connection interval and a PHY in words."""
    return f"{duration_text(air.interval_ns / 1e9)}, LE {air.mbit}M"


def sweep_tables(tried: Sequence[SettingResult]) -> tuple[Table, Table]:
    """How the links fared on each setting, with the verdict; and what came on each channel. A figure without a value is
    a dash."""
    links, channels = _table("setting", "node", *_OF_LINK, "verdict"), _table("setting", "node", "channel", *_FIGURES)
    for one in tried:
        setting = setting_text(one.air)
        of_links = {(m.node, m.name): m for m in one.measures if m.subject == LINK}
        for node, outcome in one.outcomes.items():
            links.add_row(setting, node, *(_said(of_links.get((node, n))) for n in _OF_LINK), outcome_text(outcome))
        for node, channel, found in _rows(one):
            channels.add_row(setting, node, channel, *map(_said, found[: len(_FIGURES)]))
    return links, channels


def _table(*names: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in names:
        table.add_column(_title(name), justify="right" if name in (*_FIGURES, *_OF_LINK) else "left", no_wrap=True)
    return table


def _title(name: str) -> str:
    return name.removesuffix("_time_median").replace("_", " ")


def _said(found: Measure | None) -> str:
    return number(found.value, found.unit) if found is not None else "-"


def _rows(tried: SettingResult) -> Iterator[tuple[str, str, list[Measure | None]]]:
    """For each node and channel its figures, then those of its link."""
    found = {(m.node, m.subject, m.name): m for m in tried.measures}
    sent = [(m.node, m.subject) for m in tried.measures if m.subject != LINK and m.name == "rate_whole_run" and m.value]
    for node, channel in sent:
        own = [found.get((node, channel, name)) for name in _FIGURES]
        yield node, channel, [*own, *(found.get((node, LINK, name)) for name in _OF_LINK)]


def sweep_json(tried: Sequence[SettingResult]) -> str:
    """The same, with the settings and the run of the log as numbers."""
    return json.dumps(
        [
            {
                "interval_ms": one.air.interval_ns / 1e6,
                "phy_mbit_per_s": one.air.mbit,
                "run": one.run,
                "verdicts": dict(one.outcomes),
                "channels": [
                    {"node": node, "channel": channel}
                    | {m.name: {"value": m.value, "unit": m.unit} for m in found if m is not None}
                    for node, channel, found in _rows(one)
                ],
            }
            for one in tried
        ],
        indent=1,
    )


def sweep_plot(title: str, tried: Sequence[SettingResult]) -> Plot:
    """Rate, loss, delay jitter and time to reconnect over the connection interval, one above the other."""
    order = [*_FIGURES, *_OF_LINK]
    shown = [(name, order.index(name)) for name in ("reconnect_time_median", *reversed(_FIGURES))]  # from below
    shown = [
        one for one in shown if any(m and m.value is not None for t in tried for *_, f in _rows(t) if (m := f[one[1]]))
    ]
    height = 1 / max(len(shown), 1)
    curves: dict[tuple[str, str, int], list[tuple[float, list[Measure | None]]]] = {}
    for one in tried:
        for node, channel, found in _rows(one):
            curves.setdefault((node, channel, one.air.mbit), []).append((one.air.interval_ns / 1e6, found))
    data: list[dict[str, Any]] = []
    layout: dict[str, Any] = {"margin": {"l": 84, "r": 150, "t": 10, "b": 48}, "showlegend": True, "separators": "."}
    layout["xaxis"] = {"title": {"text": "connection interval, ms"}, "anchor": "y"}
    for count, (name, place) in enumerate(shown):
        axis = "yaxis" if count == 0 else f"yaxis{count + 1}"
        units = {m.unit for one in tried for _, _, found in _rows(one) if (m := found[place]) is not None}
        layout[axis] = {
            "title": {"text": ", ".join([_title(name), *sorted(units)]), "font": {"size": 11}},
            "domain": [count * height + 0.03, (count + 1) * height - 0.03],
            "rangemode": "tozero",
        }
        for k, ((node, channel, mbit), points) in enumerate(curves.items()):
            data.append(
                {
                    "type": "scatter",
                    "mode": "lines+markers",
                    "name": f"{node} {channel}, LE {mbit}M",
                    "x": [interval for interval, _ in points],
                    "y": [m.value if (m := found[place]) is not None else None for _, found in points],
                    "yaxis": axis.replace("yaxis", "y"),
                    "line": {"dash": _DASHES[k % len(_DASHES)]},
                    "marker": {"symbol": k % 8},
                    "showlegend": count == 0,
                }
            )
    return Plot("sweep", title, f"{len(tried)} settings of the link", {"data": data, "layout": layout}, over_time=False)
