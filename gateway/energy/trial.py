"""What if: the same load or profile with other settings, one at a time or all combinations."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.energy.cell import Cell
from gateway.energy.draws import drawn
from gateway.energy.life import Life, Load, life_of
from gateway.energy.profile import Profile
from gateway.model.errors import InputError, UnitError
from gateway.model.units import parse_quantity, parse_unit

MOST = 100_000
_HEADER = 7  # bytes of L2CAP and ATT
Change = Callable[[Profile, Load], tuple[Profile, Load]]


@dataclass(frozen=True, slots=True)
class Setting:
    """One value of one setting: its names, and what it changes."""

    name: str
    text: str
    change: Change


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of some settings."""

    settings: Mapping[str, str]
    life: Life
    load: Load


def settings_of(text: str, profile: Profile, load: Load, cells: Mapping[str, Cell]) -> list[Setting]:
    """The settings of ``name=value,value``.

    Raises:
        InputError: there is no such setting, or a value is none of it.
    """
    name, equals, values = text.partition("=")
    name = name.strip()
    if not equals or not values.strip():
        raise InputError(f"{text!r} is no setting to try: write name=value, or name=value,value")
    return [_setting(name, value.strip(), profile, load, cells) for value in values.split(",")]


def names_of(profile: Profile, load: Load) -> list[str]:
    """What can be tried."""
    fixed = ["interval", "latency", "phy", "together", "advertising", "cell", "capacitor", "temperature"]
    return [*fixed, *load.sensors, *profile.parameters]


def _setting(name: str, value: str, profile: Profile, load: Load, cells: Mapping[str, Cell]) -> Setting:
    try:
        if name in load.sensors:
            seconds = _in("s", value)
            return Setting(name, value, lambda p, one: (p, _paced(one, name, seconds)))
        if name in profile.parameters:
            return Setting(name, value, _parameter(name, value, profile))
        make = _CHANGES.get(name)
        if name == "cell":
            if value not in cells:
                raise InputError(f"there is no cell {value!r}; known are {', '.join(cells)}")
            return Setting(name, value, lambda p, one: (replace(p, cell=cells[value]), one))
        if make is None:
            raise InputError(f"{name!r} can't be tried; {', '.join(names_of(profile, load))} can")
        return Setting(name, value, make(value))
    except (UnitError, ValueError) as error:
        raise InputError(f"{name}={value}: {error}") from None


def _in(unit: str, text: str) -> float:
    value = float(parse_quantity(text).in_unit(parse_unit(unit)))
    if not value > 0 and unit != "degC":
        raise ValueError("has to be more than zero")
    return value


def _interval(value: str) -> Change:
    seconds = _in("s", value)
    if not 7.5e-3 - 1e-9 <= seconds <= 4 + 1e-9:
        raise ValueError("a connection interval is 7.5 ms to 4 s (Core Specification, Vol 6, Part B, 4.5.1)")

    def change(profile: Profile, load: Load) -> tuple[Profile, Load]:
        carrying = min(load.packets_per_s, 1 / seconds)
        if seconds <= load.interval_s:
            carrying = min(max(load.events_with_data_per_s, 0.0), carrying)
        return profile, replace(load, interval_s=seconds, events_with_data_per_s=carrying)

    return change


def _latency(value: str) -> Change:
    events = int(value)
    if not 0 <= events <= 499:
        raise ValueError("a peripheral latency is 0 to 499 connection events")
    return lambda profile, load: (profile, replace(load, latency=events))


def _phy(value: str) -> Change:
    if value not in ("1M", "2M"):
        raise ValueError("1M or 2M")
    return lambda profile, load: (profile, replace(load, mbit=int(value[0])))


def _together(value: str) -> Change:
    count = int(value)
    if count < 1:
        raise ValueError("at least 1 sample in a notification")

    def change(profile: Profile, load: Load) -> tuple[Profile, Load]:
        whole = (load.octets - _HEADER) * count + _HEADER
        each = max(math.ceil(whole / 251), 1)
        packets = load.packets_per_s / count * each
        carrying = min(packets, load.events_with_data_per_s, 1 / load.interval_s)
        return profile, replace(load, packets_per_s=packets, octets=whole / each, events_with_data_per_s=carrying)

    return change


def _advertising(value: str) -> Change:
    seconds = _in("s", value)
    return lambda profile, load: (profile, replace(load, advertising_s=seconds))


def _capacitor(value: str) -> Change:
    farad = _in("farad", value)
    return lambda profile, load: (replace(profile, capacitor_f=farad), load)


def _temperature(value: str) -> Change:
    celsius = _in("degC", value)
    if not -55 <= celsius <= 85:
        raise ValueError("a cell's temperature is -55 to 85 degC here; beyond it none of the table works")
    return lambda profile, load: (replace(profile, temperature_c=celsius), load)


_CHANGES: Mapping[str, Callable[[str], Change]] = {
    "interval": _interval,
    "latency": _latency,
    "phy": _phy,
    "together": _together,
    "advertising": _advertising,
    "capacitor": _capacitor,
    "temperature": _temperature,
}


def _paced(load: Load, name: str, period_s: float) -> Load:
    """One sensor at another period: its measurements and its packets change alike."""
    own = load.sensors[name]
    if not own.values_per_s:
        raise InputError(f"{name} sent nothing in this run: what another period would change is not known")
    share = 1 / period_s / own.values_per_s
    sensors = {**load.sensors, name: own.scaled(share)}
    packets = max(load.packets_per_s + (share - 1) * own.packets_per_s, 0.0)
    carrying = min(packets, load.events_with_data_per_s * max(packets / load.packets_per_s, 1e-9), 1 / load.interval_s)
    values = max(load.values_per_s + (share - 1) * own.values_per_s, 0.0)
    return replace(load, sensors=sensors, packets_per_s=packets, events_with_data_per_s=carrying, values_per_s=values)


def _parameter(path: str, text: str, profile: Profile) -> Change:
    one = profile.parameters[path]
    unit = {"time": "s", "first_receive": "s", "correction": "coulomb", "connecting": "coulomb"}
    last = path.rpartition(".")[2]
    plain = last in ("retries", "efficiency")
    value = float(parse_quantity(text).value) if plain and "percent" not in text else None
    if value is None:
        value = float(parse_quantity(text).in_unit(parse_unit(unit.get(last, "percent" if plain else "A"))))
        value = value / 100 if plain else value
    share = one.spread / abs(one.value) if one.value else 0.25
    made = replace(one, value=value, spread=abs(value) * share)
    return lambda p, load: (replace(p, parameters={**p.parameters, path: made}), load)


def tried(
    profile: Profile, load: Load, choices: Sequence[Sequence[Setting]], grid: bool, count: int, seed: int = 1
) -> Iterator[Tried]:
    """Each setting by itself, or each combination of one of each.

    Args:
        choices: for each setting its values.
        count: draws of each.

    Raises:
        InputError: more combinations than can be looked through.
    """
    many = math.prod(len(one) for one in choices) if grid else sum(len(one) for one in choices)
    if many > MOST:
        raise InputError(f"{many} combinations; at most {MOST} are worked out")
    shared = drawn(profile, count, seed)
    combinations: Iterator[Sequence[Setting]] = (
        itertools.product(*choices) if grid else ((one,) for values in choices for one in values)
    )
    for combination in combinations:
        own_profile, own_load = profile, load
        for setting in combination:
            own_profile, own_load = setting.change(own_profile, own_load)
        same = own_profile.parameters is profile.parameters and own_profile.cell is profile.cell
        same = same and own_profile.temperature_c == profile.temperature_c
        draws = shared if same else drawn(own_profile, count, seed)
        yield Tried({one.name: one.text for one in combination}, life_of(own_profile, own_load, draws), own_load)
