"""Whether a board can work as it is meant to, before there is one: supplies, the I²C bus, the radio's time, timing
rules, reach, memory. Each finding holds the numbers it rests on, and what would have to change where something can't be
reached."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gateway.energy.bus import GRADES, pull_up_range, transfer_s
from gateway.energy.life import brownout, needs_v
from gateway.energy.profile import Profile
from gateway.model.airtime import exchange_us

FREQUENCY_HZ = 2.44e9  # the middle of the band
LOSS_EXPONENTS = {"free space": 20.0, "residential": 28.0, "office": 30.0, "commercial": 22.0}  # ITU-R P.1238, older
_SHORTEST_S = 7.5e-3  # connection interval: Vol 6, Part B, 4.5.1
_MARGIN_DB = 10.0  # for fading; common practice
_BUSY_MOST = 0.5  # share of a bus, and of connection events, that leaves room; common practice

Verdict = Literal["works", "close", "fails"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        subject: what.
        verdict: whether it works, works with little room, or fails.
        found: the numbers.
        change: what would have to change, "" where nothing.
    """

    subject: str
    verdict: Verdict
    found: str
    change: str = ""


@dataclass(frozen=True, slots=True)
class Sending:
    """A channel as it is to be sent: its period in seconds, bytes of a value, values that it keeps while away; how
    often its sensor measures, seconds."""

    channel: str
    sensor: str
    period_s: float
    octets: int
    stores: int
    measured_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Meant:
    """How the board is to be used.

    Attributes:
        att_mtu: that is counted on.
        distance_m, place: how far the link is to reach, and where, of `LOSS_EXPONENTS`.
        absence_s: the longest that nobody may be connected.
    """

    interval_s: float
    latency: int
    supervision_s: float
    mbit: int
    att_mtu: int
    distance_m: float
    place: str
    absence_s: float
    sendings: tuple[Sending, ...]


def free_space_db(distance_m: float) -> float:
    """Path loss in free space (ITU-R P.525). Example: 40.2 dB at 1 m, 60.2 dB at 10 m."""
    return 20 * math.log10(FREQUENCY_HZ / 1e6) + 20 * math.log10(max(distance_m, 0.01)) - 27.55


def path_loss_db(distance_m: float, place: str) -> float:
    """Path loss: in free space, or indoors on one floor, 20 lg f + N lg d - 28 (ITU-R P.1238, an older revision)."""
    if place == "free space":
        return free_space_db(distance_m)
    return 20 * math.log10(FREQUENCY_HZ / 1e6) + LOSS_EXPONENTS[place] * math.log10(max(distance_m, 1)) - 28


def reach_m(budget_db: float, place: str) -> float:
    """How far a path loss of so much reaches."""
    exponent = LOSS_EXPONENTS[place]
    at_one = path_loss_db(1, place)
    return float(10 ** ((budget_db - at_one) / exponent))


def findings(profile: Profile, meant: Meant) -> Iterator[Finding]:
    """Everything that is looked at."""
    yield from _supplies(profile)
    yield from _duty(profile, meant)
    yield from _bus(profile, meant)
    yield from _link(meant)
    yield from _timing(meant)
    yield _reach(profile, meant)
    yield from _memory(meant)


def _supplies(profile: Profile) -> Iterator[Finding]:
    cell, many = profile.cell, profile.in_series
    full_v, end_v = many * cell.voltage_v[0], many * cell.cutoff_v
    highest = {"radio": profile.supply[1], **{f"sensor {n}": one.highest_v for n, one in profile.sensors.items()}}
    for name, most_v in highest.items():
        seen_v = profile.output_v if profile.output_v is not None else full_v
        if seen_v > most_v:
            yield Finding(
                f"supply of {name}",
                "fails",
                f"{seen_v:.2f} V, at most {most_v:.2f} V allowed",
                "a lower supply, or a regulator",
            )
    for name, needed_v, current_a, _ in needs_v(profile):
        room_v = end_v - needed_v
        found = (
            f"needs {needed_v:.2f} V; the cell ends at {end_v:.2f} V, less what {current_a * 1e3:.1f} mA pull it down"
        )
        yield Finding(
            f"supply of {name}",
            "works" if room_v >= 0.1 else "close" if room_v >= 0 else "fails",
            found,
            "" if room_v >= 0.1 else "a part with a lower supply, a boost regulator, or another cell",
        )
    what, depth = brownout(profile)
    if what:
        yield Finding(
            "brown-out",
            "close" if depth >= 0.8 else "fails",
            f"{what} browns out first, with {100 * depth:.0f} % of the cell used",
            "a capacitor across the cell, a lower pulse, or a cell with less inner resistance",
        )
    else:
        yield Finding("brown-out", "works", "nothing browns out before the cell is empty")


def _duty(profile: Profile, meant: Meant) -> Iterator[Finding]:
    """Whether each sensor is done before its next measurement."""
    for one in meant.sendings:
        active = profile.parameters.get(f"sensor.{one.sensor}.active.time")
        if active is None:
            continue
        warm = profile.parameters.get(f"sensor.{one.sensor}.warm_up.time")
        busy_s = active.value + (warm.value if warm is not None else 0.0)
        if busy_s >= one.measured_s:
            found = f"a measurement takes {busy_s * 1e3:.4g} ms, one is due each {one.measured_s * 1e3:.4g} ms"
            yield Finding(f"sensor {one.sensor}", "fails", found, f"a period above {busy_s * 1e3:.4g} ms")


def _bus(profile: Profile, meant: Meant) -> Iterator[Finding]:
    bus = profile.bus
    grade = GRADES[bus.mode]
    supply_v = profile.output_v if profile.output_v is not None else profile.in_series * profile.cell.voltage_v[0]
    least, most = pull_up_range(bus.mode, bus.capacitance_f, supply_v)
    range_ = f"{least:.0f} to {most:.0f} ohm at {bus.capacitance_f * 1e12:.0f} pF, {supply_v:.2f} V"
    found = f"{bus.pull_up_ohm:.0f} ohm; {range_}"
    if bus.capacitance_f > grade.most_f or least > most:
        yield Finding(
            "pull-ups", "fails", f"{found}: no pull-up will do in {bus.mode} mode", "less capacitance, or a slower mode"
        )
    else:
        fits = least <= bus.pull_up_ohm <= most
        yield Finding("pull-ups", "works" if fits else "fails", found, "" if fits else f"{least:.0f} to {most:.0f} ohm")
    asked = [(s, profile.sensors[s.sensor].bytes) for s in meant.sendings if s.sensor in profile.sensors]
    times = [(s, transfer_s(octets, bus.mode)) for s, octets in asked if octets]
    busy = sum(one_s / s.period_s for s, one_s in times)
    worst_s = sum(one_s for _, one_s in times)  # all at once
    if times:
        shortest_s = min(s.period_s for s, _ in times)
        verdict: Verdict = "works" if busy <= _BUSY_MOST and worst_s < shortest_s else "close" if busy < 1 else "fails"
        yield Finding(
            "I²C bus",
            verdict,
            f"{100 * busy:.2f} % busy in {bus.mode} mode; all sensors at once wait {worst_s * 1e3:.2f} ms at most",
            "" if verdict == "works" else "longer periods, fewer bytes, or a faster mode",
        )


def _link(meant: Meant) -> Iterator[Finding]:
    events_per_s = 1 / meant.interval_s
    for one in meant.sendings:
        if one.octets > meant.att_mtu - 3:
            yield Finding(
                f"value of {one.channel}",
                "fails",
                f"{one.octets} bytes, an ATT_MTU of {meant.att_mtu} carries {meant.att_mtu - 3}",
                f"an ATT_MTU of {one.octets + 3}, or smaller values",
            )
    values = sum(1 / one.period_s for one in meant.sendings)
    taken_s = sum(exchange_us(0, min(one.octets + 7, 251), meant.mbit) / 1e6 / one.period_s for one in meant.sendings)
    # an event carries as many as fit into its interval; a controller may allow fewer
    verdict: Verdict = "works" if taken_s <= _BUSY_MOST else "close" if taken_s < 1 else "fails"
    yield Finding(
        "link",
        verdict,
        f"{values:.3g} values/s over {events_per_s:.4g} connection events/s: {100 * taken_s:.2f} % of the time on air",
        "" if verdict == "works" else "fewer or longer notifications, longer periods, or 2M",
    )
    fastest_s = min((one.period_s for one in meant.sendings), default=math.inf)
    wait_s = meant.interval_s * (1 + meant.latency)
    if values and fastest_s < meant.interval_s:
        yield Finding(
            "delay",
            "close",
            f"a value each {fastest_s * 1e3:.4g} ms waits up to {meant.interval_s * 1e3:.4g} ms for its event",
            f"an interval of at most {fastest_s * 1e3:.4g} ms, if each value has to come by itself"
            if fastest_s >= _SHORTEST_S
            else "several values in a notification, or a longer period: no interval is that short",
        )
    elif wait_s > 4:
        yield Finding(
            "delay", "close", f"what is written waits up to {wait_s:.3g} s", "less latency, or a shorter interval"
        )


def _timing(meant: Meant) -> Iterator[Finding]:
    """Core Specification, Vol 6, Part B, 4.5.1 and 4.5.2."""
    units = meant.interval_s / 1.25e-3
    if not 6 <= round(units) <= 3200 or abs(units - round(units)) > 1e-6:
        yield Finding(
            "connection interval", "fails", f"{meant.interval_s * 1e3:g} ms", "7.5 ms to 4 s in steps of 1.25 ms"
        )
    if meant.latency > 499:
        yield Finding("peripheral latency", "fails", f"{meant.latency}", "at most 499")
    least_s = (1 + meant.latency) * meant.interval_s * 2
    found = f"{meant.supervision_s:g} s; more than {least_s:g} s are needed with this interval and latency"
    if not 0.1 <= meant.supervision_s <= 32:
        yield Finding("supervision timeout", "fails", f"{meant.supervision_s:g} s", "0.1 s to 32 s")
    elif meant.supervision_s <= least_s:
        change = f"a longer one, up to 32 s, a latency of at most {max(_latency(meant), 0)}, or a shorter interval"
        yield Finding("supervision timeout", "fails", found, change)
    else:
        yield Finding("supervision timeout", "works", found)


def _latency(meant: Meant) -> int:
    """The largest that the supervision timeout allows."""
    return math.ceil(meant.supervision_s / (2 * meant.interval_s) - 1e-9) - 2


def _reach(profile: Profile, meant: Meant) -> Finding:
    budget_db = profile.transmit_dbm + profile.antenna_db - profile.sensitivity_dbm
    loss_db = path_loss_db(meant.distance_m, meant.place)
    margin_db, far_m = budget_db - loss_db, reach_m(budget_db - _MARGIN_DB, meant.place)
    verdict: Verdict = "works" if margin_db >= _MARGIN_DB else "close" if margin_db >= 0 else "fails"
    return Finding(
        "reach",
        verdict,
        f"{loss_db:.1f} dB of path loss over {meant.distance_m:g} m ({meant.place}), a budget of {budget_db:.1f} dB, "
        f"{margin_db:.1f} dB of margin; {_MARGIN_DB:g} dB of margin reach {far_m:.1f} m",
        ""
        if verdict == "works"
        else "more transmit power where local radio rules allow it, a better antenna, or less distance",
    )


def _memory(meant: Meant) -> Iterator[Finding]:
    for one in meant.sendings:
        if not one.stores:
            continue
        needed = math.ceil(meant.absence_s / one.period_s)
        verdict: Verdict = "works" if one.stores >= needed else "fails"
        yield Finding(
            f"memory of {one.channel}",
            verdict,
            f"keeps {one.stores} values, {one.stores * one.octets} bytes; {meant.absence_s:g} s away make {needed}",
            "" if verdict == "works" else f"room for {needed * one.octets} bytes, or a longer period",
        )
