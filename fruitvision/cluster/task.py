"""What a worker of the cluster does. Only these functions, and plain records, are sent to it."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.batch import Measure
from fruitvision.cluster.program import Program, difference, program_here
from fruitvision.cluster.source import PhotoSource, at_hand
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FruitVisionError
from fruitvision.photo import photo_id_of


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


def measure_there(
    photo: PhotoSource, measure: Measure, wanted: Wanted
) -> MeasuredPhoto | FruitVisionError | OtherProgram:
    """A photo measured, an error that a user can put right, or why this worker must not."""
    other = other_program(wanted)
    if other:
        return OtherProgram(_worker_address(), other)
    try:
        with at_hand(photo) as path:
            return measure(path)
    except FruitVisionError as err:
        return err


def id_there(photo: PhotoSource) -> str | FruitVisionError:
    """A photo's id, made where the photo can be read."""
    try:
        with at_hand(photo) as path:
            return photo_id_of(path)
    except FruitVisionError as err:
        return err


def other_program(wanted: Wanted) -> str:
    """Why this process must not measure, in words; empty if it may."""
    try:
        found = program_here(wanted.detector_name)
    except FruitVisionError as err:
        return err.what
    return difference(wanted.program, found)


def _worker_address() -> str:
    from distributed import get_worker

    return str(get_worker().address)
