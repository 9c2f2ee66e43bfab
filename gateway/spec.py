"""The vocabulary of a spec: every figure that can be required of a node, with its unit and what it means.
Run files are checked against it, `measure` works the figures out, `judge` holds them against the
requirements."""

from __future__ import annotations

from dataclasses import dataclass

LINK = "link"  # the subject that stands for the node itself; no characteristic may be called so


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
    "undecoded": Figure("", "payloads that do not fit the layout", "payloads"),
    "outside_limits": Figure("", "values outside their field's limits", "values"),
    "no_reading": Figure("percent", "values of which at least one field says it has no reading", "values"),
}
LINK_FIGURES: dict[str, Figure] = {
    "linked": Figure("percent", "share of the run in which the link was up and set up", "seconds of the run"),
    "losses": Figure("", "times the link was lost", "links"),
    "return_median": Figure("s", "median time from a loss until set up again", "returns"),
    "return_longest": Figure("s", "longest time from a loss until set up again, one still away included", "losses"),
    "descriptors_differ": Figure("", "descriptors of the node that contradict the layout", "links"),
    "settings_differ": Figure("", "settings that read back otherwise than written", "settings written"),
}


def figures_of(subject: str) -> dict[str, Figure]:
    """The figures that can be required of a channel, or of the link."""
    return LINK_FIGURES if subject == LINK else CHANNEL_FIGURES
