"""The one clock. Stamps are nanoseconds UTC that advance with a monotonic counter anchored when the
clock is made, so that a step of the wall clock (NTP, a time zone mistake, a hand) can't bend an interval;
the step itself is reported by `wall_step_ns` and becomes an event."""

from __future__ import annotations

import time
from collections.abc import Callable


def _counter_ns() -> int:
    """A counter that never steps and goes on in suspend, where the system has one."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic_ns()


class Clock:
    """Anchored UTC time.

    Args:
        monotonic_ns: counter that never steps, nanoseconds.
        wall_ns: the system's UTC time, nanoseconds since 1970.
    """

    def __init__(
        self,
        monotonic_ns: Callable[[], int] = _counter_ns,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._wall_ns = wall_ns
        self._offset_ns = wall_ns() - monotonic_ns()
        self._known_step_ns = 0

    def now_ns(self) -> int:
        """Nanoseconds UTC since 1970; never runs backwards."""
        return self._monotonic_ns() + self._offset_ns

    def wall_step_ns(self, tolerance_ns: int = 500_000_000) -> int:
        """How far the wall clock has moved against this one since last asked, nanoseconds.

        Returns 0 while the movement stays within ``tolerance_ns`` (slow NTP slewing adds up to that).
        """
        apart_ns = self._wall_ns() - self.now_ns()
        step_ns = apart_ns - self._known_step_ns
        if abs(step_ns) <= tolerance_ns:
            return 0
        self._known_step_ns = apart_ns
        return step_ns
