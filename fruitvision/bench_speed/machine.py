"""The machine that figures are from: named, and kept to so many of its cores."""

from __future__ import annotations

import os
import platform
import re
from pathlib import Path

from fruitvision.cores import cores_available

CPU_INFO = Path("/proc/cpuinfo")


def machine_words() -> str:
    """Processor, cores that this process may use, system and Python."""
    cores = cores_available()
    return (
        f"{_processor()}, {cores} {'core' if cores == 1 else 'cores'}, {platform.system()}, "
        f"Python {platform.python_version()}"
    )


def _processor() -> str:
    """Its name where the system tells it, else its kind."""
    # Linux; elsewhere Python knows about as much.
    if CPU_INFO.exists():
        found = re.search(r"^model name\s*:\s*(.+)$", CPU_INFO.read_text(), re.MULTILINE)
        if found:
            return found[1].strip()
    return platform.processor() or platform.machine()


def keep_to_cores(cores: int) -> None:
    """Keep this process, and those that it starts, to so many of the cores that it may use.

    Where the system has no such call (Linux has it) nothing changes, and the number of cores in
    `machine_words` says so.
    """
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
