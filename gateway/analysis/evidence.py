"""Where a figure can be seen: for each, a query over the log that shows the rows it rests on, to be run with any
SQLite tool by somebody who doubts it."""

from __future__ import annotations

from gateway.log.reader import ChannelInfo, NodeInfo, RunInfo
from gateway.log.schema import quoted
from gateway.model.figures import LINK
from gateway.model.records import EventKind, Measure

_KINDS: dict[str, tuple[EventKind, ...]] = {
    "linked": (EventKind.READY, EventKind.LOST, EventKind.LET_GO),
    "losses": (EventKind.LOST,),
    "attempts_failed": (EventKind.CONNECT_FAILED,),
    "signal_weakest": (EventKind.FOUND,),
    "return_median": (EventKind.LOST, EventKind.BACK),
    "return_longest": (EventKind.LOST, EventKind.BACK),
    "descriptors_differ": (EventKind.DESCRIPTOR_DIFFERS,),
    "settings_differ": (EventKind.SETTING_DIFFERS,),
}


def evidence(run: RunInfo, measure: Measure) -> str:
    """The SELECT that shows what a figure rests on, "" where the run has no such node or channel."""
    node = next((node for node in run.nodes if node.name == measure.node), None)
    if node is None:
        return ""
    if measure.subject == LINK and measure.name in _KINDS:
        kinds = ", ".join(_text(kind.value) for kind in _KINDS[measure.name])
        return f"SELECT utc, kind, detail FROM event_utc WHERE run = {run.id} AND node = {_text(node.name)} AND kind IN ({kinds}) ORDER BY id"  # noqa: S608, E501  for people
    if measure.subject == LINK:  # read from the channel with the most values
        return "".join(_of_channel(run, node, channel, "gap") for channel in node.channels[:1])
    name, _, field = measure.subject.partition(".")
    channel = next((channel for channel in node.channels if channel.name == name), None)
    if channel is None:
        return ""
    return (
        _of_field(run, node, channel, field, measure.name) if field else _of_channel(run, node, channel, measure.name)
    )


def _of_field(run: RunInfo, node: NodeInfo, channel: ChannelInfo, name: str, figure: str) -> str:
    own = f"f.node = {node.id} AND f.id BETWEEN {run.first_frame} AND {run.end_frame - 1}"
    field = next((field for field in channel.fields if field.name == name), None)
    inner = next((field for field in channel.sample_fields if field.name == name), None)
    if field is None and inner is None:
        return ""
    column = f"f.{quoted(field.column)}" if field is not None else f"s.{quoted(inner.column)}" if inner else ""
    joined = "" if field is not None else f" JOIN {quoted(channel.samples or '')} AS s ON s.frame = f.id"
    order = {"lowest": column, "highest": f"{column} DESC"}.get(figure, "f.id")
    return f"SELECT f.id, f.t_ns, {column} FROM {quoted(channel.relation)} AS f{joined} WHERE {own} ORDER BY {order}"  # noqa: S608


def _of_channel(run: RunInfo, node: NodeInfo, channel: ChannelInfo, figure: str) -> str:
    own = f"node = {node.id} AND id BETWEEN {run.first_frame} AND {run.end_frame - 1}"
    relation = quoted(channel.relation)
    counter = next((quoted(field.column) for field in channel.fields if field.role == "sequence"), None)
    if figure in ("loss", "duplicates", "reordered") and counter is not None:
        step = f"{counter} - lag({counter}) OVER (ORDER BY id)"
        return f"SELECT * FROM (SELECT id, t_ns, {counter}, {step} AS step FROM {relation} WHERE {own}) WHERE step <> 1"  # noqa: S608
    stamp = next((quoted(field.column) for field in channel.fields if field.role == "node time"), None)
    stamp = stamp or counter
    if figure in ("restarts", "clock_drift", "delay_jitter") and stamp is not None:
        return f"SELECT id, t_ns, {stamp} FROM {relation} WHERE {own}"  # noqa: S608
    if figure == "undecoded":
        return f"SELECT id, t_ns, hex(raw), fault FROM {relation} WHERE {own} AND fault IS NOT NULL"  # noqa: S608
    if figure == "outside_limits":
        beyond = _beyond(channel)
        return f"SELECT * FROM {relation} WHERE {own} AND ({beyond or 'false'})"  # noqa: S608
    if figure == "no_reading":
        owners = ", ".join(_text(name) for name in (channel.relation, channel.samples) if name)
        return f"SELECT column_name, reason, count FROM absence WHERE node = {node.id} AND relation IN ({owners})"  # noqa: S608
    gap = "(t_ns - lag(t_ns) OVER (ORDER BY id)) / 1e9"
    order = " ORDER BY gap_s DESC LIMIT 20" if figure.startswith("gap") else ""
    return f"SELECT id, t_ns, {gap} AS gap_s FROM {relation} WHERE {own}{order}"  # noqa: S608


def _beyond(channel: ChannelInfo) -> str:
    """A condition for values outside their limits."""
    parts = []
    for field in channel.fields:
        column = quoted(field.column)
        parts += [f"{column} < {field.low!r}"] if field.low is not None else []
        parts += [f"{column} > {field.high!r}"] if field.high is not None else []
    inner = [
        f"{quoted(field.column)} {sign} {limit!r}"
        for field in channel.sample_fields
        for sign, limit in (("<", field.low), (">", field.high))
        if limit is not None
    ]
    if channel.samples and inner:
        parts.append(f"id IN (SELECT frame FROM {quoted(channel.samples)} WHERE {' OR '.join(inner)})")  # noqa: S608
    return " OR ".join(parts)


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"
