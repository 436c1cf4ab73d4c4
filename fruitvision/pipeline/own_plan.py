"""Which checked photos a farm's own detector learns from, and which it is tried on."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from fruitvision.domain import TreeId
from fruitvision.errors import FieldDataError
from fruitvision.outlines_coco import CATEGORIES, HANGING
from fruitvision.pipeline.outlines import Outlines, outlines_of
from fruitvision.settings import Settings
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Enough:
    """What it takes at least. Our choice of all: with fewer, what is kept apart to choose and to
    try by is too little to tell a gain from chance.

    `photos` : checked; `trees` : with checked photos and without a hand count. `tried_share` : of
    the photos, at least, to try the detector on; `choosing_share` : of the other trees, to choose
    the best round by.
    """

    photos: int = 24
    trees: int = 8
    tried_share: float = 0.25
    choosing_share: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnPlan:
    """Checked photos, by file name, in three parts that share no tree.

    `outlines` : of all of them; `learn`, `choose`, `tried` : file names; `trees` : how many trees
    each part has; `counted` : hand-counted trees of the farm, none of which is learned from;
    `fruit` : outlined fruit of this row in the part to learn from.
    """

    outlines: Outlines
    learn: tuple[str, ...]
    choose: tuple[str, ...]
    tried: tuple[str, ...]
    trees: tuple[int, int, int]
    counted: tuple[TreeId, ...]
    fruit: int


def plan_own(
    store: Store, settings: Settings, *, made_on: date, enough: Enough | None = None
) -> OwnPlan:
    """Part the farm's checked photos by tree; hand-counted trees are only tried on.

    Raises
    ------
    FieldDataError
        If too few photos are checked, with the number needed.
    """
    enough = enough or Enough()
    outlines = outlines_of(store, settings, made_on=made_on)
    names = {file.stem: file.name for file in outlines.files}
    placed = {
        names[photo.photo_id]: photo.tree
        for photo in store.tree_photos()
        if photo.photo_id in names
    }
    counted = tuple(sorted({count.tree for count in store.hand_counts()}))
    parts = part_trees(placed, counted, enough)
    learn, choose, tried = (
        tuple(sorted(name for name, tree in placed.items() if tree in trees)) for trees in parts
    )
    return OwnPlan(
        outlines=outlines,
        learn=learn,
        choose=choose,
        tried=tried,
        trees=(len(parts[0]), len(parts[1]), len(parts[2])),
        counted=counted,
        fruit=sum(
            one["category_id"] == CATEGORIES.index(HANGING) + 1 and bool(one["fv_this_row"])
            for one in part_of(outlines.coco, learn)["annotations"]
        ),
    )


def part_trees(
    placed: Mapping[str, TreeId], counted: Iterable[TreeId], enough: Enough
) -> tuple[frozenset[TreeId], frozenset[TreeId], frozenset[TreeId]]:
    """Trees to learn from, to choose by and to try on.

    Hand-counted trees are tried on; where these have too few photos, others by chance, the same
    ones each time.

    Parameters
    ----------
    placed : mapping
        Tree of each checked photo.

    Raises
    ------
    FieldDataError
        If there are too few photos or trees.
    """
    by_hand = frozenset(counted)
    free = sorted(set(placed.values()) - by_hand)
    _refuse_too_few(len(placed), len(free), enough)
    tried = set(placed.values()) & by_hand
    shuffled = [free[index] for index in np.random.default_rng(1).permutation(len(free))]

    def photos_tried() -> int:
        return sum(tree in tried for tree in placed.values())

    while photos_tried() < enough.tried_share * len(placed) and len(shuffled) > 2:
        tried.add(shuffled.pop())
    choosing = max(1, round(enough.choosing_share * len(shuffled)))
    return frozenset(shuffled[choosing:]), frozenset(shuffled[:choosing]), frozenset(tried)


def _refuse_too_few(photos: int, trees: int, enough: Enough) -> None:
    if photos >= enough.photos and trees >= enough.trees:
        return
    lacking = []
    if photos < enough.photos:
        lacking.append(_more(enough.photos - photos, "photo"))
    if trees < enough.trees:
        lacking.append(f"photos of {_more(enough.trees - trees, 'tree')} not counted by hand")
    raise FieldDataError(
        f"Photos checked: {photos}, trees without a hand count in them: {trees}; a detector of "
        f"your own needs {enough.photos} photos of {enough.trees} such trees or more.",
        fix=f"Check {' and '.join(lacking)} on the page Photos; hand-counted trees are kept for "
        "trying it.",
    )


def part_of(coco: bytes, names: Iterable[str]) -> dict[str, list[dict[str, object]]]:
    """The part of a COCO document that is of these photos."""
    document: dict[str, list[dict[str, object]]] = json.loads(coco)
    wanted = set(names)
    images = [one for one in document["images"] if one["file_name"] in wanted]
    ids = {one["id"] for one in images}
    annotations = [one for one in document["annotations"] if one["image_id"] in ids]
    return {**document, "images": images, "annotations": annotations}


def _more(number: int, what: str) -> str:
    return f"{number} more {what}{'' if number == 1 else 's'}"
