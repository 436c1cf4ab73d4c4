"""Seconds and memory of a piece of work, its finished child processes included."""

from __future__ import annotations

import re
import resource
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import mean, median
from time import perf_counter

# ru_maxrss counts KiB on Linux and bytes on macOS (their getrusage(2)).
RSS_UNIT_MB = 1e-6 if sys.platform == "darwin" else 1024e-6
STATUS = Path("/proc/self/status")


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """Seconds on the clock and of all processors; memory of the largest process so far, MB."""

    wall_s: float
    processor_s: float
    peak_mb: float


def used_by(work: Callable[[], object]) -> Used:
    """Do the work, and tell what it took."""
    wall, processor = perf_counter(), processor_s()
    work()
    return Used(
        wall_s=perf_counter() - wall, processor_s=processor_s() - processor, peak_mb=peak_mb()
    )


def processor_s() -> float:
    """Processor seconds of this process and of its children that have ended."""
    both = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(found.ru_utime + found.ru_stime for found in map(resource.getrusage, both))


def peak_mb() -> float:
    """Memory of this process at its peak, or of its largest ended child, MB.

    On Linux ru_maxrss begins with what the process that started this one held (exec(2) keeps it),
    so that the system's own count of this program's memory is read (VmHWM, proc(5)).
    """
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * RSS_UNIT_MB
    if STATUS.exists():
        found = re.search(r"^VmHWM:\s+(\d+) kB$", STATUS.read_text(), re.MULTILINE)
        if found:
            return max(children, int(found[1]) * 1024e-6)
    return max(children, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * RSS_UNIT_MB)


def typical(seconds: Sequence[float], photos: int) -> float:
    """Mean over the photos of the median of each one's rounds; they took turns."""
    return mean(median(seconds[first::photos]) for first in range(min(photos, len(seconds))))
