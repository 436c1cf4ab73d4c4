"""Fruit that were calipered in photos: into the farm, and what they say of each walk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fruitvision.caliper_check import MatchedPair, check_calipers
from fruitvision.caliper_pairs import (
    match_pairs,
    place_in_photos,
    read_caliper_pairs,
)
from fruitvision.domain import CaliperCheck, CaliperedFruit, MeasuredPhoto
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import Refused, made_with, refused_row
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import split_walks


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkCheck:
    """Calipered fruit of one walk of a block, those without a size in their photo, and what the
    others say."""

    block_id: str
    walked_on: date
    check: CaliperCheck
    pairs: tuple[MatchedPair, ...]
    unmatched: tuple[Refused, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedPairs:
    """How many calipered fruit went into the farm, and the rows that were refused."""

    rows: int
    refused: tuple[Refused, ...]


def add_caliper_pairs(
    path: Path, store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> AddedPairs:
    """Rows of a `caliper_pairs.csv` whose photo and fruit are known.

    Raises
    ------
    FieldDataError
        If the file can't be read, or tells no photo, no fruit or no diameter.
    """
    table = read_caliper_pairs(path)
    named: dict[str, MeasuredPhoto] = {}
    twice: set[str] = set()
    for block in store.blocks():
        for measured in _photos_of(block.block_id, store, settings, detector_name).values():
            name = measured.photo.name
            (twice.add(name) if name in named else named.setdefault(name, measured))
    fruit, kept = place_in_photos(
        table, {name: one for name, one in named.items() if name not in twice}
    )
    store.save_calipered_fruit(fruit)
    return AddedPairs(rows=len(fruit), refused=tuple(map(refused_row, kept.refused)))


def add_calipered_fruit(fruit: CaliperedFruit, store: Store) -> None:
    """Keep one fruit that was calipered in a photo, in place of what stood at its place."""
    store.save_calipered_fruit([fruit])


def walk_checks(
    store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[WalkCheck, ...]:
    """Every walk with calipered fruit, by block and day."""
    return tuple(
        one
        for block in store.blocks()
        for one in block_checks(block.block_id, store, settings, detector_name=detector_name)
    )


def block_checks(
    block_id: str, store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[WalkCheck, ...]:
    """Every walk of a block with calipered fruit, the oldest first."""
    calipered = store.calipered_fruit(block_id)
    if not calipered:
        return ()
    measured = _photos_of(block_id, store, settings, detector_name)
    found = []
    for walk in split_walks(store.tree_photos(block_id)):
        ids = {photo.photo_id for photo in walk}
        pairs, unmatched = match_pairs([one for one in calipered if one.photo_id in ids], measured)
        if pairs or unmatched:
            one = WalkCheck(
                block_id=block_id,
                walked_on=max(photo.walked_on for photo in walk),
                check=check_calipers(pairs, settings),
                pairs=pairs,
                unmatched=tuple(
                    Refused(name=one.name, what=one.what, fix=one.fix) for one in unmatched
                ),
            )
            found.append(one)
    return tuple(found)


def _photos_of(
    block_id: str, store: Store, settings: Settings, detector_name: str
) -> dict[str, MeasuredPhoto]:
    """A block's photos as measured with the present detector and settings, by id."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    kept = store.measured_photos_of(block_id, origin)
    return {one.photo.photo_id: one for one in reviewed(kept, store, settings, block_id)}
