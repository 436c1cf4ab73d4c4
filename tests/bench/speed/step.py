"""A step of the job that is timed."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

from tests.bench.speed.place import Place

# Makes ready what is not timed, and gives what is.
Prepared = Callable[[], Callable[[], object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step by name: in which group, what it is in words, how it is made ready.

    `a_photo` : each run takes the next photo. `warm` : it is run once before it is timed.
    `memory` : a process that does nothing else tells its memory; False where what is made ready
    needs more. `target_s`, `target_mb` : what it should take at most; None where nothing is set.
    """

    name: str
    group: str
    words: str
    ready: Callable[[Place], AbstractContextManager[Prepared]]
    a_photo: bool = False
    warm: bool = True
    memory: bool = True
    target_s: float | None = None
    target_mb: float | None = None
