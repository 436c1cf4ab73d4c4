"""Makes packs from a COCO document, in some processes; goes on after a bad picture."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from fruitvision.errors import FruitVisionError, TrainingError
from fruitvision.train.coco_labels import CocoPicture, read_coco
from fruitvision.train.pack import (
    FRUIT_FILE,
    PACK_FILE,
    FruitLabels,
    PackedPicture,
    fruit_bytes,
    joined,
    pack_bytes,
)
from fruitvision.train.pack_picture import pack_picture
from fruitvision.train.pack_plan import PackPlan, chosen_pictures
from fruitvision.whole_file import write_whole

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PacksMade:
    """`folders` of the packs, how many `pictures` and `fruit` they hold, and a sentence per picture
    that was left out."""

    folders: tuple[Path, ...]
    pictures: int
    fruit: int
    left_out: tuple[str, ...]


def make_packs(plan: PackPlan, say: Say, *, processes: int = 2) -> PacksMade:
    """Pack the chosen pictures; a bad one is left out with a sentence.

    Raises
    ------
    TrainingError
        If the document can't be used, no picture is left, or a folder is taken.
    """
    for folder in plan.folders():
        if folder.exists():
            raise TrainingError(f"{folder} is there already.", fix="Give a new folder as --out.")
    chosen = chosen_pictures(read_coco(plan.coco), plan)
    made = [
        _make_pack(plan, folder, chosen[first :: plan.shards], say, processes)
        for first, folder in enumerate(plan.folders())
    ]
    return PacksMade(
        folders=plan.folders(),
        pictures=sum(part.pictures for part in made),
        fruit=sum(part.fruit for part in made),
        left_out=tuple(sentence for part in made for sentence in part.left_out),
    )


def _make_pack(
    plan: PackPlan, folder: Path, chosen: Sequence[CocoPicture], say: Say, processes: int
) -> PacksMade:
    folder.parent.mkdir(parents=True, exist_ok=True)
    # Made beside its place, so that a folder of that name is a whole pack or none.
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        jobs = [_Job(plan=plan, picture=picture, folder=beside) for picture in chosen]
        results, left_out = _collect(jobs, say, processes)
        if not results:
            raise TrainingError(
                f"Not one picture of {plan.coco} could be packed.",
                fix="Read the sentences above; --images may be the wrong folder.",
            )
        fruit = joined([labels for _, labels in results])
        content = fruit_bytes(fruit)
        write_whole(beside / FRUIT_FILE, content)
        pictures = tuple(picture for picture, _ in results)
        write_whole(beside / PACK_FILE, pack_bytes(pictures, content))
        beside.chmod(0o755)  # a temporary folder is closed to others
        beside.rename(folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return PacksMade(
        folders=(folder,), pictures=len(pictures), fruit=len(fruit), left_out=tuple(left_out)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    plan: PackPlan
    picture: CocoPicture
    folder: Path


_Packed = tuple[PackedPicture, FruitLabels]


def _collect(jobs: list[_Job], say: Say, processes: int) -> tuple[list[_Packed], list[str]]:
    results: list[_Packed] = []
    left_out: list[str] = []
    for job, found in zip(jobs, _done(jobs, processes), strict=True):
        if isinstance(found, str):
            left_out.append(f"{job.picture.name} is left out: {found}")
            say(left_out[-1])
        else:
            results.append(found)
        done = len(results) + len(left_out)
        if done % 20 == 0 or done == len(jobs):
            say(f"{done} of {len(jobs)} pictures packed")
    return results, left_out


def _done(jobs: list[_Job], processes: int) -> Iterator[_Packed | str]:
    if processes <= 1:
        yield from map(_pack_or_say, jobs)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(_pack_or_say, jobs)


def _pack_or_say(job: _Job) -> _Packed | str:
    try:
        return pack_picture(job.picture, job.plan, job.folder)
    except FruitVisionError as err:
        return str(err)
    except (KeyError, TypeError, ValueError) as err:
        return f"Its annotations are not what they should be: {type(err).__name__} {err}."
