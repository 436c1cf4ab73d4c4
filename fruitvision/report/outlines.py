"""What a document of outlines would change, photo by photo."""

from __future__ import annotations

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    GroundLine,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.pipeline.outlines_in import OutlinesPlan, PhotoPlan
from fruitvision.report.words import many

_COUNTED = (
    (AddedFruit, "added"),
    (RemovedFruit, "taken out"),
    (ReshapedFruit, "redrawn"),
    (RowOfFruit, "put to another row"),
)
_SAID = (
    (GroundLine, "ground line"),
    (SideLimits, "sides of the tree"),
    (CheckedPhoto, "called right as a whole"),
)


def outlines_lines(plan: OutlinesPlan) -> list[str]:
    """A line a photo that changes, then how many don't."""
    lines = [f"{one.name}: {_words(one)}" for one in plan.photos]
    return [
        *lines,
        f"{many(len(plan.photos), 'photo')} would change, {plan.same} are as the file has them.",
    ]


def _words(one: PhotoPlan) -> str:
    counted = [(one.count(kind), words) for kind, words in _COUNTED]
    words = [f"{number} {what}" for number, what in counted if number]
    words += [what for kind, what in _SAID if one.count(kind)]
    return ", ".join(words)
