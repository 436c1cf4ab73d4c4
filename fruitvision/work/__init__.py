"""Long work in the background: one process a farm, which outlives the pages that asked for it.

A job is a row of the farm's database. It stands there until it is done, cancelled or failed, so
that a closed tab, a restarted server and a killed process lose nothing: whoever comes next goes on
with what is not measured yet.
"""

from __future__ import annotations

from fruitvision.work.ask import ask_load, ask_measure_again
from fruitvision.work.run import result_of, run_job
from fruitvision.work.start import keep_working
from fruitvision.work.worker import work_here, work_off

__all__ = [
    "ask_load",
    "ask_measure_again",
    "keep_working",
    "result_of",
    "run_job",
    "work_here",
    "work_off",
]
