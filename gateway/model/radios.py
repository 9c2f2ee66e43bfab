"""The radios there are, by the names that run files and commands have for them; `gateway.radio.open_radio` makes
them."""

from __future__ import annotations

from enum import StrEnum


class RadioName(StrEnum):
    """A radio that a run can use."""

    SYSTEM = "system"
    VIRTUAL = "virtual"
    HCI = "hci"
