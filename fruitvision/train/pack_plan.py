"""What a pack is to hold, said and checked before anything is written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.errors import TrainingError, did_you_mean
from fruitvision.train.coco_labels import CocoPicture

# Endings and what Pillow calls them.
FORMATS = {"webp": "WEBP", "jpg": "JPEG"}
# Sharpest change of size that makes sense. Our choice.
SCALE_LIMITS = (0.05, 4.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackPlan:
    """What a pack is to hold and how.

    `split` : of the document's images, "" takes all; `only` : text that the file name or the source
    must hold; `scale` : px of the pack per px of the photo, used where `mm_per_px` is None;
    `mm_per_px` : size of every picture by its marker; `quality` : of the encoder, 1 to 100;
    `shards` : number of packs that the pictures are dealt out to.

    Raises
    ------
    TrainingError
        If a number makes no sense.
    """

    coco: Path
    images: Path
    out: Path
    split: str = ""
    only: str = ""
    scale: float = 1.0
    mm_per_px: float | None = None
    quality: int = 85
    ending: str = "webp"
    shards: int = 1

    def __post_init__(self) -> None:
        _check_between("scale", self.scale, *SCALE_LIMITS)
        _check_between("quality", self.quality, 1, 100)
        _check_between("shards", self.shards, 1, 1000)
        if self.mm_per_px is not None:
            _check_between("mm-per-px", self.mm_per_px, 0.01, 100.0)
        if self.ending not in FORMATS:
            raise TrainingError(
                f"--format is '{self.ending}'.", fix=did_you_mean(self.ending, FORMATS)
            )

    def folders(self) -> tuple[Path, ...]:
        """Where the packs go: `out`, or `out` with -1, -2 ... behind it."""
        if self.shards == 1:
            return (self.out,)
        return tuple(Path(f"{self.out}-{number}") for number in range(1, self.shards + 1))


def chosen_pictures(pictures: Sequence[CocoPicture], plan: PackPlan) -> tuple[CocoPicture, ...]:
    """Those of the wanted split whose name or source holds the wanted text.

    Raises
    ------
    TrainingError
        If there are fewer than packs.
    """
    splits = {str(picture.image.get("split", "")) for picture in pictures}
    if plan.split and plan.split not in splits:
        raise TrainingError(
            f"{plan.coco} has no split '{plan.split}'.", fix=did_you_mean(plan.split, splits)
        )
    found = tuple(
        picture
        for picture in pictures
        if (not plan.split or picture.image.get("split") == plan.split)
        and (plan.only in picture.name or plan.only in picture.source)
    )
    if len(found) < plan.shards:
        raise TrainingError(
            f"{len(found)} pictures of {plan.coco} are chosen.",
            fix="Choose more with --split and --only, or fewer --shards.",
        )
    return found


def _check_between(name: str, value: float, least: float, most: float) -> None:
    if not (math.isfinite(value) and least <= value <= most):
        raise TrainingError(f"--{name} is {value}.", fix=f"Give a number from {least} to {most}.")
