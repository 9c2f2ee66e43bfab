"""The vocabulary of a spec: every figure that can be required of a node, with its unit and what it means.
Run files are checked against it, `measure` works the figures out, `judge` holds them against the
requirements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

LINK = "link"  # the subject that stands for the node itself; no characteristic may be called so
ALL = "all"  # stands for every kind of node in a spec
OF_FIELD = "unit of the field"  # in place of a unit: a value, or a difference of two, in the field's own unit


@dataclass(frozen=True, slots=True)
class Figure:
    """One kind of figure.

    Attributes:
        unit: the unit it is worked out in.
        meaning: one line for tables and documentation.
        basis: what its observations are.
    """

    unit: str
    meaning: str
    basis: str


CHANNEL_FIGURES: dict[str, Figure] = {
    "rate": Figure("1/s", "values received a second, over the time the link was up and set up", "values while linked"),
    "rate_whole_run": Figure("1/s", "values received a second, over the whole run", "values in the run"),
    "gap_median": Figure("s", "median time between two values of one link", "gaps"),
    "gap_p99": Figure("s", "99th percentile of the time between two values of one link (linear interpolation)", "gaps"),
    "gap_longest": Figure("s", "longest time between two values of one link, its last silence included", "gaps"),
    "loss": Figure("percent", "values missing from the sequence counter while linked", "values sent while linked"),
    "loss_estimated": Figure(
        "percent",
        "where there is no sequence counter: values that fell out of the usual pace while linked, an estimate",
        "values due while linked",
    ),
    "duplicates": Figure("", "values whose sequence counter did not advance", "values"),
    "restarts": Figure("", "times the node's own time began anew", "values"),
    "clock_drift": Figure("ppm", "how fast the node's own time runs against the host's, positive for fast", "values"),
    "reordered": Figure("", "values whose sequence counter stepped back to one that had been missing", "values"),
    "burst_largest": Figure("", "most values that came at a time, each within 5 ms of the one before", "values"),
    "delay_jitter": Figure(
        "s", "99th percentile of how much later values came, by the node's own time, than the least late", "values"
    ),
    "period_error": Figure(
        "percent", "mean time between values sent, against the period written to the node; positive for slow", "gaps"
    ),
    "while_off": Figure("", "values that came while their sensor was switched off", "values in the run"),
    "undecoded": Figure("", "payloads that do not fit the layout", "payloads"),
    "outside_limits": Figure("", "values outside their field's limits", "values"),
    "no_reading": Figure("percent", "values of which at least one field says it has no reading", "values"),
}
LINK_FIGURES: dict[str, Figure] = {
    "linked": Figure("percent", "share of the run in which the link was up and set up", "seconds of the run"),
    "losses": Figure("", "times the link was lost", "links"),
    "attempts_failed": Figure("", "times that connecting or setting up failed", "attempts"),
    "signal_weakest": Figure("dBm", "weakest signal of the advertisements by which it was found", "times found"),
    "interval": Figure("s", "connection interval that the spacing of arrivals shows", "gaps"),
    "return_median": Figure("s", "median time from a loss until set up again", "returns"),
    "return_longest": Figure("s", "longest time from a loss until set up again, one still away included", "losses"),
    "descriptors_differ": Figure("", "descriptors of the node that contradict the layout", "links"),
    "settings_differ": Figure("", "settings that read back otherwise than written", "settings written"),
}
FIELD_FIGURES: dict[str, Figure] = {
    "lowest": Figure(OF_FIELD, "lowest value", "values"),
    "highest": Figure(OF_FIELD, "highest value", "values"),
    "mean": Figure(OF_FIELD, "mean of all values", "values"),
    "spread": Figure(OF_FIELD, "standard deviation of all values", "values"),
    "noise": Figure(
        OF_FIELD, "Allan deviation from one value to the next: noise without slow change", "pairs of neighbours"
    ),
    "drift": Figure(OF_FIELD, "rise of a straight line through the values, from the run's first to its last", "values"),
    "step": Figure(OF_FIELD, "smallest difference between two neighbours that differ", "pairs of neighbours"),
    "codes_missing": Figure("percent", "share of the codes between lowest and highest that never came", "codes"),
    "stuck_longest": Figure("s", "longest time without any change", "values"),
    "spikes": Figure("", "single values far from both neighbours, which agree", "values"),
    "at_rail": Figure("", "values at a limit of the field, or at an end of its type's range", "values"),
}
_DIFFERENCES = {"spread", "noise", "drift", "step"}


def figures_of(subject: str) -> dict[str, Figure]:
    """The figures that can be required of a channel, of one of its fields (``channel.field``), or of the link."""
    return LINK_FIGURES if subject == LINK else FIELD_FIGURES if "." in subject else CHANNEL_FIGURES


def is_difference(figure: str) -> bool:
    """Whether a figure in a field's unit is a difference of two values, so that 2 degC means 2 K."""
    return figure in _DIFFERENCES


class Requirement(NamedTuple):
    """A bound on a figure of one subject of every node of a kind, or of one node; bounds in the figure's unit.

    Attributes:
        whom: a kind of node, or the name of one node, which then takes the place of what its kind requires.
        subject: `LINK`, a channel, or ``channel.field``.
    """

    whom: str
    subject: str
    figure: str
    low: float | None
    high: float | None
    unit: str
