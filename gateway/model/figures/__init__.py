"""The vocabulary of a spec: every figure that can be required of a node, declared once. `plugin` and `config` prove
requirements against it, `analysis` works the figures out, judges, shows and compares them by it, and the documentation
is held to it."""

from __future__ import annotations

from typing import NamedTuple

from gateway.model.figures.channel import FIGURES as CHANNEL_FIGURES
from gateway.model.figures.declare import FEWEST_PER_CODE, OF_FIELD, Figure, Role
from gateway.model.figures.field import FIGURES as FIELD_FIGURES
from gateway.model.figures.link import FIGURES as LINK_FIGURES

__all__ = [
    "ALL",
    "CHANNEL_FIGURES",
    "FEWEST_PER_CODE",
    "FIELD_FIGURES",
    "FITTED",
    "FORMER_NAMES",
    "GUARD",
    "LINK",
    "LINK_FIGURES",
    "OF_FIELD",
    "SIMPLE",
    "Figure",
    "Requirement",
    "Role",
    "figures_of",
]
LINK = "link"  # the subject that stands for the node itself; no characteristic may be called so
ALL = "all"  # stands for every kind of node in a spec
FORMER_NAMES = {  # of figures in logs and run files of earlier versions
    "undecoded": "decode_errors",
    "linked": "connected",
    "losses": "disconnects",
    "return_median": "reconnect_time_median",
    "return_longest": "reconnect_time_longest",
    "spread": "stddev",
    "at_rail": "saturated",
}
GUARD = 0.025  # guarded acceptance: a verdict where the whole 95 % interval lies on one side of the limit
SIMPLE = 0.5  # simple acceptance: the figure itself decides (both terms as in JCGM 106, 8.2 and 8.3; from memory)
FITTED = frozenset(
    {"interval", "clock_drift", "delay_jitter", "catch_up_longest", "stored_most", "coverage", "battery_life"}
)  # figures that SQL can't work out


def figures_of(subject: str) -> dict[str, Figure]:
    """The figures that can be required of a channel, of one of its fields (``channel.field``), or of the link."""
    return LINK_FIGURES if subject == LINK else FIELD_FIGURES if "." in subject else CHANNEL_FIGURES


class Requirement(NamedTuple):
    """A bound on a figure of one subject of every node of a kind, or of one node; bounds in the figure's unit.

    Attributes:
        whom: a kind of node, or the name of one node, which then takes the place of what its kind requires.
        subject: `LINK`, a channel, or ``channel.field``.
        risk: how likely at most a node that is just at the limit may be passed, or failed.
    """

    whom: str
    subject: str
    figure: str
    low: float | None
    high: float | None
    unit: str
    risk: float = GUARD
