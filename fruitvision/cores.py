"""How many threads this process may use for arithmetic: all cores, or its share of them."""

from __future__ import annotations

import os

# A person may set this variable to leave cores to other programs; worker processes get their share
# through it.
THREADS_VARIABLE = "FRUITVISION_THREADS"


def cores_available() -> int:
    """Cores that the system lets this process use."""
    # Affinity is known on Linux only.
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def threads_here() -> int:
    """Threads for this process: what THREADS_VARIABLE says if it is a number above 0, else all."""
    given = os.environ.get(THREADS_VARIABLE, "")
    return int(given) if given.isdecimal() and int(given) > 0 else cores_available()


def keep_to(threads: int) -> None:
    """Keep this process to so many threads from now on."""
    # Not above: commands that look at no picture ask for threads too.
    import cv2

    os.environ[THREADS_VARIABLE] = str(threads)
    cv2.setNumThreads(threads)
