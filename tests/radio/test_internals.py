"""What the virtual air and the radios on a bumble host override or call of bumble beside its documented calls: a version
in which one of them is another, or gone, fails here by its name. Then `gateway/radio` is to be read again, and the upper
bound of bumble in pyproject.toml to be moved."""

from __future__ import annotations

import asyncio
import inspect
from typing import Any

import pytest
from bumble import ll
from bumble.controller import AdvertisingSet, Controller, LegacyAdvertiser
from bumble.device import Device
from bumble.link import LocalLink

CALLS: dict[Any, dict[str, str]] = {
    Controller: {
        "on_advertising_pdu": "self pdu",
        "on_hci_acl_data_packet": "self packet",
        "on_hci_le_create_connection_cancel_command": "self _command",
        "on_link_acl_data": "self sender_address transport data",
        "on_ll_advertising_pdu": "self packet",
        "on_ll_control_pdu": "self sender_address packet",
        "on_le_disconnected": "self connection reason",
        "create_le_connection": "self peer_address",
        "find_connection_by_handle": "self handle",
        "send_advertising_pdu": "self packet",
        "send_hci_packet": "self packet",
    },
    LegacyAdvertiser: {"_on_timer_fired": "self", "send_advertising_data": "self", "start": "self", "stop": "self"},
    AdvertisingSet: {"send_extended_advertising_data": "self"},
    LocalLink: {
        "send_acl_data": "self sender_controller destination_address transport data",
        "send_advertising_pdu": "self sender_controller packet",
        "send_ll_control_pdu": "self sender_address receiver_address packet",
    },
    Device: {"send_sync_command": "self command"},
}
HELD = {
    "controller": "advertising_sets le_acl_data_packet_length le_connections le_features le_legacy_advertiser "
    "le_scan_enable pending_le_connection public_address random_address supported_commands "
    "total_num_le_acl_data_packets",
    "advertiser": "address advertising_data advertising_interval_min enabled timer_handle",
}
PDUS = {ll.AdvInd: "advertiser_address data", ll.AdvExtInd: "advertiser_address data sid", ll.ConnectInd: "interval timeout"}  # fmt: skip


@pytest.mark.parametrize(("owner", "name"), [(owner, name) for owner, names in CALLS.items() for name in names])
def test_a_call_of_bumble_takes_what_it_took(owner: Any, name: str) -> None:
    found = getattr(owner, name, None)
    assert found is not None, f"bumble's {owner.__name__}.{name} is gone"
    taken = " ".join(inspect.signature(found).parameters)
    assert taken == CALLS[owner][name], f"bumble's {owner.__name__}.{name} takes {taken!r}, not {CALLS[owner][name]!r}"


@pytest.mark.parametrize("what", HELD)
def test_a_controller_of_bumble_holds_what_it_held(what: str) -> None:
    async def owner() -> Any:
        controller = Controller("one", link=LocalLink())
        return controller if what == "controller" else controller.le_legacy_advertiser

    found = asyncio.run(owner())
    gone = [name for name in HELD[what].split() if not hasattr(found, name)]
    assert not gone, f"bumble's {type(found).__name__} has no {', '.join(gone)}"


@pytest.mark.parametrize("pdu", PDUS)
def test_a_pdu_of_bumbles_air_has_the_fields_that_it_had(pdu: Any) -> None:
    gone = [name for name in PDUS[pdu].split() if name not in inspect.signature(pdu).parameters]
    assert not gone, f"bumble's {pdu.__name__} has no {', '.join(gone)}"
