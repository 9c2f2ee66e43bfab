"""A profile, proven: every number in SI units with its spread and where it comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field

from gateway.energy.cell import Cell, cells
from gateway.energy.shape import EnergyShape, Number, NumberShape, PhaseShape, SensorEnergyShape, Source
from gateway.model.errors import UnitError
from gateway.model.units import PLAIN, Unit, parse_quantity, parse_unit

AMPERE, SECOND, VOLT, COULOMB, OHM = (parse_unit(one) for one in ("A", "s", "V", "coulomb", "ohm"))
FARAD, DBM, DB, DEGC, MAH = (parse_unit(one) for one in ("farad", "dBm", "dB", "degC", "mA * hour"))
TOLERANCES: Mapping[Source, float] = {"measured": 0.05, "datasheet": 0.20, "guessed": 0.50}
ReportProblem = Callable[[str, str, str], None]
PHASES = (
    "head", "preprocessing", "preamble", "before_receive", "receive_to_send", "before_send", "send_to_receive",
    "transient", "postprocessing", "tail",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number of the profile.

    Attributes:
        value: in SI units.
        spread: its standard deviation: half the tolerance, which holds 95 of 100 (JCGM 100:2008, 6.2, k = 2).
        source: where it comes from.
    """

    value: float
    spread: float
    source: Source


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """What else is known of a sensor: bytes over the bus for each measurement, and its supply, volts."""

    bytes: int
    lowest_v: float
    highest_v: float
    warms_up: bool


@dataclass(frozen=True, slots=True)
class Bus:
    """The I²C bus: its mode, pull-up in ohms, capacitance in farads."""

    mode: str
    pull_up_ohm: float
    capacitance_f: float


@dataclass(frozen=True, slots=True)
class Profile:
    """An energy profile.

    Attributes:
        parameters: by path, such as ``radio.head.current``.
        clock_ppm: accuracy of each of the two clocks.
        advertising_s, advertising_bytes: while it is not connected.
        supply: lowest and highest of the radio, volts.
        output_v, dropout_v: of the regulator; None for none.
        capacitor_f: across the cell, 0 for none.
    """

    title: str
    parameters: Mapping[str, Parameter]
    sensors: Mapping[str, SensorFacts]
    bus: Bus
    cell: Cell
    in_series: int
    clock_ppm: float
    advertising_s: float
    advertising_bytes: int
    transmit_dbm: float
    sensitivity_dbm: float
    antenna_db: float
    supply: tuple[float, float]
    output_v: float | None
    dropout_v: float
    capacitor_f: float
    temperature_c: float
    works_off: bool = dataclass_field(default=False)


class _Reader:
    def __init__(self, report_problem: ReportProblem) -> None:
        self.report = report_problem
        self.parameters: dict[str, Parameter] = {}

    def plain(self, place: str, text: str, unit: Unit) -> float:
        try:
            return float(parse_quantity(text).in_unit(unit))
        except UnitError as error:
            self.report(place, f"{text!r}: {error}", f"a quantity in {unit.symbol or 'plain numbers, or percent'}")
            return 0.0

    def number(self, place: str, written: Number, unit: Unit) -> None:
        one = NumberShape(value=written) if isinstance(written, str) else written
        value = self.plain(place, one.value, unit)
        share = TOLERANCES[one.source]
        if one.tolerance is not None:
            share = self.plain(f"{place}.tolerance", one.tolerance, PLAIN)
        if not 0 <= share <= 1:
            self.report(f"{place}.tolerance", str(one.tolerance), "0 to 100 percent")
        if value < 0 and not place.endswith("correction"):
            self.report(place, one.value, "nothing below zero")
        self.parameters[place] = Parameter(value, abs(value) * share / 2, one.source)

    def phase(self, place: str, phase: PhaseShape) -> None:
        self.number(f"{place}.current", phase.current, AMPERE)
        self.number(f"{place}.time", phase.time, SECOND)

    def span(self, place: str, ends: list[str]) -> tuple[float, float]:
        low, high = (self.plain(f"{place}[{i}]", end, VOLT) for i, end in enumerate(ends))
        if low > high:
            self.report(place, f"{ends[0]} is above {ends[1]}", "the lower voltage first")
        return low, high

    def sensor(self, place: str, decl: SensorEnergyShape) -> SensorFacts:
        self.number(f"{place}.idle", decl.idle, AMPERE)
        self.phase(f"{place}.active", decl.active)
        if decl.warm_up is not None:
            self.phase(f"{place}.warm_up", decl.warm_up)
        return SensorFacts(decl.bytes, *self.span(f"{place}.supply", decl.supply), decl.warm_up is not None)


def read_profile(decl: EnergyShape, report_problem: ReportProblem, table: Mapping[str, Cell] | None = None) -> Profile:
    """The profile that is declared, and a report of everything that is wrong with it.

    Args:
        report_problem: called for each problem; what is returned is only good if it was not called.
        table: cells by kind; by default those of the product.
    """
    reader, radio = _Reader(report_problem), decl.radio
    reader.number("sleep", decl.sleep, AMPERE)
    if decl.value is not None:
        reader.phase("value", decl.value)
    for name in PHASES:
        reader.phase(f"radio.{name}", getattr(radio, name))
    reader.number("radio.first_receive", radio.first_receive, SECOND)
    reader.number("radio.receive", radio.receive, AMPERE)
    reader.number("radio.send", radio.send, AMPERE)
    reader.number("radio.correction", radio.correction, COULOMB)
    reader.number("radio.connecting", radio.connecting, COULOMB)
    reader.number("radio.retries", radio.retries, PLAIN)
    reader.number("bus.current", decl.bus.current, AMPERE)
    reader.number("regulator.quiescent", decl.regulator.quiescent, AMPERE)
    reader.number("regulator.efficiency", decl.regulator.efficiency, PLAIN)
    sensors = {name: reader.sensor(f"sensor.{name}", one) for name, one in decl.sensor.items()}
    known = cells() if table is None else table
    cell = known.get(decl.cell.kind)
    if cell is None:
        report_problem("cell.kind", f"{decl.cell.kind!r}", f"one of {', '.join(known)}")
        cell = next(iter(known.values()))
    if decl.cell.capacity is not None:
        ends = [reader.plain(f"cell.capacity[{i}]", text, MAH) for i, text in enumerate(decl.cell.capacity)]
        if not 0 < ends[0] <= ends[1] <= ends[2]:
            report_problem("cell.capacity", ", ".join(decl.cell.capacity), "least, likely and most, each no lower")
        cell = cell.holding(ends[0], ends[1], ends[2])
    if not 0 < reader.parameters["regulator.efficiency"].value <= 1:
        report_problem("regulator.efficiency", str(decl.regulator.efficiency), "more than 0 and at most 100 percent")
    output = decl.regulator.output
    return Profile(
        decl.title,
        reader.parameters,
        sensors,
        Bus(
            decl.bus.mode,
            reader.plain("bus.pull_up", decl.bus.pull_up, OHM),
            reader.plain("bus.capacitance", decl.bus.capacitance, FARAD),
        ),
        cell,
        decl.cell.in_series,
        1e6 * reader.plain("radio.clock_accuracy", radio.clock_accuracy, PLAIN),
        reader.plain("advertising_interval", decl.advertising_interval, SECOND),
        decl.advertising_bytes,
        reader.plain("radio.transmit_power", radio.transmit_power, DBM),
        reader.plain("radio.sensitivity", radio.sensitivity, DBM),
        reader.plain("radio.antenna_gain", radio.antenna_gain, DB),
        reader.span("radio.supply", radio.supply),
        None if output is None else reader.plain("regulator.output", output, VOLT),
        reader.plain("regulator.dropout", decl.regulator.dropout, VOLT),
        0.0 if decl.cell.capacitor is None else reader.plain("cell.capacitor", decl.cell.capacitor, FARAD),
        reader.plain("cell.temperature", decl.cell.temperature, DEGC),
        works_off=decl.value is not None,
    )


def guesses(profile: Profile) -> Iterator[str]:
    """Paths of what is only guessed."""
    yield from (path for path, one in profile.parameters.items() if one.source == "guessed" and one.value)
