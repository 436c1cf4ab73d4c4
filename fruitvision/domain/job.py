"""Long work that goes on in the background."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class JobKind(StrEnum):
    """What is to be done: measure photos of the farm, or load a walk's folder."""

    MEASURE = "measure"
    LOAD = "load"


class JobState(StrEnum):
    """How a job stands. Only a person wants one again that was cancelled or failed.

    One that is read is done, and somebody has put away what it left out.
    """

    WANTED = "wanted"
    RUNNING = "running"
    DONE = "done"
    READ = "read"
    CANCELLED = "cancelled"
    FAILED = "failed"


OPEN_STATES = (JobState.WANTED, JobState.RUNNING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of long work, and how far it is.

    `names` : the photos to measure, by photo_id, and the name of each. `folder` : the walk to load.
    `done` of `total` photos are dealt with. `started_at` : when work on it last began, with
    `started_done` photos behind it; `starts` : how often it began since a photo was last done.
    `refused` : name, what happened and what to do, of each photo that was left out and of each row
    of its list. `problem` : the
    same of the whole job, where it failed. Times are UTC.
    """

    number: int
    kind: JobKind
    state: JobState
    asked_by: str
    asked_at: datetime
    names: Mapping[str, str]
    folder: str = ""
    seen_at: datetime | None = None
    started_at: datetime | None = None
    started_done: int = 0
    starts: int = 0
    done: int = 0
    total: int = 0
    refused: tuple[tuple[str, str, str], ...] = ()
    problem: tuple[str, str] | None = None

    @property
    def is_open(self) -> bool:
        """Whether it is still to be worked on."""
        return self.state in OPEN_STATES

    def left_s(self, now: datetime) -> float | None:
        """Seconds that the rest will take at the pace since it was started; None if not known.

        It is not where the computer's clock was set back meanwhile.
        """
        done = self.done - self.started_done
        if self.started_at is None or done < 1 or now < self.started_at:
            return None
        pace_s = (now - self.started_at).total_seconds() / done
        return pace_s * (self.total - self.done)
