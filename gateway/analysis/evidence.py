"""Where a figure can be seen: for each, a query over the log that shows the rows it rests on, to be run with any SQLite
tool by somebody who doubts it. What a figure shows is declared with it, in terms of the relations that are built here
from the log's own tables."""

from __future__ import annotations

import re
from dataclasses import replace

from gateway.analysis.relations import Scalar, of_channel, of_field, of_link
from gateway.log.info import RunInfo
from gateway.model.figures import LINK, figures_of
from gateway.model.records import Measure

_OF_ALL = ("decode_errors", "outside_limits", "no_reading")  # figures that take stored values like live ones
_AS_CAME = "SELECT id, t_ns, hex(raw) AS raw, link FROM {received} ORDER BY t_ns, id"
_NAME = re.compile(r"\{(\w+)\}")


def evidence(run: RunInfo, measure: Measure) -> str:
    """The SELECT that shows what a figure rests on, "" where the run has no such node, channel or field.

    Its first row ends in the figure, unless that is one of `gateway.model.figures.FITTED`; no row stands for none.
    A sequence counter is followed within links and over single reorderings, not over gaps of more than half its turn.
    """
    node = next((node for node in run.nodes if node.name == measure.node), None)
    figure = figures_of(measure.subject).get(measure.name)
    if node is None or figure is None:
        return ""
    name, _, field = measure.subject.partition(".")
    channel = next((channel for channel in node.channels if channel.name == name), None)
    if measure.subject != LINK and channel is None:
        return ""
    if channel is not None and channel.stores and not field and measure.name not in _OF_ALL:
        figure = replace(figure, evidence=_AS_CAME)  # SQL can't tell which of its values are live
    relations = dict(of_link(run, node))
    if channel is not None:
        relations |= dict(of_channel(run, node, channel))
        if field:
            inner = next((one for one in channel.sample_fields if one.name == field), None)
            own = next((one for one in channel.fields if one.name == field), inner)
            if own is None:
                return ""
            relations |= dict(of_field(run, node, channel, own, inner is own))
    return _assembled(figure.evidence, relations)


def _assembled(query: str, relations: dict[str, str | Scalar]) -> str:
    """A query with the relations that it names before it, each once and after those it rests on."""
    used: dict[str, str] = {}

    def resolved(sql: str) -> str:
        return _NAME.sub(lambda found: use(found[1]), sql)

    def use(name: str) -> str:
        relation = relations[name]
        if isinstance(relation, Scalar):
            return resolved(relation.sql)
        if name not in used:
            body = resolved(relation)
            used[name] = body
        return name

    body = resolved(query)
    named = ",\n".join(f"{name} AS ({sql})" for name, sql in used.items())
    return f"WITH {named}\n{body}" if named else body
