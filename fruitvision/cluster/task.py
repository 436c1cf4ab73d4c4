"""What a worker of the cluster does. Only these functions, and plain records, are sent to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeVar

from fruitvision.batch import Measure
from fruitvision.cluster.program import Program, difference, program_here
from fruitvision.cluster.source import PhotoNotHere, PhotoSource, at_hand
from fruitvision.cores import keep_to, threads_here
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FruitVisionError
from fruitvision.photo import photo_id_of

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Wanted:
    """The program that is to measure, and the name by which its detector is chosen."""

    program: Program
    detector_name: str


@dataclass(frozen=True, slots=True)
class OtherProgram:
    """A worker's answer that it would measure otherwise; `what` says how, in words."""

    worker: str
    what: str


@dataclass(frozen=True, slots=True)
class NotHere:
    """A worker's answer that it can't open a shared photo, which another one may."""

    worker: str
    error: PhotoNotHere


def measure_there(
    photo: PhotoSource, measure: Measure, wanted: Wanted
) -> MeasuredPhoto | FruitVisionError | OtherProgram | NotHere:
    """A photo measured, an error that a user can put right, or why it can't be done here."""
    other = other_program(wanted)
    if other:
        return OtherProgram(_worker_address(), other)
    _keep_to_share()
    return _with(photo, measure)


def id_there(photo: PhotoSource) -> str | FruitVisionError | NotHere:
    """A photo's id, made where the photo can be read."""
    return _with(photo, photo_id_of)


def _with(photo: PhotoSource, use: Callable[[Path], R]) -> R | FruitVisionError | NotHere:
    try:
        with at_hand(photo) as path:
            return use(path)
    except PhotoNotHere as err:
        return NotHere(_worker_address(), err)
    except FruitVisionError as err:
        return err


def other_program(wanted: Wanted) -> str:
    """Why this process must not measure, in words; empty if it may."""
    try:
        found = program_here(wanted.detector_name)
    except FruitVisionError as err:
        return err.what
    return difference(wanted.program, found)


@cache
def _keep_to_share() -> None:
    """Keep this process to the threads that whoever started it gave it; else photos that are
    measured side by side take cores from each other."""
    keep_to(threads_here())


def _worker_address() -> str:
    from distributed import get_worker

    return str(get_worker().address)
