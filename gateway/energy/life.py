"""Mean current of a node, in parts, from what it does; and how long a cell lasts with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from gateway.energy.bus import transfer_s
from gateway.energy.cell import under_pulse_v
from gateway.energy.draws import CAPACITY, Draws, Floats
from gateway.energy.profile import Profile
from gateway.energy.radio import ADV_DELAY_MEAN_S, advertising_event, connection_event, packets, pair

DAY_S, YEAR_S = 86_400.0, 365.25 * 86_400.0
_LOW_SHARE = 0.5  # of the time that a line of the bus is low in a transfer; common practice
_REQUEST_OCTETS = 12  # with its L2CAP header, on the average; seen on the virtual air
_DEPTHS = np.linspace(0, 1, 201)


@dataclass(frozen=True, slots=True)
class SensorLoad:
    """What a sensor does.

    Attributes:
        measurements_per_s, values_per_s: measurements, and values that carry them, a second of all the time.
        packets_per_s: link layer packets with its values, a second while connected.
    """

    measurements_per_s: float
    values_per_s: float = 0.0
    packets_per_s: float = 0.0

    def scaled(self, share: float) -> SensorLoad:
        """The same so many times as often."""
        return SensorLoad(self.measurements_per_s * share, self.values_per_s * share, self.packets_per_s * share)


@dataclass(frozen=True, slots=True)
class Load:
    """What a node does.

    Attributes:
        connected: share of the time that it is connected.
        interval_s, latency: of its connections; the latency in connection events.
        mbit: PHY.
        packets_per_s: link layer packets with data that it sends while connected, a second.
        events_with_data_per_s: connection events that carry any of these, a second while connected.
        octets: mean link layer payload of these.
        values_per_s: values that it makes, a second of all the time.
        advertising_s: interval while it is not connected.
        connections_per_s: how often a connection is made, a second of all the time.
        requests: ATT requests of each connection, for discovery and settings.
        sensors: by name.
        retries: share of packets sent again, None for what the profile says.
    """

    connected: float = 1.0
    interval_s: float = 0.05
    latency: int = 0
    mbit: int = 1
    packets_per_s: float = 0.0
    events_with_data_per_s: float = 0.0
    octets: float = 0.0
    values_per_s: float = 0.0
    advertising_s: float = 1.0
    connections_per_s: float = 0.0
    requests: float = 0.0
    sensors: Mapping[str, SensorLoad] = field(default_factory=dict)
    retries: float | None = None

    @property
    def events_per_s(self) -> float:
        """Connection events that it takes part in, a second while connected: with peripheral latency it may leave out
        those in which it has nothing to send."""
        most, least = 1 / self.interval_s, 1 / (self.interval_s * (1 + self.latency))
        return min(max(least, self.events_with_data_per_s), most)


@dataclass(frozen=True, slots=True)
class Life:
    """How long a cell lasts.

    Attributes:
        days: of each draw.
        parts_a: mean current of each draw by what takes it.
        brownout: what browns out first, and at which depth of discharge; "" where nothing does before the cell is
            empty.
    """

    days: Floats
    parts_a: Mapping[str, Floats]
    brownout: tuple[str, float]

    @property
    def current_a(self) -> Floats:
        """Mean current of each draw."""
        return total(self.parts_a)

    def quantiles(self, *shares: float) -> list[float]:
        """Days that so many of the draws do not reach."""
        return [float(one) for one in np.quantile(self.days, shares)]


def total(parts: Mapping[str, Floats]) -> Floats:
    """All parts together."""
    return np.asarray(sum(parts.values()), dtype=np.float64)


def parts_of(profile: Profile, load: Load, draws: Draws) -> dict[str, Floats]:
    """Mean current at the cell by what takes it, amperes, for each draw."""
    zero = np.zeros(len(draws["sleep"]))
    away = 1 - load.connected
    again = draws["radio.retries"] if load.retries is None else np.full(len(zero), load.retries)
    ppm, mbit = profile.clock_ppm, load.mbit
    events, gap_s = load.events_per_s, 1 / load.events_per_s
    sent = load.packets_per_s
    # what a packet with data adds: its bytes where it takes the place of an empty one, a pair more where it does not
    more_bytes = packets(draws, 0, round(load.octets), mbit) - packets(draws, 0, 0, mbit)
    extra = max(sent - events, sent - load.events_with_data_per_s, 0)
    empty = connection_event(draws, [(0, 0)], gap_s, ppm, mbit)
    # what is lost goes again in the next event, in place of an empty packet; with latency that event is one more
    repeated = again * sent * (more_bytes + (empty if load.latency else 0))
    one_request = pair(draws, 0, _REQUEST_OCTETS, mbit)  # and one more for its answer
    parts = {
        "sleep": draws["sleep"] + zero,
        "connection events": load.connected * events * empty + zero,
        "data": load.connected * (sent * more_bytes + extra * pair(draws, 0, 0, mbit)) + zero,
        "retries": load.connected * repeated + zero,
        "advertising": away
        * advertising_event(draws, profile.advertising_bytes)
        / (load.advertising_s + ADV_DELAY_MEAN_S)
        + zero,
        "connecting": load.connections_per_s * (draws["radio.connecting"] + 2 * load.requests * one_request) + zero,
    }
    if profile.works_off:
        parts["processing"] = load.values_per_s * draws["value.current"] * draws["value.time"] + zero
    bus = zero
    for name, facts in profile.sensors.items():
        own = load.sensors.get(name, SensorLoad(0.0))
        one = draws[f"sensor.{name}.active.current"] * draws[f"sensor.{name}.active.time"]
        if facts.warms_up:
            one = one + draws[f"sensor.{name}.warm_up.current"] * draws[f"sensor.{name}.warm_up.time"]
        parts[f"sensor {name}"] = draws[f"sensor.{name}.idle"] + own.measurements_per_s * one + zero
        on_bus_s = own.measurements_per_s * transfer_s(facts.bytes, profile.bus.mode)
        supply_v = profile.output_v if profile.output_v is not None else profile.in_series * profile.cell.at(0.5)[0]
        pulled_a = 2 * _LOW_SHARE * supply_v / profile.bus.pull_up_ohm
        bus = bus + on_bus_s * (draws["bus.current"] + pulled_a)
    if profile.sensors:
        parts["I²C bus"] = bus
    parts["regulator"] = draws["regulator.quiescent"] + total(parts) * (1 / draws["regulator.efficiency"] - 1)
    return parts


def life_of(profile: Profile, load: Load, draws: Draws) -> Life:
    """How long the cell lasts, for each draw: L = C u / (I + C s), u the depth of discharge at which something browns
    out, s what the cell loses by itself."""
    parts = parts_of(profile, load, draws)
    current = total(parts)
    what, depth = brownout(profile)
    capacity = draws[CAPACITY]
    seconds = capacity * depth / (current + capacity * profile.cell.self_discharge / YEAR_S)
    return Life(seconds / DAY_S, parts, (what, depth))


def needs_v(profile: Profile) -> list[tuple[str, float, float, float]]:
    """Who needs how many volts at the cell under which pulse: name, volts, amperes, seconds."""
    values = {path: one.value for path, one in profile.parameters.items()}
    radio = (values["radio.send"], packet_s() + values["radio.before_send.time"])
    found = [("radio", profile.supply[0], *radio)]
    for name, facts in profile.sensors.items():
        pulse = (values[f"sensor.{name}.active.current"], values[f"sensor.{name}.active.time"])
        found.append((f"sensor {name}", facts.lowest_v, *pulse))
    if profile.output_v is not None:
        return [("regulator", profile.output_v + profile.dropout_v, *max((one[2:] for one in found), default=radio))]
    return found


def packet_s() -> float:
    """The longest packet of a link without data length extension, 27 bytes and a code of 4."""
    return 328e-6


def brownout(profile: Profile) -> tuple[str, float]:
    """What browns out first as the cell is used up, and at which depth of discharge: ("", 1.0) where the cell is empty
    before."""
    first = ("", 1.0)
    ocv_v = profile.in_series * np.interp(_DEPTHS, profile.cell.depth, profile.cell.voltage_v)
    inner_ohm = profile.in_series * np.interp(_DEPTHS, profile.cell.depth, profile.cell.resistance_ohm)
    for name, needed_v, current_a, time_s in needs_v(profile):
        below = np.flatnonzero(under_pulse_v(ocv_v, inner_ohm, current_a, time_s, profile.capacitor_f) < needed_v)
        if len(below) and _DEPTHS[below[0]] < first[1]:
            first = name, float(_DEPTHS[below[0]])
    return first


def shares(parts: Mapping[str, Floats]) -> Sequence[tuple[str, float, float]]:
    """Parts by their median, largest first: name, median in amperes, share of all."""
    medians = {name: float(np.median(values)) for name, values in parts.items()}
    total = sum(medians.values()) or 1.0
    return sorted(((n, m, m / total) for n, m in medians.items()), key=lambda one: -one[1])
