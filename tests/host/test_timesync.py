"""What the kernel says of the clock."""

from __future__ import annotations

import sys

import pytest

from gateway.host.timesync import synchronised


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux tells")
def test_the_kernel_tells_whether_the_clock_is_held_and_how_far_it_may_be_off() -> None:
    found = synchronised()
    assert found is not None
    assert found.likely_s >= 0 and found.most_s >= 0
    if not found.held:  # NTP_PHASE_LIMIT of the kernel, 16 s, where nothing holds it
        assert found.most_s >= 16
    again = synchronised()
    assert again is not None and again.held == found.held
