"""The relations that the evidence of a figure is a query over, built from a log's own tables: what was received and in
which stretch of the link, gaps, counters, time stamps, settings, and the values of a field. Each reckons as that module
of `measure` does which works the figure out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from gateway.analysis.bounds import BLOCKS
from gateway.analysis.measure.nodeclock import BACK_VALUES, LEAP_VALUES
from gateway.analysis.measure.signal import FAR, FEWEST_LSB, LARGEST, NEIGHBOURS, rails
from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo, RunInfo
from gateway.log.schema import quoted
from gateway.model.link import OVER
from gateway.model.units import parse_unit

_SETTINGS = "kind IN ('setting written', 'setting differs')"


@dataclass(frozen=True, slots=True)
class Scalar:
    """A relation of one number, written where it is used."""

    sql: str


Relations = Iterator[tuple[str, str | Scalar]]


def of_link(run: RunInfo, node: NodeInfo) -> Relations:
    yield "events", f"SELECT id, t_ns, kind, detail FROM event WHERE run = {run.id} AND node = {node.id}"
    over = ", ".join(f"'{name}'" for kind in sorted(OVER) for name in kind.spellings)
    yield "marks", f"SELECT id, t_ns, kind FROM {{events}} WHERE kind IN ({over})"
    yield (
        "links",
        f"SELECT start_ns, end_ns FROM (SELECT t_ns AS start_ns, kind, lead(t_ns, 1, max(t_ns, {run.end_ns})) "
        "OVER (ORDER BY id) AS end_ns FROM {marks}) WHERE kind = 'ready'",
    )
    yield "connected_s", Scalar("(SELECT sum(end_ns - start_ns) / 1e9 FROM {links})")
    run_ns = run.end_ns - run.started_ns - run.paused_ns
    yield "run_ns", Scalar(str(run_ns))
    yield "run_s", Scalar(f"({run_ns} / 1e9)")
    yield (
        "absences",
        f"SELECT lost_ns, back_ns, max(coalesce(back_ns, {run.end_ns}) - lost_ns, 0) / 1e9 AS away_s FROM "
        "(SELECT min(t_ns) FILTER (WHERE kind = 'lost') AS lost_ns, max(t_ns) FILTER (WHERE kind = 'ready') AS back_ns "
        "FROM (SELECT t_ns, kind, sum(kind = 'ready') OVER (ORDER BY id) - (kind = 'ready') AS number FROM {marks}) "
        "GROUP BY number) WHERE lost_ns IS NOT NULL",
    )
    yield "returns", "SELECT * FROM {absences} WHERE back_ns IS NOT NULL"
    every = " UNION ALL ".join(
        f"SELECT {number} AS channel, id, t_ns FROM {quoted(channel.relation)} WHERE {_own(run, node)}"
        for number, channel in enumerate(node.channels)
    )
    yield "everything", every or "SELECT 0 AS channel, 0 AS id, 0 AS t_ns WHERE false"
    yield (
        "spaced",
        "SELECT channel, id, t_ns, (t_ns - lag(t_ns) OVER (PARTITION BY channel, start_ns ORDER BY t_ns, id)) / 1e9 "
        "AS gap_s FROM {everything} JOIN {links} ON t_ns BETWEEN start_ns AND end_ns",
    )
    yield (
        "busiest",
        "SELECT id, t_ns, gap_s FROM {spaced} WHERE gap_s IS NOT NULL AND channel = "
        "(SELECT channel FROM {spaced} GROUP BY channel ORDER BY count(gap_s) DESC, channel LIMIT 1)",
    )


def _own(run: RunInfo, node: NodeInfo) -> str:
    return f"node = {node.id} AND id BETWEEN {run.first_frame} AND {run.end_frame - 1}"


def of_channel(run: RunInfo, node: NodeInfo, channel: ChannelInfo) -> Relations:
    counter, stamp = channel.with_role("sequence"), channel.with_role("node time")
    if channel.broadcast:  # in place of the time connected, that in which it was listened to
        yield (
            "links",
            f"SELECT start_ns, end_ns FROM (SELECT t_ns AS start_ns, detail ->> '$.on' AS is_on, lead(t_ns, 1, "
            f"max(t_ns, {run.end_ns})) OVER (ORDER BY id) AS end_ns FROM {{events}} WHERE kind = 'listening') "
            "WHERE is_on",
        )
    table, own = quoted(channel.relation), _own(run, node)
    yield from _frames(run, channel, counter, own)
    yield from _silences()
    yield (
        "ages",
        f"SELECT id, t_ns, (lead(t_ns, 1, max(t_ns, {run.end_ns})) OVER (ORDER BY t_ns, id) - t_ns) / 1e9 AS age_s "
        "FROM {received}",
    )
    yield "fallen_out", Scalar(_fallen_out("{gaps}"))
    yield (
        "bursts",
        "SELECT t_ns, sum(apart) OVER (ORDER BY t_ns, id) AS number FROM "
        "(SELECT id, t_ns, t_ns - lag(t_ns) OVER (ORDER BY t_ns, id) >= 5000000 AS apart FROM {received})",
    )
    yield "decoded", Scalar("(SELECT count(*) FROM {received} WHERE fault IS NULL)")
    missing, beyond = _conditions(channel)
    yield "blanks", f"SELECT id, t_ns, raw FROM {table} WHERE {own} AND fault IS NULL AND ({missing})"
    yield "beyond", f"SELECT id, t_ns, {beyond} AS beyond FROM {table} AS f WHERE {own}"
    yield from _counters(counter)
    yield from _settings(channel)
    yield from _stamps(channel, counter, stamp, f"{table} WHERE {own}")


def _frames(run: RunInfo, channel: ChannelInfo, counter: FieldInfo | None, own: str) -> Relations:
    """The frames of a channel, each with the link it came over, and with the part of the link that it counts to: the
    computer stood still, or the sensor was set anew, between parts."""
    column, table = quoted(counter.column) if counter else "NULL", quoted(channel.relation)
    yield (
        "stalls",
        "SELECT t_ns - CAST(round((detail ->> '$.span_s') * 1e9) AS INTEGER) AS still_ns, t_ns AS again_ns "
        f"FROM event WHERE run = {run.id} AND kind = 'host stalled'",
    )
    yield (
        "cuts",
        f"SELECT t_ns FROM {{events}} WHERE {_SETTINGS} AND coalesce(detail ->> '$.on.{channel.name}', "
        f"detail ->> '$.period_s.{channel.name}') IS NOT NULL UNION ALL "
        "SELECT again_ns FROM {stalls} UNION ALL "
        f"SELECT t_ns FROM {table} JOIN {{stalls}} ON still_ns < t_ns AND t_ns <= again_ns WHERE {own}",
    )
    yield (
        "received",
        f"SELECT id, t_ns, raw, fault, {column} AS counter, sum({column} IS NULL AND fault IS NOT NULL) "
        f"OVER (ORDER BY t_ns, id) AS errors, (SELECT max(start_ns) FROM {{links}} WHERE start_ns <= t_ns "
        f"AND t_ns <= end_ns) AS link FROM {table} WHERE {own}",
    )
    yield (
        "frames",
        "SELECT *, iif(link IS NULL, NULL, max(link, coalesce((SELECT max(cuts.t_ns) FROM {cuts} "
        "WHERE cuts.t_ns <= received.t_ns), 0))) AS part FROM {received}",
    )


def _silences() -> Relations:
    """The times without a frame: between two, at the ends of links, and around stalls without the stalls."""
    yield "gaps", _gaps("frames", "part IS NOT NULL")
    yield (
        "ends",
        "SELECT start_ns, end_ns, min(t_ns) AS first_ns, max(t_ns) AS last_ns FROM {links} "
        "LEFT JOIN {received} ON link = start_ns GROUP BY start_ns, end_ns",
    )
    yield (
        "ended",  # by no gap: silence at the ends of a link and around the stalls
        "SELECT true AS first, start_ns AS from_ns, ifnull(first_ns, end_ns) AS to_ns FROM {ends} UNION ALL "
        "SELECT false, last_ns, end_ns FROM {ends} WHERE last_ns IS NOT NULL UNION ALL "
        "SELECT false, before_ns, after_ns FROM (SELECT max(iif(t_ns <= still_ns, t_ns, NULL)) AS before_ns, "
        "min(iif(t_ns > again_ns, t_ns, NULL)) AS after_ns FROM {stalls} JOIN {received} ON link IS NOT NULL "
        "GROUP BY link, again_ns) WHERE before_ns + after_ns IS NOT NULL",
    )
    yield (
        "awake",
        "SELECT first, from_ns, to_ns, (to_ns - from_ns - (SELECT ifnull(sum(min(to_ns, again_ns) - max(from_ns, "
        "still_ns)), 0) FROM {stalls} WHERE still_ns < to_ns AND from_ns < again_ns)) / 1e9 AS awake_s FROM {ended}",
    )
    yield (
        "silences",
        "SELECT from_ns, to_ns, gap_s FROM {gaps} UNION ALL SELECT from_ns, to_ns, awake_s FROM {awake}",
    )


def _gaps(relation: str, when: str) -> str:
    return (
        f"SELECT id, from_ns, t_ns AS to_ns, t_ns, (t_ns - from_ns) / 1e9 AS gap_s FROM (SELECT id, t_ns, "
        f"lag(t_ns) OVER (PARTITION BY part ORDER BY t_ns, id) AS from_ns FROM {{{relation}}} WHERE {when}) "
        "WHERE from_ns IS NOT NULL"
    )


def _median(column: str, relation: str, when: str = "true") -> str:
    return (
        f"(SELECT avg(v) FROM (SELECT {column} AS v, row_number() OVER (ORDER BY {column}) AS k, count(*) OVER () AS n "
        f"FROM {relation} WHERE {when}) WHERE k IN ((n + 1) / 2, (n + 2) / 2))"
    )


def _fallen_out(gaps: str) -> str:
    """How many values would have filled the gaps at the usual pace, as `measure.channel` reckons it."""
    usual = _median("gap_s", gaps, "gap_s >= 0.005")
    return (
        f"(SELECT ifnull(max(round(1.0 * (SELECT count(*) FROM {gaps}) / count(*)), 1) * "
        f"sum(max(round(gap_s / {usual}) - 1, 0)), 0) FROM {gaps} WHERE gap_s >= 0.005)"
    )


def _counters(counter: FieldInfo | None) -> Relations:
    """What a sequence counter tells, as `measure.counter` reads it."""
    turn = 1 << ((counter.bits if counter else None) or 16)
    yield from _order(turn)
    usual = _median("gap_ns / 1.0 / step", "{ordered}", "step > 0")
    yield (
        "steps",
        "SELECT id, t_ns, counter, step, max(step - 1 - between_errors, 0) AS missing FROM {ordered} WHERE step > 0 "
        f"AND (step <= 2 * gap_ns / {usual} + 8 OR (step <= {turn // 2} AND counter > 8))",
    )
    late = "(SELECT count(*) FROM {late} WHERE awaited AND NOT seen)"
    yield "lost", Scalar(f"(SELECT max((SELECT total(missing) FROM {{steps}}) - {late}, 0))")
    yield (
        "counted",
        Scalar("(SELECT count(*) FROM {frames} WHERE part IS NOT NULL AND coalesce(counter, fault) IS NOT NULL)"),
    )
    yield (
        "repeats",
        "SELECT id, t_ns, counter FROM {ordered} WHERE step = 0 "
        "UNION ALL SELECT id, t_ns, counter FROM {late} WHERE seen",
    )
    yield "has_counter", Scalar("1" if counter else "0")


def _order(turn: int) -> Relations:
    """Counters in the order of arrival, those that came late among them, and the steps between the others."""
    late_by = min(8, turn // 4)
    yield (
        "told",
        "SELECT id, t_ns, counter, part, errors, row_number() OVER w AS k, lag(part) OVER w AS before, "
        f"lead(part) OVER w AS after, {turn} - (counter - lag(counter) OVER w + {turn}) % {turn} AS back, "
        f"(lead(counter) OVER w - counter + {turn}) % {turn} AS ahead "
        "FROM {frames} WHERE counter IS NOT NULL AND part IS NOT NULL WINDOW w AS (ORDER BY t_ns, id)",
    )
    same = "FROM {told} AS e WHERE e.k BETWEEN t.k - 9 AND t.k - 1 AND e.part = t.part"
    yield (
        "late",
        f"SELECT id, t_ns, counter, EXISTS (SELECT 1 {same} AND e.counter = t.counter) AS seen, "
        f"EXISTS (SELECT 1 {same} AND (t.counter - e.counter + {turn}) % {turn} BETWEEN 1 AND 16) AS awaited "
        f"FROM {{told}} AS t WHERE back <= {late_by} AND ahead > back AND ahead <= back + {late_by} "
        "AND before = part AND after = part",
    )
    yield (
        "ordered",
        f"SELECT id, t_ns, counter, iif(lag(part) OVER w = part, (counter - lag(counter) OVER w + {turn}) % {turn}, "
        "NULL) AS step, errors - lag(errors) OVER w AS between_errors, t_ns - lag(t_ns) OVER w AS gap_ns "
        "FROM {told} WHERE id NOT IN (SELECT id FROM {late}) WINDOW w AS (ORDER BY t_ns, id)",
    )


def _settings(channel: ChannelInfo) -> Relations:
    """What was written to a channel's sensor."""
    yield (
        "periods",
        f"SELECT id, t_ns, detail ->> '$.period_s.{channel.name}' AS period_s FROM {{events}} WHERE {_SETTINGS} "
        f"AND detail ->> '$.period_s.{channel.name}' > 0",
    )
    yield "period_s", Scalar("(SELECT period_s FROM {periods} ORDER BY id DESC LIMIT 1)")
    yield (
        "paced_from",
        Scalar(
            "(SELECT min(t_ns) FROM {periods} WHERE id > ifnull((SELECT max(id) FROM {periods} WHERE period_s <> "
            "{period_s}), -9e18))"
        ),
    )
    yield (
        "switches",
        f"SELECT id, t_ns, detail ->> '$.on.{channel.name}' AS is_on FROM {{events}} WHERE {_SETTINGS} "
        f"AND detail ->> '$.on.{channel.name}' IS NOT NULL",
    )
    until = "lead(t_ns, 1, 9e18) OVER (ORDER BY t_ns, id)"
    yield (
        "begun",
        "SELECT on_ns, first_ns FROM (SELECT t_ns AS on_ns, is_on, (SELECT min(received.t_ns) FROM {received} WHERE "
        f"received.t_ns >= switched.t_ns AND received.t_ns < switched.until_ns) AS first_ns FROM (SELECT *, {until} AS "
        "until_ns FROM {switches}) AS switched) WHERE is_on AND first_ns IS NOT NULL",
    )
    on = (
        "ifnull((SELECT is_on FROM {{switches}} WHERE switches.t_ns <= received.t_ns - {} "
        "ORDER BY switches.t_ns DESC, switches.id DESC LIMIT 1), 1)"
    )
    yield "offs", f"SELECT id, t_ns, NOT {on.format(0)} AND NOT {on.format(10**9)} AS was_off FROM {{received}}"
    when = "part IS NOT NULL AND t_ns >= {paced_from} AND id NOT IN (SELECT id FROM {offs} WHERE was_off)"
    yield "paced", _gaps("frames", when)
    yield (
        "missing_paced",
        Scalar(
            "iif((SELECT count(*) FROM {frames} WHERE t_ns < {paced_from} OR id IN (SELECT id FROM {offs} "
            "WHERE was_off)), " + _fallen_out("{paced}") + ", iif({has_counter}, {lost}, {fallen_out}))"
        ),
    )


def _stamps(channel: ChannelInfo, counter: FieldInfo | None, stamp: FieldInfo | None, frames: str) -> Relations:
    """The node's own time: its time stamps, or else its counter and the period written to it."""
    if stamp is not None:
        second = float(parse_unit(stamp.unit).to(parse_unit("s"))[0]) if stamp.unit else 1.0
        step = (stamp.lsb or 1.0) * second
        column = quoted(stamp.column)
        turn, back, leap = repr(step * 2.0 ** (stamp.bits or 48)), repr(step), "9e999"
        node_s = f"SELECT id, t_ns, {column} * {second!r} AS node_s FROM {frames} AND {column} IS NOT NULL"
    else:
        column = quoted(counter.column) if counter else "NULL"
        turn = f"({{period_s}} * {1 << ((counter.bits if counter else None) or 16)})"
        back, leap = f"({BACK_VALUES} * {{period_s}})", f"({LEAP_VALUES} * {{period_s}})"
        node_s = (
            f"SELECT id, t_ns, {column} * {{period_s}} AS node_s FROM {frames} AND {column} IS NOT NULL "
            "AND t_ns >= {paced_from}"
        )
    yield "clock", node_s
    yield (
        "ticks",
        "SELECT id, t_ns, node_s, node_s - lag(node_s) OVER w AS raw_s, (t_ns - lag(t_ns) OVER w) / 1e9 AS passed_s "
        "FROM {clock} WINDOW w AS (ORDER BY t_ns, id)",
    )
    yield (
        "unwrapped",
        f"SELECT id, t_ns, node_s, passed_s, raw_s + max(round((passed_s - raw_s) / {turn}), 0) * {turn} AS step_s "
        "FROM {ticks}",
    )
    yield (
        "stamps",
        f"SELECT id, t_ns, node_s, step_s, ifnull(step_s < -{back} / 2 OR step_s - passed_s > {leap}, 0) AS restart "
        "FROM {unwrapped}",
    )


def _conditions(channel: ChannelInfo) -> tuple[str, str]:
    """SQL that tells whether a frame lacks a reading, and that counts its values outside their limits."""
    blank = [f"{quoted(one.column)} IS NULL" for one in channel.fields if one.bits is not None and not one.sometimes]
    inner = [f"{quoted(one.column)} IS NULL" for one in channel.sample_fields if one.bits is not None]
    if channel.samples and inner:
        blank.append(f"id IN (SELECT frame FROM {quoted(channel.samples)} WHERE {' OR '.join(inner)})")
    beyond = list(_beyond(channel.fields, lambda text: f"ifnull({text}, 0)"))
    if channel.samples and (within := list(_beyond(channel.sample_fields, lambda text: f"total({text})"))):
        beyond.append(f"(SELECT {' + '.join(within)} FROM {quoted(channel.samples)} WHERE frame = f.id)")
    return " OR ".join(blank) or "false", " + ".join(beyond) or "0"


def _beyond(fields: tuple[FieldInfo, ...], counted: Callable[[str], str]) -> Iterator[str]:
    for field in fields:
        column = quoted(field.column)
        if field.low is not None:
            yield counted(f"{column} < {field.low!r}")
        if field.high is not None:
            yield counted(f"{column} > {field.high!r}")


def of_field(run: RunInfo, node: NodeInfo, channel: ChannelInfo, field: FieldInfo, inner: bool) -> Relations:
    column = quoted(field.column)
    frame, place = ("frame", "position") if inner else ("id", "0")
    table = quoted(f"{channel.samples}_utc" if inner else channel.relation)
    whose = "'" + node.name.replace("'", "''") + "'" if inner else str(node.id)
    yield (
        "readings",
        f"SELECT {frame} AS id, t_ns, {column} AS value, row_number() OVER (ORDER BY {frame}, {place}) AS k "
        f"FROM {table} WHERE node = {whose} AND {frame} BETWEEN {run.first_frame} AND {run.end_frame - 1} "
        f"AND abs({column}) < {LARGEST!r}",
    )
    yield (
        "linked_values",
        "SELECT id, t_ns, value, k, (SELECT count(*) FROM {links} WHERE start_ns <= t_ns) AS link FROM {readings}",
    )
    yield "spacings", "SELECT t_ns - lag(t_ns) OVER (ORDER BY k) AS apart_ns FROM {readings}"
    yield (
        "neighbours",
        "SELECT id, t_ns, value, k, iif(near, value - lag(value) OVER (ORDER BY k), NULL) AS step, "
        "iif(lead(near) OVER (ORDER BY k), lead(value) OVER (ORDER BY k) - value, NULL) AS next_step FROM "
        "(SELECT *, link = lag(link) OVER (ORDER BY k) AND t_ns - lag(t_ns) OVER (ORDER BY k) <= "
        f"ifnull(nullif({NEIGHBOURS!r} * {_median('apart_ns', '{spacings}', 'apart_ns IS NOT NULL')}, 0), 9e18) "
        "AS near FROM {linked_values})",
    )
    yield "changes", "SELECT id, t_ns, value, k, step FROM {neighbours} WHERE step IS NOT NULL"
    length = max(run.end_ns - run.started_ns, 1)
    stretch = f"CAST(min(max((t_ns - {run.started_ns}) * {float(BLOCKS)!r} / {length}, 0), {BLOCKS - 1}) AS INTEGER)"
    yield (
        "stretches",
        f"SELECT {stretch} / {float(BLOCKS)!r} AS x, avg(value) AS y FROM {{readings}} GROUP BY {stretch}",
    )
    yield "codes", f"SELECT CAST(round(value / {field.lsb or 1.0!r}) AS INTEGER) AS code FROM {{readings}}"
    yield "pauses", "SELECT start_ns, start_ns - lag(end_ns) OVER (ORDER BY start_ns) AS away_ns FROM {links}"
    yield (
        "plateaus",
        "SELECT t_ns, value, sum(moved) OVER (ORDER BY k) AS number FROM (SELECT t_ns, value, k, "
        "value <> lag(value) OVER (ORDER BY k) AS moved FROM {readings})",
    )
    usual = _median("abs(step)", "{changes}")
    grain = repr(field.lsb) if field.lsb else "(SELECT ifnull(min(abs(step)), 0) FROM {changes} WHERE step <> 0)"
    near = "min(abs(step), abs(next_step))"
    yield (
        "peaks",
        f"SELECT id, t_ns, value, {near} > max({FAR!r} * {usual}, {FEWEST_LSB!r} * {grain}) AND step * next_step < 0 "
        f"AND abs(step + next_step) <= {near} / 2 AS peak FROM {{neighbours}} WHERE next_step IS NOT NULL",
    )
    low, high = (f"{end:.17g}".replace("inf", "9e999") for end in rails(field))
    yield "rail_low", Scalar(low)
    yield "rail_high", Scalar(high)
