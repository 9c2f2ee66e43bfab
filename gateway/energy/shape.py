"""An energy profile as it is written, in `[energy]` of a plugin or in a file of its own: keys and types, nothing proven
yet. The text below a key is what the reference page says of it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

_STRICT = ConfigDict(extra="forbid", strict=True, use_attribute_docstrings=True)
Source = Literal["measured", "datasheet", "guessed"]


class NumberShape(BaseModel):
    """A quantity with how well it is known."""

    model_config = _STRICT
    value: str
    """The quantity, such as `"5.9 mA"`."""
    tolerance: str | None = None
    """How far it may be off to either side in 95 of 100 cases; by default 5 percent of what was measured, 20 percent of
    what a datasheet says and 50 percent of what is guessed (common practice)."""
    source: Source = "guessed"
    """Where it comes from."""


Number = str | NumberShape


class PhaseShape(BaseModel):
    """A phase: a current for a time."""

    model_config = _STRICT
    current: Number
    """What is drawn."""
    time: Number
    """For how long."""


class RadioShape(BaseModel):
    """The phases of a connection event or an advertising event, as Kindt et al. (ACM TECS 19, 2020) have them."""

    model_config = _STRICT
    head: PhaseShape
    """Waking up."""
    preprocessing: PhaseShape
    """Preparing the event."""
    preamble: PhaseShape
    """Starting the radio."""
    before_receive: PhaseShape
    """Receiver on, before the packet."""
    first_receive: Number
    """How long the receiver is on before the first packet of a connection event, without window widening."""
    receive: Number
    """Current while a packet is received."""
    receive_to_send: PhaseShape
    """From receiving to sending."""
    before_send: PhaseShape
    """Sender on, before the packet."""
    send: Number
    """Current while a packet is sent, at the transmit power of the profile."""
    send_to_receive: PhaseShape
    """From sending to receiving."""
    transient: PhaseShape
    """Stopping the radio."""
    postprocessing: PhaseShape
    """Working off the event."""
    tail: PhaseShape
    """Going to sleep."""
    correction: Number = "0 µC"
    """Charge to add for each packet pair, for what the phases leave out."""
    clock_accuracy: str = "50 ppm"
    """Of each of the two sleep clocks, by which the receive window widens."""
    connecting: Number = "0 µC"
    """Charge of setting up a connection, beyond its connection events."""
    retries: Number = "2 percent"
    """Share of packets that are sent again; a virtual air or a sniffer tells it better."""
    transmit_power: str = "0 dBm"
    """At the antenna."""
    sensitivity: str = "-90 dBm"
    """Of the receiver, at the PHY used."""
    antenna_gain: str = "0 dB"
    """Of the node's antenna, negative for most small ones."""
    supply: Annotated[list[str], Declared(min_length=2, max_length=2)] = ["1.7 V", "3.6 V"]
    """Lowest and highest supply voltage."""


class SensorEnergyShape(BaseModel):
    """What a sensor draws, by the name of the plugin's sensor."""

    model_config = _STRICT
    idle: Number = "0 µA"
    """Current when it does not measure, all the time."""
    active: PhaseShape
    """A measurement."""
    warm_up: PhaseShape | None = None
    """Before each measurement."""
    bytes: Annotated[int, Declared(ge=0, le=4096)] = 0
    """Bytes over I²C for each measurement, addresses included."""
    supply: Annotated[list[str], Declared(min_length=2, max_length=2)] = ["1.7 V", "3.6 V"]
    """Lowest and highest supply voltage."""


class BusShape(BaseModel):
    """The I²C bus that the sensors share."""

    model_config = _STRICT
    mode: Literal["standard", "fast", "fast-plus"] = "fast"
    """Its speed grade (UM10204)."""
    pull_up: str = "4.7 kohm"
    """Of each of the two lines."""
    capacitance: str = "100 pF"
    """Of each line, with all that is on it."""
    current: Number = "0 mA"
    """What the controller draws while it transfers."""


class RegulatorShape(BaseModel):
    """What is between the cell and the rest."""

    model_config = _STRICT
    quiescent: Number = "0 µA"
    """Current that it takes itself."""
    efficiency: Number = NumberShape(value="100 percent", tolerance="0 percent", source="datasheet")
    """Share of the current that it passes on; 100 percent for none and for a linear one."""
    dropout: str = "0 V"
    """How far the cell has to be above its output."""
    output: str | None = None
    """Its output voltage; without it what it feeds sees the cell."""


class CellShape(BaseModel):
    """The cell."""

    model_config = _STRICT
    kind: str = "CR2032"
    """One of the table of cells."""
    in_series: Annotated[int, Declared(ge=1, le=8)] = 1
    """How many."""
    capacity: Annotated[list[str], Declared(min_length=3, max_length=3)] | None = None
    """Least, likely and most usable capacity in place of the table's."""
    capacitor: str | None = None
    """Across the cell."""
    temperature: str = "20 degC"
    """Where it is used."""


class EnergyShape(BaseModel):
    """An energy profile, as written."""

    model_config = _STRICT
    title: str = ""
    """What it is of."""
    sleep: Number
    """Current between all else."""
    value: PhaseShape | None = None
    """What working off one value takes, besides its sensor and the radio."""
    advertising_interval: str = "1 s"
    """While it is not connected, if the plugin does not declare it."""
    advertising_bytes: Annotated[int, Declared(ge=0, le=31)] = 31
    """Of its advertisement."""
    radio: RadioShape
    """See below."""
    sensor: dict[str, SensorEnergyShape] = {}
    """See below."""
    bus: BusShape = BusShape()
    """See below."""
    regulator: RegulatorShape = RegulatorShape()
    """See below."""
    cell: CellShape = CellShape()
    """See below."""
