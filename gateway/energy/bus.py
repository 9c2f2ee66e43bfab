"""Timing and pull-ups of an I²C bus, by NXP UM10204, I2C-bus specification and user manual, table 10 and 7.1."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Grade:
    """A speed grade: clock, longest rise time, most capacitance, what a line can sink, and its times, seconds."""

    clock_hz: float
    rise_s: float
    most_f: float
    sink_a: float
    hold_start_s: float
    set_start_s: float
    set_stop_s: float
    free_s: float


GRADES = {
    "standard": Grade(100e3, 1000e-9, 400e-12, 3e-3, 4.0e-6, 4.7e-6, 4.0e-6, 4.7e-6),
    "fast": Grade(400e3, 300e-9, 400e-12, 3e-3, 0.6e-6, 0.6e-6, 0.6e-6, 1.3e-6),
    "fast-plus": Grade(1000e3, 120e-9, 550e-12, 20e-3, 0.26e-6, 0.26e-6, 0.26e-6, 0.5e-6),
}
_LOW_V = 0.4  # VOL above 2 V; 0.2 VDD at 2 V and below


def transfer_s(octets: int, mode: str) -> float:
    """A read with a repeated start: so many bytes, addresses included, of nine clocks each, start, stop and bus free.

    Example: 9 bytes take 206.2 µs in fast mode, 831.4 µs in standard mode.
    """
    if not octets:
        return 0.0
    grade = GRADES[mode]
    edges = 2 * grade.hold_start_s + grade.set_start_s + grade.set_stop_s + grade.free_s
    return 9 * octets / grade.clock_hz + (edges if octets > 2 else edges - grade.set_start_s - grade.hold_start_s)


def pull_up_range(mode: str, capacitance_f: float, supply_v: float) -> tuple[float, float]:
    """Least and most pull-up in ohms: (VDD - VOL) / IOL, and tr / (0.8473 Cb). The least may be above the most: then
    none will do."""
    grade = GRADES[mode]
    low_v = _LOW_V if supply_v > 2 else 0.2 * supply_v
    return (supply_v - low_v) / grade.sink_a, grade.rise_s / (0.8473 * capacitance_f)
