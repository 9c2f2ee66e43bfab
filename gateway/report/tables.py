"""Tables of verdicts and of decoded values, made to fit 80 columns."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rich.table import Table
from rich.text import Text

from gateway.analysis.compare import Flip, Pair, unit_of
from gateway.model.events import LinkEvent
from gateway.model.records import Outcome, Reading, Verdict
from gateway.model.units import unit_text

_STYLE = {Outcome.PASS: "green", Outcome.FAIL: "bold red", Outcome.INCONCLUSIVE: "yellow"}
WORD = {Outcome.PASS: "pass", Outcome.FAIL: "FAIL", Outcome.INCONCLUSIVE: "inconclusive"}


def detail_text(event: LinkEvent) -> str:
    """The details of an event in a line."""
    parts = []
    for key, value in event.facts.items():
        told = ", ".join(f"{name} {one}" for name, one in value.items()) if isinstance(value, dict) else value
        parts.append(f"{key} {told}")
    return ", ".join(parts)


def number(value: float | None, unit: str = "") -> str:
    """A figure with four significant digits and its unit."""
    if value is None:
        return "-"
    if not math.isfinite(value):
        return str(value)
    text = f"{value:.0f}" if value == int(value) and abs(value) < 1e6 else f"{value:.4g}"
    return f"{text} {unit_text(unit)}".strip()


def outcome_text(outcome: Outcome) -> Text:
    """The verdict as a word, in colour as well."""
    return Text(WORD[outcome], style=_STYLE[outcome])


def bounds_text(verdict: Verdict) -> str:
    """The 95 % bounds of what was found, "" where there are none."""
    m = verdict.measure
    if not m.method:
        return ""
    return f"{number(m.low) if m.low is not None else '?'} to {number(m.high, m.unit) if m.high is not None else '?'}"


def required(verdict: Verdict) -> str:
    """The requirement with its unit."""
    return bounds_of(verdict.low, verdict.high, verdict.measure.unit)


def bounds_of(low: float | None, high: float | None, unit: str = "") -> str:
    """Two bounds, of which one may be missing."""
    if low is not None and high is not None:
        return f"{number(low)} to {number(high, unit)}"
    return f">= {number(low, unit)}" if low is not None else f"<= {number(high, unit)}"


def verdict_table(verdicts: Sequence[Verdict]) -> Table:
    """One row a requirement: what was found, what was asked, by how much, and the verdict."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for name in ("node", "subject", "figure"):
        table.add_column(name, overflow="fold")
    for name in ("found", "required", "margin"):
        table.add_column(name, justify="right", overflow="fold")
    table.add_column("verdict", overflow="fold")  # nothing of the evidence is ever cut off
    last = subject = ""
    for verdict in verdicts:
        m = verdict.measure
        table.add_row(
            m.node if m.node != last else "",
            m.subject if (m.node, m.subject) != (last, subject) else "",
            m.name,
            number(m.value, m.unit),
            required(verdict),
            number(verdict.margin),
            outcome_text(verdict.outcome),
        )
        last, subject = m.node, m.subject
    return table


def pair_table(pairs: Sequence[Pair]) -> Table:
    """One row a figure: before, after, whether that is a change, and how small a one would be told."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for name in ("node", "subject", "figure"):
        table.add_column(name, overflow="fold")
    for name in ("A", "B"):
        table.add_column(name, justify="right", overflow="fold")
    table.add_column("B vs. A", overflow="fold")
    table.add_column("told from", justify="right", overflow="fold")
    last = subject = ""
    for pair in pairs:
        table.add_row(
            pair.node if pair.node != last else "",
            pair.subject if (pair.node, pair.subject) != (last, subject) else "",
            pair.figure,
            *(number(m.value if m else None, unit_of(pair)) for m in (pair.before, pair.after)),
            _change_text(pair),
            number(pair.seen_from, unit_of(pair)) if pair.seen_from is not None else "",
        )
        last, subject = pair.node, pair.subject
    return table


def _change_text(pair: Pair) -> Text:
    if not pair.direction:
        return Text(pair.change, style="dim")
    said = pair.change if pair.direction == "changed" else f"{pair.change}, {pair.direction}"
    return Text(said, style="bold red" if pair.direction == "worse" else "bold")


def flip_table(flips: Sequence[Flip]) -> Table:
    """One row a requirement whose verdict is another: what was found and how it was judged, before and after."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for name in ("node", "subject", "figure", "required", "A", "", "B", ""):
        table.add_column(name, overflow="fold")
    for flip in flips:
        m, other = flip.before.measure, flip.after.measure
        table.add_row(
            m.node,
            m.subject,
            m.name,
            required(flip.after),
            number(m.value, m.unit),
            outcome_text(flip.before.outcome),
            number(other.value, other.unit),
            outcome_text(flip.after.outcome),
        )
    return table


def reading_table(readings: Iterable[Reading], raw: bytes) -> Table:
    """One row a value: where it stands in the payload, its bits, and what they mean."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("field", no_wrap=True)
    table.add_column("at", justify="right")
    table.add_column("bits", justify="right")
    table.add_column("bytes")
    table.add_column("raw", justify="right")
    table.add_column("value", justify="right")
    for r in readings:
        place = f"{r.bit // 8}" if r.bit % 8 == 0 else f"{r.bit // 8}.{r.bit % 8}"
        touched = raw[r.bit // 8 : -(-(r.bit + r.bits) // 8)]
        value = "" if r.value is None else f"{r.value:.10g}" if isinstance(r.value, float) else str(r.value)
        unit = unit_text(r.unit) if value else ""
        why = f"({r.reason})" if r.reason else ""
        derived = r.bits == 0
        shown = "" if r.raw is None else f"{r.raw:g}" if isinstance(r.raw, float) else str(r.raw)
        table.add_row(
            r.name,
            "" if derived else place,
            "" if derived else str(r.bits),
            touched.hex(" "),
            shown,
            " ".join(part for part in (value, unit, why) if part),
        )
    return table
