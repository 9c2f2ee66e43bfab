"""Profiles for tests: the published radio of Kindt et al., as tests/truth/energy.json holds it."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

from gateway.energy import EnergyShape, Profile, read_profile

TRUTH: dict[str, Any] = json.loads((Path(__file__).parents[1] / "truth" / "energy.json").read_text("utf-8"))
_NAMES = {
    "communication_preamble": "preamble",
    "pre_rx": "before_receive",
    "rx_to_tx": "receive_to_send",
    "pre_tx": "before_send",
    "tx_to_rx": "send_to_receive",
}
_EXACT = {"tolerance": "0 percent", "source": "measured"}


def exact(value: str) -> dict[str, str]:
    return {"value": value, **_EXACT}


def published() -> dict[str, Any]:
    """The published radio as a profile is written, without any spread."""
    model = TRUTH["ble_event_model"]
    radio: dict[str, Any] = {}
    for name, (ms, ma) in model["phases_ms_mA"].items():
        if name in ("rx_per_byte", "tx_per_byte", "pre_rx_first_of_peripheral"):
            continue
        radio[_NAMES.get(name, name)] = {"current": exact(f"{ma} mA"), "time": exact(f"{ms} ms")}
    phases = model["phases_ms_mA"]
    radio["first_receive"] = exact(f"{phases['pre_rx_first_of_peripheral'][0]} ms")
    radio["receive"], radio["send"] = exact(f"{phases['rx_per_byte'][1]} mA"), exact(f"{phases['tx_per_byte'][1]} mA")
    radio["correction"] = exact(f"{model['correction_uC_per_rx_tx_sequence']} uC")
    radio["supply"] = ["0 V", "3.6 V"]  # so that nothing browns out by it
    radio["clock_accuracy"], radio["retries"] = f"{model['sleep_clock_ppm']} ppm", exact("0 percent")
    return {"sleep": exact(f"{model['sleep_uA']} uA"), "radio": radio}


def profile(**changes: Any) -> Profile:
    """The published profile with some tables replaced."""
    written = copy.deepcopy(published()) | changes
    problems: list[tuple[str, str, str]] = []
    made = read_profile(EnergyShape.model_validate(written), lambda *problem: problems.append(problem))
    assert problems == []
    return made
