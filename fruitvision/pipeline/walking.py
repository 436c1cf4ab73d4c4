"""A walk as a scout walks it: drawn once, gone on with by anybody, its photos kept at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from functools import partial

import numpy as np

from fruitvision.advice import Work
from fruitvision.capture import LOOKED_AT_PX, CaptureCheck, check_capture
from fruitvision.domain import (
    Block,
    KeptWalk,
    MeasuredPhoto,
    ThingKind,
    TreeId,
    TreeKind,
    TreePhoto,
    VisitedPlace,
)
from fruitvision.errors import FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.photo import day_and_id_of, read_small
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Measured, made_with, measure_photos
from fruitvision.pipeline.plan import plan_next_walk, register_or_rows
from fruitvision.pipeline.review import reviewed
from fruitvision.pipeline.standing import FIRST_HAND_COUNTS, FIRST_WALK_TREES
from fruitvision.pipeline.views import join_kept_faces, with_faces
from fruitvision.records import to_plain
from fruitvision.sampling import WayIn, plan_walk, way_into
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.walk_progress import (
    Stop,
    first_day,
    is_of_walk,
    stops_of,
    with_count,
    with_counts,
    with_more,
    without_count,
)

# Photos of one face that are taken at once. Our choice: a view in the middle and some from places
# a step apart; more is a walk, which comes with its list.
MOST_OF_A_FACE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkSize:
    """How many trees to walk to, and how many of them to count by hand."""

    trees: int
    hand_counts: int


def walk_size(block: Block, walks: BlockWalks | None) -> WalkSize:
    """What the adviser wants of the next walk.

    The first walk has ten trees. Later ones have as many as the last, and where more trees would
    narrow the range, those on top. Hand counts are made anew in every walk, as leaves grow.
    """
    trees = FIRST_WALK_TREES
    if walks is not None:
        more = [step.more for step in walks.advice.steps if step.work is Work.PHOTOGRAPH]
        trees = max(walks.estimate.trees, FIRST_WALK_TREES) + sum(more)
    trees = max(1, min(trees, block.bearing_trees))
    return WalkSize(trees=trees, hand_counts=min(FIRST_HAND_COUNTS, trees))


def current_walk(store: Store, block_id: str, on: date) -> KeptWalk | None:
    """The walk through a block that is under way on a day, None if there is none."""
    walks = [walk for walk in store.walks(block_id) if is_of_walk(on, walk)]
    return walks[-1] if walks else None


def blocks_under_way(store: Store, on: date) -> frozenset[str]:
    """Names of the blocks with a walk under way on a day."""
    return store.walked_since(first_day(on))


def known_row_lengths(store: Store, block_id: str) -> tuple[int, ...]:
    """Lengths of a block's rows as they were given for an earlier walk; empty if never."""
    return next((one.row_lengths for one in reversed(store.walks(block_id)) if one.row_lengths), ())


def start_walk(
    store: Store,
    block_id: str,
    size: WalkSize,
    *,
    on: date,
    who: str,
    row_lengths: Sequence[int] = (),
) -> KeptWalk:
    """Draw a walk and keep it; a walk that somebody started on this day already goes on.

    Raises
    ------
    FieldDataError
        If there is no such block, it has neither register nor row lengths, or fewer trees bear.
    """
    plan = plan_next_walk(
        store,
        block_id,
        trees=size.trees,
        hand_counts=size.hand_counts,
        row_lengths=row_lengths,
        seed=on.toordinal(),
    )
    lengths = () if store.register(block_id) else tuple(row_lengths)
    return store.start_walk(
        KeptWalk(plan=plan, drawn_on=on, drawn_by=who, row_lengths=lengths),
    )


def stops_of_walk(store: Store, walk: KeptWalk) -> tuple[Stop, ...]:
    """The stops of a walk with what the farm has of them."""
    block_id = walk.plan.block_id
    return stops_of(
        walk,
        photos=store.tree_photos(block_id),
        visited=store.visited_places(block_id),
        counts=store.hand_counts(block_id),
    )


def way_to(store: Store, walk: KeptWalk, tree: TreeId) -> WayIn | None:
    """From which end of its row, and how far in; None where the farm does not know its rows."""
    with suppress(FruitVisionError):
        return way_into(tree, register_or_rows(store, walk.plan.block_id, walk.row_lengths))
    return None


def add_trees(store: Store, walk: KeptWalk, more: int) -> KeptWalk:
    """The walk with so many more trees, drawn from those that it does not have yet.

    Raises
    ------
    FieldDataError
        If fewer trees are left.
    """
    register = register_or_rows(store, walk.plan.block_id, walk.row_lengths)

    def added(kept: KeptWalk) -> KeptWalk:
        known = [place.tree for place in kept.plan.places]
        seed = kept.plan.seed + len(known)
        return with_more(kept, plan_walk(register, trees=more, seed=seed, without=known).places)

    return store.change_walk(walk.plan.block_id, walk.drawn_on, added)


def add_counts(store: Store, walk: KeptWalk, more: int) -> KeptWalk:
    """The walk with so many more of its trees to count by hand."""
    change = partial(with_counts, stops=stops_of_walk(store, walk), more=more)
    return store.change_walk(walk.plan.block_id, walk.drawn_on, change)


def drop_count(store: Store, walk: KeptWalk, tree: TreeId, *, who: str = "") -> KeptWalk:
    """The walk with a tree that is not counted by hand after all."""
    return _count_or_not(store, walk, tree, wanted=False, who=who)


def want_count(store: Store, walk: KeptWalk, tree: TreeId, *, who: str = "") -> KeptWalk:
    """The walk with a tree that is counted by hand, also where somebody said that it is not."""
    return _count_or_not(store, walk, tree, wanted=True, who=who)


def _count_or_not(
    store: Store, walk: KeptWalk, tree: TreeId, *, wanted: bool, who: str
) -> KeptWalk:
    """Kept with who said it and when, where it changes the walk."""
    change = partial(with_count if wanted else without_count, tree=tree)
    changed = store.change_walk(walk.plan.block_id, walk.drawn_on, change)
    fields = {"tree": to_plain(tree), "drawn_on": walk.drawn_on.isoformat()}
    store.note_change(
        ThingKind.WALK,
        f"{tree}, {walk.drawn_on}",
        {**fields, "count_by_hand": not wanted},
        {**fields, "count_by_hand": wanted},
        who=who,
        at=now_utc(),
    )
    return changed


def say_found(store: Store, tree: TreeId, found: TreeKind, *, on: date, who: str = "") -> None:
    """Keep what stands at a place of the walk, and who said so."""
    _keep_found(store, tree, found, on)
    told = {"tree": to_plain(tree), "counted_on": on.isoformat(), "found": found.value}
    store.note_change(ThingKind.PLACE, f"{tree}, {on}", None, told, who=who, at=now_utc())


def _keep_found(store: Store, tree: TreeId, found: TreeKind, on: date) -> None:
    store.save_visited_places([VisitedPlace(tree=tree, visited_on=on, found=found)])


# ---------------------------------------------------------------- photos


class Taken(StrEnum):
    """What became of a photo that came in. The value names it in the texts of an interface."""

    KEPT = "kept"
    KNOWN = "known"
    OTHER_TREE = "other_tree"
    OTHER_DAY = "other_day"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenPhoto:
    """A photo that came in, and what became of it.

    `placed` : where it is now, or was before. `day` : of the photo, where it is of another walk.
    `problem` : why it can't be read.
    """

    name: str
    outcome: Taken
    placed: TreePhoto | None = None
    day: date | None = None
    problem: FruitVisionError | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What photos are taken of: a face of a stop of a walk.

    `instead_of` : id of a photo of this face that the first new one replaces; its file stays.
    """

    walk: KeptWalk
    stop: Stop
    face: str
    instead_of: str = ""


def take_photos(
    files: Sequence[NamedFile],
    store: Store,
    aim: Aim,
    *,
    on: date,
    wrong_day: date | None = None,
) -> tuple[TakenPhoto, ...]:
    """Keep photos of a face at once, before they are measured; one bad file stops no other.

    A photo that is known stays where it is: of this face, or of another tree. One that says it was
    taken on a day outside the walk is not kept.

    Parameters
    ----------
    on : date
        Today: day of photos that carry none.
    wrong_day : date
        Photos that say that they are of this day are of today: the phone's clock is wrong.
    """
    taken: list[TakenPhoto] = []
    for file in files:
        try:
            one = _take(file, store, aim, on, wrong_day)
        except FruitVisionError as err:
            one = TakenPhoto(name=file.name, outcome=Taken.UNREADABLE, problem=err)
        taken.append(one)
        if one.outcome is Taken.KEPT and one.placed is not None:
            aim = _with_photo(aim, one.placed, store)
    if aim.stop.photos and aim.stop.found is None:
        _keep_found(store, aim.stop.tree, TreeKind.BEARING, aim.stop.photos[0].walked_on)
    return tuple(taken)


def _with_photo(aim: Aim, placed: TreePhoto, store: Store) -> Aim:
    """The stop with its new photo; the one that it replaces is taken off the tree."""
    if aim.instead_of:
        store.take_photo_off(aim.instead_of)
    kept = (photo for photo in aim.stop.photos if photo.photo_id != aim.instead_of)
    return replace(aim, stop=replace(aim.stop, photos=(*kept, placed)), instead_of="")


def _take(file: NamedFile, store: Store, aim: Aim, on: date, wrong_day: date | None) -> TakenPhoto:
    own_day, photo_id = day_and_id_of(file.path)
    # Decoded at a part of its size: what is damaged or cut short is refused before it is kept.
    read_small(file.path, LOOKED_AT_PX)
    before = store.tree_photo(photo_id)
    if before is not None:
        outcome = Taken.KNOWN if before.tree == aim.stop.tree else Taken.OTHER_TREE
        return TakenPhoto(name=file.name, outcome=outcome, placed=before)
    day = on if own_day is None or own_day == wrong_day else own_day
    if not is_of_walk(day, aim.walk):
        return TakenPhoto(name=file.name, outcome=Taken.OTHER_DAY, day=day)
    store.keep_photo(file.path, photo_id)
    places = [
        one.place
        for one in aim.stop.photos
        if one.face == aim.face and one.photo_id != aim.instead_of
    ]
    placed = TreePhoto(
        tree=aim.stop.tree,
        face=aim.face,
        photo_id=photo_id,
        walked_on=day,
        place=max(places, default=0) + 1,
    )
    store.save_tree_photos([placed])
    return TakenPhoto(name=file.name, outcome=Taken.KEPT, placed=placed)


def get_ready(detector_name: str = DEFAULT_DETECTOR) -> None:
    """Load the detector, which takes about a second, before there is a photo for it."""
    # Leaf green: without leaves the network would not run.
    leaves = np.full((64, 64, 3), (40, 120, 30), dtype=np.uint8)
    with suppress(FruitVisionError):
        choose_detector(detector_name).detect(leaves, mm_per_px=None)


def measure_taken(
    store: Store,
    names: Mapping[str, str],
    settings: Settings,
    *,
    together: bool = False,
    detector_name: str = DEFAULT_DETECTOR,
) -> Measured:
    """Measure photos that are kept, by the whole measurement, each stored at once.

    Parameters
    ----------
    names : mapping
        Name of each photo by photo_id.
    together : bool
        Some face has several photos: measure those together too.

    Raises
    ------
    StoreError
        If the farm has no copy of a photo.
    """
    paths = {store.photo_path(photo_id): name for photo_id, name in names.items()}
    measured = measure_photos(
        tuple(paths), store=store, settings=settings, detector_name=detector_name, names=paths
    )
    if not together:
        return measured
    faces = join_kept_faces(store, settings=settings, detector_name=detector_name)
    return with_faces(measured, faces)


def still_to_measure(
    store: Store, walk: KeptWalk, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> tuple[TreePhoto, ...]:
    """Photos of a walk that are kept and not measured yet."""
    ids = _unmeasured(store, walk.plan.block_id, settings, detector_name)
    placed = (store.tree_photo(photo_id) for photo_id in ids)
    return tuple(one for one in placed if one is not None and is_of_walk(one.walked_on, walk))


def photos_waiting(
    store: Store, block_id: str, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> int:
    """How many photos of a block, of any walk, are kept and not measured yet."""
    return len(_unmeasured(store, block_id, settings, detector_name))


def _unmeasured(
    store: Store, block_id: str, settings: Settings, detector_name: str
) -> tuple[str, ...]:
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    return store.unmeasured(block_id, origin)


def measured_of(
    store: Store, stop: Stop, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> dict[str, MeasuredPhoto]:
    """What the photos of a stop gave, put right since, by photo_id; without those that wait."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    found = [store.measured_photo(photo.photo_id, origin) for photo in stop.photos]
    kept = [measured for measured in found if measured is not None]
    put_right = reviewed(kept, store, settings, stop.tree.block_id)
    return {measured.photo.photo_id: measured for measured in put_right}


def capture_check(store: Store, measured: MeasuredPhoto, block: Block) -> CaptureCheck:
    """Whether a measured photo can be used, and what to do if not.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    small = read_small(store.photo_path(measured.photo.photo_id), LOOKED_AT_PX)
    return check_capture(measured, small, tree_spacing_m=block.tree_spacing_m)
