"""Plots of a run, as figures that plotly draws in a page or in a picture: plain data, no colour of its own. Curves are
told apart by place, dash and words, so that they read without colour too."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.analysis.measure import ChannelSurvey, NodeSurvey
from gateway.analysis.measure.link import History
from gateway.analysis.measure.signal import FieldSurvey, Overview
from gateway.analysis.measure.statistics import GAP_BINS, GAP_DECADES, WINDOWS
from gateway.log.info import FieldInfo
from gateway.model.figures import LINK, Requirement
from gateway.model.records import Measure
from gateway.model.units import unit_text
from gateway.model.utc import utc_text
from gateway.report.tables import number

_PICTURE_BINS = 2000
_FEW = 200
_FEWEST_FOR_RATE = 10  # values, below which a rate is a question of when they were read
_GRAY = "#808080"  # of limits: stands out from light and from dark ground


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot.

    Attributes:
        name: unique in a report: ``node.link``, ``node.channel:rate``, ``node.channel.field`` and so on.
        title: for people.
        said: what it shows, in words and figures, for those who can't see it.
        figure: data and layout as plotly reads them.
        band: of a field over time its overview, of which the page draws as much as can be seen.
        over_time: whether its horizontal axis is the run.
    """

    name: str
    title: str
    said: str
    figure: dict[str, Any]
    band: dict[str, Any] = field(default_factory=dict)
    over_time: bool = True


def plots_of(survey: NodeSurvey, rules: Sequence[Requirement]) -> Iterator[Plot]:
    """All plots of a node, in the order of a report."""
    name = survey.node.name
    figures = {(m.subject, m.name): m for m in survey.measures}
    required = {
        (rule.subject, rule.figure): rule for whom in (survey.node.kind, name) for rule in rules if rule.whom == whom
    }
    history = survey.history
    if not history.never_linked:
        connected, disconnects = figures[LINK, "connected"], figures[LINK, "disconnects"]
        said = f"connected {number(connected.value, connected.unit)} of the run, lost {number(disconnects.value)} times"
        yield link_plot(name, history, said)
    for channel in survey.channels:
        if not channel.frames:
            continue
        subject = channel.channel.name
        if channel.frames >= _FEWEST_FOR_RATE:
            own = history.heard if channel.channel.broadcast else history
            yield _rate(name, own, channel, required.get((subject, "rate")), figures)
        if channel.gaps.any():
            yield _gaps(name, channel, required, figures)
        for one in channel.fields:
            if np.isfinite(one.overview.low).any():
                own = history.heard if channel.channel.broadcast else history
                yield _field(name, own, subject, one, figures)
                if len(one.allan) > 1 and any(deviation for _, deviation, _ in one.allan):
                    yield _allan(name, subject, one)


Figures = dict[tuple[str, str], Measure]


def _axes(x: dict[str, Any], y: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "xaxis": {"zeroline": False, "showline": True, "ticks": "outside", **x},
        "yaxis": {"zeroline": False, "showline": True, "ticks": "outside", "automargin": True, **y},
        "margin": {"l": 64, "r": 16, "t": 10, "b": 48},
        "showlegend": False,
        "separators": ".",
        **more,
    }


def _time(history: History) -> dict[str, Any]:
    ends = [history.start_ns, max(history.end_ns, history.start_ns + 1)]
    return {
        "type": "date",
        "range": [utc_text(end)[:23] for end in ends],
        "title": {"text": "time, UTC", "standoff": 8},
        "automargin": True,
    }


def link_plot(node: str, history: History, said: str) -> Plot:
    """When a node was connected, lost and found."""
    x: list[str | None] = []
    for start, end in history.spans:
        x += [utc_text(start)[:23], utc_text(end)[:23], None]
    lost = history.lost
    data = [
        {
            "x": x,
            "y": [1 if moment else None for moment in x],
            "mode": "lines",
            "line": {"width": 14},
            "name": "connected",
        },
        {
            "x": [utc_text(one.t_ns)[:23] for one in lost],
            "y": [0.5] * len(lost),
            "text": [one.why for one in lost],
            "mode": "markers",
            "marker": {"symbol": "x", "size": 10},
            "name": "lost",
            "hovertemplate": "lost %{x}<br>%{text}<extra></extra>",
        },
        {
            "x": [utc_text(t_ns)[:23] for t_ns, _ in history.signal],
            "y": [0] * len(history.signal),
            "text": [f"{dbm:g} dBm" for _, dbm in history.signal],
            "mode": "markers",
            "marker": {"symbol": "triangle-up-open", "size": 9},
            "name": "found",
            "hovertemplate": "found %{x} at %{text}<extra></extra>",
        },
    ]
    ticks = {
        "tickvals": [0, 0.5, 1],
        "ticktext": ["found", "lost", "connected"],
        "range": [-0.3, 1.3],
        "fixedrange": True,
    }
    return Plot(f"{node}.link", "Link", said, {"data": data, "layout": _axes(_time(history), ticks)})


def _rate(node: str, history: History, channel: ChannelSurvey, rule: Requirement | None, figures: Figures) -> Plot:
    subject = channel.channel.name
    run_s = max(history.end_ns - history.start_ns, 1) / 1e9
    found = figures[subject, "rate"]
    # windows of at least 20 values on average, so that the line shows the node and not how windows fall on values
    parts = max(min(WINDOWS, channel.frames // 20), 1)
    joined = -(-WINDOWS // parts)
    edges = np.arange(0, WINDOWS, joined)
    widths_s = np.diff(np.append(edges, WINDOWS)) * run_s / WINDOWS
    rates = np.add.reduceat(channel.counts, edges) / widths_s
    step_ms = joined * run_s * 1000 / WINDOWS
    said = f"{number(found.value, found.unit)} while connected, in windows of {step_ms / 1000:.3g} s"
    if rule is not None:
        said += f"; required {_bounds(rule)}"
    return rate_plot(node, subject, history, rates, step_ms, rule, said)


def rate_plot(
    node: str,
    subject: str,
    history: History,
    rates: npt.NDArray[np.float64],
    step_ms: float,
    rule: Requirement | None,
    said: str,
) -> Plot:
    """Values per second in windows of ``step_ms`` milliseconds from the start of the run on, shape (n,)."""
    data = {
        "x0": utc_text(history.start_ns)[:23],
        "dx": step_ms,
        "y": [float(f"{rate:.5g}") for rate in (*rates, rates[-1])],  # the last once more, to give its step a width
        "mode": "lines",
        "line": {"shape": "hv", "width": 1.5},
        "hovertemplate": "%{x}<br>%{y:.4g} /s<extra></extra>",
    }
    ends = [(rule.low, "required at least"), (rule.high, "required at most")] if rule else []
    lines = [(value, text) for value, text in ends if value is not None]
    around: dict[str, Any] = {"rangemode": "tozero"}
    if lines:
        low, high = (end([*rates.tolist(), *(value for value, _ in lines)]) for end in (min, max))
        room = max(0.1 * (high - low), 0.01 * high)
        around = {"range": [max(low - room, 0.0), high + room]}
    layout = _axes(_time(history), {"title": {"text": "values per second"}, **around}, **_levels(lines))
    return Plot(f"{node}.{subject}:rate", f"Rate of {subject}", said, {"data": [data], "layout": layout})


def _bounds(rule: Requirement) -> str:
    parts = [f"at least {number(rule.low, rule.unit)}"] if rule.low is not None else []
    return " and ".join(parts + ([f"at most {number(rule.high, rule.unit)}"] if rule.high is not None else []))


def _levels(lines: Sequence[tuple[float, str]]) -> dict[str, Any]:
    """Level lines with words on them: above the highest, and below the others, so that none stands on another."""
    highest = max((value for value, _ in lines), default=0.0)
    style = {"color": _GRAY, "width": 1.5, "dash": "dash"}
    return {
        "shapes": [
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": v, "y1": v, "line": style} for v, _ in lines
        ],
        "annotations": [
            {
                "xref": "paper",
                "x": 1,
                "xanchor": "right",
                "y": value,
                "yanchor": "bottom" if value == highest else "top",
                "text": text,
                "showarrow": False,
                "font": {"size": 11},
            }
            for value, text in lines
        ],
    }


def _gaps(node: str, channel: ChannelSurvey, required: dict[tuple[str, str], Requirement], figures: Figures) -> Plot:
    subject = channel.channel.name
    edges = np.logspace(*GAP_DECADES, GAP_BINS + 1)
    there = np.flatnonzero(channel.gaps)
    low, high = max(there[0] - 2, 0), min(there[-1] + 3, GAP_BINS)
    middle, width = np.sqrt(edges[low:high] * edges[low + 1 : high + 1]), np.diff(edges)[low:high]
    data = {
        "type": "bar",
        "x": middle.tolist(),
        "width": width.tolist(),
        "y": channel.gaps[low:high].tolist(),
        "hovertemplate": "%{x:.3g} s: %{y}<extra></extra>",
    }
    shapes, notes = [], []
    for place, figure in enumerate(("gap_median", "gap_p99", "gap_longest")):
        rule = required.get((subject, figure))
        if rule is not None and rule.high is not None and rule.high > 0:
            level = {"color": _GRAY, "width": 1.5, "dash": "dash"}
            shapes.append(
                {"type": "line", "yref": "paper", "x0": rule.high, "x1": rule.high, "y0": 0, "y1": 1, "line": level}
            )
            text = f"{figure} at most {number(rule.high, 's')}"
            notes.append(
                {
                    "x": float(np.log10(rule.high)),
                    "y": 1 - 0.33 * place,  # lines that stand close have their words one below the other
                    "yref": "paper",
                    "yanchor": "top",
                    "xanchor": "right",
                    "textangle": -90,
                    "text": text,
                    "showarrow": False,
                    "font": {"size": 11},
                }
            )
    x = {"type": "log", "title": {"text": "time between two values, s"}, "exponentformat": "power"}
    y = {"type": "log", "title": {"text": "gaps"}, "exponentformat": "power", "dtick": 1}
    median, longest = figures[subject, "gap_median"], figures[subject, "gap_longest"]
    said = f"median {number(median.value, 's')}, longest {number(longest.value, 's')}, {int(channel.gaps.sum())} gaps"
    layout = _axes(x, y, shapes=shapes, annotations=notes, bargap=0)
    name = f"{node}.{subject}:gaps"
    return Plot(name, f"Gaps of {subject}", said, {"data": [data], "layout": layout}, over_time=False)


def _field(node: str, history: History, subject: str, one: FieldSurvey, figures: Figures) -> Plot:
    name, unit = f"{subject}.{one.info.name}", unit_text(one.info.unit)
    lowest, highest = figures[name, "lowest"].value or 0.0, figures[name, "highest"].value or 0.0
    noise = number(figures[name, "noise"].value, one.info.unit)
    said = f"{lowest:.6g} to {highest:.6g} {unit}".rstrip() + f", noise {noise}"
    step_ms = max(history.end_ns - history.start_ns, 1) / 1e6 / len(one.overview.low)
    return field_plot(node, subject, one.info, history, history.start_ns, step_ms, one.overview, said)


def field_plot(
    node: str,
    subject: str,
    info: FieldInfo,
    history: History,
    start_ns: int,
    step_ms: float,
    overview: Overview,
    said: str,
) -> Plot:
    """A field over time: lowest and highest value in bins of ``step_ms`` milliseconds from ``start_ns`` on."""
    name = f"{subject}.{info.name}"
    there = [(info.low, "lower limit"), (info.high, "upper limit")]
    lowest, highest = float(np.nanmin(overview.low)), float(np.nanmax(overview.high))
    reach = max(highest - lowest, abs(highest) * 1e-3)
    near = [(v, text) for v, text in there if v is not None and lowest - reach <= v <= highest + reach]
    unit = unit_text(info.unit)
    title = f"{info.name}, {unit}" if unit else info.name
    layout = _axes(_time(history), {"title": {"text": title}}, **_levels(near))
    start = utc_text(start_ns)[:23]
    ends = [utc_text(end)[:23] for _, end in history.spans]  # no line leads across a loss of the link
    low, high = _packed(overview.low), _packed(overview.high)
    band = {"start": start, "step_ms": step_ms, "low": low, "high": high, "ends": ends}
    outline = _outline(overview, [(end - start_ns) / 1e6 / step_ms for _, end in history.spans])
    x = [None if at is None else utc_text(start_ns + round(at * step_ms * 1e6))[:23] for at, _ in outline]
    data = [{"x": x, "y": [y for _, y in outline], "mode": "lines", "line": {"width": 1}, "fill": "toself"}]
    if len(x) < _FEW:  # one value alone makes no line
        data[0]["mode"] = "lines+markers"
    figure = {"data": data, "layout": layout}
    return Plot(f"{node}.{name}", f"{subject}: {info.name}", said, figure, band)


def _outline(overview: Overview, ends: Sequence[float]) -> list[tuple[float | None, float | None]]:
    """The edge of the band, a closed line for each link, (None, None) between two: places in bins, and values. Bins are
    joined until as many are left as a picture shows."""
    joined = -(-len(overview.low) // _PICTURE_BINS)
    edges = np.arange(0, len(overview.low), joined)
    low, high = np.fmin.reduceat(overview.low, edges), np.fmax.reduceat(overview.high, edges)
    there = np.isfinite(low)
    places, low, high = edges[there] + joined / 2, low[there], high[there]
    line: list[tuple[float | None, float | None]] = []
    cuts = [0, *np.searchsorted(places, ends).tolist(), len(places)]
    for start, end in pairwise(cuts):
        if end > start:
            upper = zip(places[start:end].tolist(), high[start:end].tolist(), strict=True)
            lower = zip(places[start:end][::-1].tolist(), low[start:end][::-1].tolist(), strict=True)
            line += [*upper, *lower, (None, None)]
    return line


def _allan(node: str, subject: str, one: FieldSurvey) -> Plot:
    name, unit = f"{subject}.{one.info.name}", one.info.unit
    points = [(time_s, deviation, pairs) for time_s, deviation, pairs in one.allan if deviation > 0]
    data = {
        "x": [time_s for time_s, _, _ in points],
        "y": [deviation for _, deviation, _ in points],
        "text": [f"{pairs} pairs" for _, _, pairs in points],
        "mode": "lines+markers",
        "hovertemplate": "over %{x:.3g} s: %{y:.3g}, %{text}<extra></extra>",
    }
    x = {"type": "log", "title": {"text": "averaging time, s"}, "dtick": 1, "exponentformat": "power"}
    y = {
        "type": "log",
        "title": {"text": f"Allan deviation{f', {unit_text(unit)}' if unit else ''}"},
        "exponentformat": "power",
    }
    least = min(points, key=lambda point: point[1])
    said = f"lowest Allan deviation over {least[0]:.3g} s: {number(least[1], unit)}"
    title = f"{subject}: noise of {one.info.name}"
    return Plot(f"{node}.{name}:noise", title, said, {"data": [data], "layout": _axes(x, y)}, over_time=False)


def _packed(values: npt.NDArray[np.float64]) -> dict[str, Any]:
    """Numbers as base64, four bytes each, less the first of them: so small steps of large values are kept."""
    there = values[np.isfinite(values)]
    base = float(there[0]) if len(there) else 0.0
    return {"base": base, "bdata": base64.b64encode((values - base).astype("<f4").tobytes()).decode()}
