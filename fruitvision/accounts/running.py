"""Seconds that nobody can set: what sessions and tries are timed with."""

from __future__ import annotations

import sys
import time


def running_s() -> float:
    """Seconds since some moment, whatever is done to this computer's clock and its zone.

    On Linux and Windows time in which the computer slept counts too.
    """
    if sys.platform == "linux":  # Where `monotonic` stands still meanwhile.
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()
