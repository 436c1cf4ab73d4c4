"""How far a walk has come: what its stops have got, which one is next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from fruitvision.domain import (
    HandCount,
    KeptWalk,
    PlannedPlace,
    TreeId,
    TreeKind,
    TreePhoto,
    VisitedPlace,
)
from fruitvision.tree import WALK_DAYS
from fruitvision.walk_data import FACES

# Fruit on one tree beyond which a count is asked about again. Our choice: several times what trees
# of modern orchards carry, more than most old ones do.
MOST_ON_A_TREE = 2000
# A tree's count is asked about where it is so many times what is to be expected of its photos, or
# so small a part of it, and differs by so many fruit. Our choice: the ratio of count to photos
# scatters by a quarter between the trees of a block (common practice), and lies between a half and
# three where the block has not told it.
ODD_TIMES, ODD_TIMES_UNTOLD, ODD_FRUIT = 1.75, 3.0, 40
# And where it is so small a part of what its fuller face alone shows, by so many fruit. Our choice:
# about three standard errors of the built-in detector.
ODD_OF_FACE, ODD_FACE_FRUIT = 0.75, 10
# A tree without photos bears no more than so many times what is usual. Our choice.
ODD_TIMES_OTHERS = 4.0

# Kinds of place at which there is nothing to photograph: a pollinizer bears another crop.
NOTHING_TO_SEE = (TreeKind.MISSING, TreeKind.POLLINIZER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One stop of a walk and what it has got so far.

    `number` : from 1, in the order of the way. `found` : what stands there, None while nobody said
    it. `counted` : its hand count in this walk.
    """

    number: int
    place: PlannedPlace
    photos: tuple[TreePhoto, ...] = ()
    found: TreeKind | None = None
    counted: HandCount | None = None

    @property
    def tree(self) -> TreeId:
        """The place in the block."""
        return self.place.tree

    @property
    def faces_missing(self) -> tuple[str, ...]:
        """Faces without a photo."""
        seen = {photo.face for photo in self.photos}
        return tuple(face for face in FACES if face not in seen)

    @property
    def nothing_to_see(self) -> bool:
        """Whether no tree of the block's own stands there."""
        return self.found in NOTHING_TO_SEE

    @property
    def gap_to_check(self) -> bool:
        """Whether the register lists a gap there, and nobody has said yet what really stands."""
        listed = self.place.kind is TreeKind.MISSING
        return listed and self.found is None and not self.photos

    @property
    def count_first(self) -> bool:
        """Whether a hand count is still to come: until then nobody may see the photos' count."""
        return self.place.count_by_hand and self.counted is None and not self.nothing_to_see

    @property
    def done(self) -> bool:
        """Whether nothing is left to do there."""
        return self.nothing_to_see or not (self.faces_missing or self.count_first)


def is_of_walk(day: date, walk: KeptWalk) -> bool:
    """Whether what was done on that day belongs to the walk."""
    return walk.drawn_on <= day < walk.drawn_on + timedelta(days=WALK_DAYS)


def first_day(on: date) -> date:
    """The earliest day on which a walk was drawn that is still under way on a day."""
    return on - timedelta(days=WALK_DAYS - 1)


def stops_of(
    walk: KeptWalk,
    *,
    photos: Sequence[TreePhoto],
    visited: Sequence[VisitedPlace],
    counts: Sequence[HandCount],
) -> tuple[Stop, ...]:
    """The stops of a walk with what the farm has of them; what is of other days is passed over.

    Parameters
    ----------
    photos, visited, counts : sequences
        All of the block.
    """
    of_tree: dict[TreeId, list[TreePhoto]] = {}
    for photo in photos:
        if is_of_walk(photo.walked_on, walk):
            of_tree.setdefault(photo.tree, []).append(photo)
    found = {
        place.tree: place.found
        for place in sorted(visited, key=lambda place: place.visited_on)
        if is_of_walk(place.visited_on, walk)
    }
    counted = {
        count.tree: count
        for count in sorted(counts, key=lambda count: count.counted_on)
        if is_of_walk(count.counted_on, walk)
    }
    return tuple(
        Stop(
            number=number,
            place=place,
            photos=tuple(
                sorted(of_tree.get(place.tree, ()), key=lambda photo: (photo.face, photo.place))
            ),
            found=found.get(place.tree),
            counted=counted.get(place.tree),
        )
        for number, place in enumerate(walk.plan.places, start=1)
    )


def is_odd_count(
    fruit_count: int,
    faces: Sequence[int] = (),
    *,
    usual_factor: float | None = None,
    usual_seen: float | None = None,
) -> bool:
    """Whether a tree's hand count looks like a slip of the finger.

    Parameters
    ----------
    faces : sequence of int
        Fruit seen in the first photo of each of its faces; as many as are known.
    usual_factor : float or None
        Hand count for each fruit of both faces on the other trees of the block; None if unknown.
    usual_seen : float or None
        Fruit of both faces of a usual tree of the block, for a tree without photos.
    """
    if fruit_count > MOST_ON_A_TREE:
        return True
    factor = usual_factor or 1.0
    if not faces:
        likely = factor * (usual_seen or 0.0)
        return (
            likely > 0
            and fruit_count - likely >= ODD_FRUIT
            and (fruit_count > ODD_TIMES_OTHERS * likely)
        )
    most = max(faces)
    if fruit_count < ODD_OF_FACE * most and most - fruit_count >= ODD_FACE_FRUIT:
        return True
    both = len(faces) > 1
    # The other side of a tree is taken to bear what this one does.
    likely = factor * (sum(faces) if both else 2 * most)
    times = ODD_TIMES if both and usual_factor else ODD_TIMES_UNTOLD
    far = not likely / times <= fruit_count <= times * likely
    return far and abs(fruit_count - likely) >= ODD_FRUIT


def next_stop(stops: Sequence[Stop], after: TreeId | None = None) -> Stop | None:
    """The first stop that is not done: behind a tree on the way, else from the start; None if all
    are done."""
    start = next((stop.number for stop in stops if stop.tree == after), 0)
    return next((stop for stop in (*stops[start:], *stops[:start]) if not stop.done), None)


def without_count(walk: KeptWalk, tree: TreeId) -> KeptWalk:
    """The walk with a tree that is not counted by hand after all."""
    return _with_wish(walk, tree, count_by_hand=False)


def with_count(walk: KeptWalk, tree: TreeId) -> KeptWalk:
    """The walk with a tree that is to be counted by hand."""
    return _with_wish(walk, tree, count_by_hand=True)


def _with_wish(walk: KeptWalk, tree: TreeId, *, count_by_hand: bool) -> KeptWalk:
    return _with_places(
        walk,
        (
            replace(place, count_by_hand=count_by_hand) if place.tree == tree else place
            for place in walk.plan.places
        ),
    )


def with_counts(walk: KeptWalk, stops: Sequence[Stop], more: int) -> KeptWalk:
    """The walk with so many more of its trees to be counted by hand, spread evenly over the way."""
    open_ones = [
        stop.tree
        for stop in stops
        if not stop.place.count_by_hand and stop.counted is None and not stop.nothing_to_see
    ]
    wanted = min(more, len(open_ones))
    chosen = {open_ones[int((n + 0.5) * len(open_ones) / wanted)] for n in range(wanted)}
    return _with_places(
        walk,
        (
            replace(place, count_by_hand=place.count_by_hand or place.tree in chosen)
            for place in walk.plan.places
        ),
    )


def with_more(walk: KeptWalk, places: Sequence[PlannedPlace]) -> KeptWalk:
    """The walk with a second way through the block behind the first."""
    known = {place.tree for place in walk.plan.places}
    new = (place for place in places if place.tree not in known)
    return _with_places(walk, (*walk.plan.places, *new))


def _with_places(walk: KeptWalk, places: Iterable[PlannedPlace]) -> KeptWalk:
    return replace(walk, plan=replace(walk.plan, places=tuple(places)))
