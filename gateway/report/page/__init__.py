"""The report that a person reads: one page that needs nothing else, with the verdict first, then what failed and by how
much, then everything that was measured, node by node."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined

from gateway.analysis.evidence import evidence
from gateway.analysis.judge import decision_text, outcome_of
from gateway.analysis.measure import NodeSurvey
from gateway.log.info import RunInfo
from gateway.log.notes import Note
from gateway.model.events import EventKind, HostClock, LinkEvent
from gateway.model.figures import LINK
from gateway.model.records import Outcome, Verdict
from gateway.model.utc import duration_text, utc_text
from gateway.model.version import __version__
from gateway.report.energy import CAUTION
from gateway.report.plots import Plot, plots_of
from gateway.report.tables import WORD, bounds_text, detail_text, number, required

EVERYDAY = {  # what a report does not list
    EventKind.CONSTANT,
    EventKind.IDENTITY,
    EventKind.TABLE,
    EventKind.SIGNAL,
    EventKind.HOST_DELAY,
    EventKind.HOST_CLOCK,
}
MOST_EVENTS = 300  # of a node, in full; the log has them all
REPORT_MARK = b'<meta name="generator" content="gattest report">'  # which tells a report from any other file
BINS_IN_ALL = 300_000  # of all fields together: 3.2 MB in the page
MOST_BINS = 20_000
FEWEST_BINS = 1000
_MINUTE_NS = 60_000_000_000


def bins_for(run: RunInfo) -> int:
    """How finely the fields of a run may be summarised for a page that can be mailed."""
    fields = sum(len(c.fields) + len(c.sample_fields) for node in run.nodes for c in node.channels)
    frames = run.end_frame - run.first_frame  # many more bins than frames say nothing more
    return max(min(MOST_BINS, BINS_IN_ALL // max(fields, 1), max(frames, FEWEST_BINS)), 1)


@dataclass(frozen=True, slots=True)
class LossRow:
    """One loss of a link: when, why, how long until it was back, and what came in the minute before."""

    utc: str
    why: str
    back_after: str
    before: str


def page(
    run: RunInfo,
    surveys: Sequence[NodeSurvey],
    verdicts: Sequence[Verdict],
    events: Mapping[str, Sequence[LinkEvent]],
    head: Mapping[str, str],
    energy: Mapping[str, Sequence[Plot]],
    notes: Sequence[Note],
) -> str:
    """The report as HTML.

    Args:
        head: what else is to stand with the run, such as board revision and serial number.
        events: of each node, in order; under "" those of the run itself.
        energy: plots of what the cell of each node is used for, where that is known.
        notes: what was written down during the run.
    """
    from plotly.offline import get_plotlyjs  # takes 0.1 s to import, which no verdict should wait for

    folder = files(__name__)
    script, plotly = (folder / "page.js").read_text("utf-8"), get_plotlyjs()
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.globals.update(number=number, required=required, bounds_text=bounds_text, word=WORD)
    plots = {
        survey.node.name: [*plots_of(survey, run.requirements), *energy.get(survey.node.name, ())] for survey in surveys
    }
    outcome = outcome_of(run, verdicts)
    return environment.from_string((folder / "page.html").read_text("utf-8")).render(
        run=run,
        outcome=outcome,
        decision=decision_text(verdicts),
        counts={kind: sum(v.outcome is kind for v in verdicts) for kind in Outcome},
        failed=[v for v in verdicts if v.outcome is Outcome.FAIL],
        open=[v for v in verdicts if v.outcome is Outcome.INCONCLUSIVE],
        verdicts=[(v, evidence(run, v.measure)) for v in verdicts],
        started=utc_text(run.started_ns)[:19],
        ended=utc_text(run.end_ns)[:19],
        head=list(head.items()),
        clock=_held(events[""]),
        notes=[(utc_text(note.t_ns)[:19], note.text, note.by) for note in notes],
        local=_local(run.started_ns, run.end_ns),
        lasted=duration_text(round(run.lasted_s)),
        host=[(utc_text(e.t_ns)[:23], e.kind.value, detail_text(e)) for e in events[""] if e.kind not in EVERYDAY][
            :MOST_EVENTS
        ],
        nodes=[_node(survey, events[survey.node.name], plots[survey.node.name]) for survey in surveys],
        style=(folder / "page.css").read_text("utf-8"),
        script=script,
        plotly=plotly,
        policy=_policy(plotly, script),
        # no "</" or "<!--" may stand in a script: HTML standard, 4.12.1.3
        plots=json.dumps(
            {plot.name: drawn(plot) for some in plots.values() for plot in some}, separators=(",", ":")
        ).replace("<", "\\u003c"),
        version=__version__,
        caution=CAUTION if any(energy.values()) else "",
    )


def _policy(*scripts: str) -> str:
    """What the page may do: run these scripts and no others, and reach nothing (Content Security Policy, W3C)."""
    hashes = [f"'sha256-{base64.b64encode(hashlib.sha256(one.encode()).digest()).decode()}'" for one in scripts]
    return (
        f"default-src 'none'; script-src {' '.join(hashes)}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def _held(events: Sequence[LinkEvent]) -> str:
    """Whether the clock of the machine that listened was held to UTC, "" where nothing is known."""
    told = [event.detail for event in events if isinstance(event.detail, HostClock)]
    if not told:
        return ""
    if not all(one.held for one in told):
        when = "for part of the run" if any(one.held for one in told) else "by anything during the run"
        return f"not held to UTC {when}, so that times of day may be off; intervals are not"
    return f"held to UTC, off by {number(max(one.most_ms for one in told), 'ms')} at most by its own estimate"


def _local(started_ns: int, ended_ns: int) -> str:
    """From when to when in the time zone of this machine."""
    begun, ended = (datetime.fromtimestamp(t_ns // 10**9).astimezone() for t_ns in (started_ns, ended_ns))
    return f"{begun:%Y-%m-%d %H:%M:%S} to {ended:%Y-%m-%d %H:%M:%S} ({begun:%Z, UTC%z} here)"


def drawn(plot: Plot) -> dict[str, Any]:
    """A plot as the script of the page draws it."""
    figure = plot.figure
    if plot.band:  # the page takes the part that is seen from the band
        figure = {**figure, "data": [{k: v for k, v in trace.items() if k not in "xy"} for trace in figure["data"]]}
    return {**figure, "band": plot.band, "over_time": plot.over_time}


def _node(survey: NodeSurvey, events: Sequence[LinkEvent], plots: list[Plot]) -> dict[str, Any]:
    said: dict[str, object] = {}
    for event in events:
        said |= event.detail.more if event.kind is EventKind.IDENTITY else {}
    found = next((event.facts for event in events if event.kind is EventKind.FOUND), {})
    shown = [event for event in events if event.kind not in EVERYDAY]
    return {
        "name": survey.node.name,
        "kind": survey.node.kind,
        "address": found.get("address", ""),
        "said": {str(key): str(value) for key, value in said.items()},
        "frames": sum(channel.frames for channel in survey.channels),
        "figures": [m for m in survey.measures if m.value is not None],
        "losses": list(_losses(survey, events)),
        "plots": plots,
        "link": LINK,
        "events": [(utc_text(e.t_ns)[:23], e.kind.value, detail_text(e)) for e in shown[:MOST_EVENTS]],
        "more_events": max(len(shown) - MOST_EVENTS, 0),
    }


def _losses(survey: NodeSurvey, events: Sequence[LinkEvent]) -> Iterator[LossRow]:
    for place, lost in enumerate(survey.history.lost[:MOST_EVENTS]):
        values = [f"{c.before_loss[place]} {c.channel.name}" for c in survey.channels if c.frames]
        kinds = [e.kind.value for e in events if lost.t_ns - _MINUTE_NS <= e.t_ns < lost.t_ns]
        before = f"values: {', '.join(values) or 'none'}"
        if kinds:
            before += f"; {', '.join(dict.fromkeys(kinds))}"
        back = "not reconnected" if lost.back_ns is None else duration_text(round((lost.back_ns - lost.t_ns) / 1e9, 1))
        yield LossRow(utc_text(lost.t_ns)[:23], lost.why, back, before)
