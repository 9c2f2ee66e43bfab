"""Summaries of a run that grows, against numpy over all of its values."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gateway.analysis.traces import BINS, FIRST_WIDTH_NS, Trace

TIMES = st.lists(st.integers(0, 40 * BINS * FIRST_WIDTH_NS), min_size=1, max_size=60)


@given(TIMES, st.randoms(use_true_random=False), st.integers(1, 700))
def test_no_extreme_is_lost_however_far_bins_were_widened(times: list[int], chance: object, most: int) -> None:
    """In whatever order the values came, and however few bins are asked for."""
    values = np.array([float((t * 7919) % 1000) for t in times])
    trace = Trace(1000)
    for at in np.array_split(np.arange(len(times)), 5):
        trace.add(np.array(times, np.int64)[at] + 1000, values[at])
    band = trace.part(1000, 1000 + max(times) + 1, most)
    assert len(band.low) <= most and band.counts.sum() == len(times)
    for t, value in zip(times, values, strict=True):
        place = (t + 1000 - band.start_ns) // band.width_ns
        assert band.low[place] <= value <= band.high[place]
    assert np.nanmax(band.high) == values.max() and np.nanmin(band.low) == values.min()


def test_what_is_no_number_is_in_no_bin() -> None:
    trace = Trace(0)
    trace.add(np.array([0, 1], np.int64), np.array([np.nan, 3.0]))
    assert trace.counts.sum() == 1 and trace.low[0] == 3
