"""Photos of one tree face that were taken from places a step apart, measured together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from fruitvision.domain import Doubt, MeasuredPhoto, Reference, merge_doubts
from fruitvision.scale import UNUSABLE
from fruitvision.settings import Settings
from fruitvision.views.pair import JoinedPair, join_pair
from fruitvision.views.pose import Floats
from fruitvision.views.sizes import sized_together
from fruitvision.views.still import share_unmoved
from fruitvision.views.tracks import Tracks, join_tracks, parallax, step_mm
from fruitvision.views.view import View, view_of

# Photos of a pair are taken on one day, or before and after midnight: fruit grow half a millimetre
# a day, and limbs sink under them.
MOST_DAYS_APART = 1
# Two photos show one tree face if so many fruit, and this share of those of the photo with fewer,
# are found in both. Of 108 rendered pairs of different trees none reached 9 fruit or 0.30, of 36 of
# one face none was below 0.52.
FEWEST_SHARED = 4
LEAST_SHARED = 0.4
# Squared standardised misfit of the marker's eight corners beyond which it was moved between the
# photos, or the cameras are guessed wrong: usual fits have under 20. Our choice.
MOST_CORNER_MISFIT = 80.0
# Least step as a share of the marker's distance, 70 mm at 2.3 m: below it depths are no better
# known than by the marker alone.
LEAST_STEP_SHARE = 0.03
# A step that leads straight ahead, this share of it along the axis or more, may be a picture that
# was enlarged: then all fruit seem to hang equally deep, and their depths spread by no more than
# their errors, 1 on average; our limit lies well above.
STRAIGHT_AHEAD = 0.8
LEAST_PARALLAX = 3.0
# Share of the fruit that stand where a turn or zoom alone would put them: no step was taken.
MOST_UNMOVED = 0.6

_STEP_ASIDE = "Take the second photo 30 to 50 cm to the side of the first, the phone turned little."


@dataclass(frozen=True, slots=True, kw_only=True)
class NotJoined:
    """Photos that could not be measured together, and why; each is measured by itself."""

    names: tuple[str, ...]
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{' and '.join(self.names)}: {self.what} {self.fix}"


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedFace:
    """The photos of a face, in the order given, with what they tell together.

    `joined` : names of the photos that were measured together (see `names_apart`), none if none
    were; `shared` : fruit seen in two of them or more; `distinct` : fruit of this row in these
    photos, each once; `step_mm` : between the first two of them.
    """

    photos: tuple[MeasuredPhoto, ...]
    joined: tuple[str, ...] = ()
    shared: int = 0
    distinct: int = 0
    step_mm: float = 0.0
    not_joined: tuple[NotJoined, ...] = ()


def join_face(photos: Sequence[MeasuredPhoto], settings: Settings) -> JoinedFace:
    """Fruit of all photos of a face, those seen from two places with their own distance.

    Parameters
    ----------
    photos : sequence of MeasuredPhoto
        Each measured by itself; the order says in which photo a shared fruit is counted.
    settings : Settings
        Spread of the canopy where the fruit do not tell it.

    Returns
    -------
    JoinedFace
        Photos that do not fit together are as they were, with the doubt VIEWS_NOT_JOINED and the
        reason among their remarks.
    """
    problems: dict[tuple[int, ...], NotJoined] = {}
    names = names_apart(photos)
    views = _views(photos, names, problems)
    pairs: dict[tuple[int, int], JoinedPair] = {}
    for one, other in combinations(sorted(views), 2):
        found = _join_two(
            (photos[one], photos[other]), (views[one], views[other]), (names[one], names[other])
        )
        if isinstance(found, NotJoined):
            problems[one, other] = found
        else:
            pairs[one, other] = found
    if not pairs:
        return _alone(photos, names, tuple(problems.values()))
    tracks = join_tracks(views, pairs)
    left = tuple(problem for key, problem in problems.items() if not set(key) <= set(tracks.views))
    sized = sized_together(photos, views, tracks, settings)
    return _together(sized, names, tracks, left)


def names_apart(photos: Sequence[MeasuredPhoto]) -> tuple[str, ...]:
    """Names of photos; those of one name with their day, and of one day too with their number."""
    names = [photo.photo.name for photo in photos]
    of_day = [
        f"{name} ({photo.photo.taken_at:%Y-%m-%d})"
        if photo.photo.taken_at and names.count(name) > 1
        else name
        for name, photo in zip(names, photos, strict=True)
    ]
    return tuple(
        f"{name} ({number})" if of_day.count(name) > 1 else name
        for number, name in enumerate(of_day, start=1)
    )


def _alone(
    photos: Sequence[MeasuredPhoto], names: Sequence[str], problems: tuple[NotJoined, ...]
) -> JoinedFace:
    return JoinedFace(photos=_with_reasons(photos, names, (), problems), not_joined=problems)


def _together(
    photos: Sequence[MeasuredPhoto],
    names: Sequence[str],
    tracks: Tracks,
    problems: tuple[NotJoined, ...],
) -> JoinedFace:
    joined = tuple(names[number] for number in tracks.views)
    return JoinedFace(
        photos=_with_reasons(photos, names, joined, problems),
        joined=joined,
        shared=tracks.sightings.fruit_count,
        distinct=sum(
            fruit.on_this_row and fruit.same_as is None
            for number in tracks.views
            for fruit in photos[number].fruit
        ),
        step_mm=step_mm(*tracks.bundle.poses[:2]),
        not_joined=problems,
    )


def _with_reasons(
    photos: Sequence[MeasuredPhoto],
    names: Sequence[str],
    joined: tuple[str, ...],
    problems: Sequence[NotJoined],
) -> tuple[MeasuredPhoto, ...]:
    """Photos that were not joined with the doubt and the reasons.

    A photo that fails for none of its own has the reasons of the others: it was left alone.
    """
    return tuple(
        photo
        if name in joined
        else replace(
            photo,
            doubts=merge_doubts(photo.doubts, (Doubt.VIEWS_NOT_JOINED,)),
            remarks=(
                *photo.remarks,
                *map(str, _reasons_of(name, problems)),
            ),
        )
        for name, photo in zip(names, photos, strict=True)
    )


def _reasons_of(name: str, problems: Sequence[NotJoined]) -> Sequence[NotJoined]:
    return [one for one in problems if name in one.names] or problems


# ---------------------------------------------------------------- which photos can be joined


def _views(
    photos: Sequence[MeasuredPhoto],
    names: Sequence[str],
    problems: dict[tuple[int, ...], NotJoined],
) -> dict[int, View]:
    """Geometry of the photos that show the common marker by a known lens, by their number."""
    markers = {number: _markers(photo) for number, photo in enumerate(photos)}
    common = _common_marker(markers)
    views: dict[int, View] = {}
    for number, photo in enumerate(photos):
        problem = _unfit(photo, names[number], markers[number], common)
        camera = photo.photo.camera
        if problem is not None or camera is None or common is None:
            problems[number,] = problem or _no_marker(names[number])
        else:
            views[number] = view_of(photo, camera, markers[number][common])
    return views


def _markers(photo: MeasuredPhoto) -> dict[int, Reference]:
    """Usable markers by their number; a number that hangs twice tells nothing."""
    usable = [one for one in photo.references if not set(one.doubts) & set(UNUSABLE)]
    numbers = [one.marker_id for one in usable]
    return {one.marker_id: one for one in usable if numbers.count(one.marker_id) == 1}


def _common_marker(markers: Mapping[int, Mapping[int, Reference]]) -> int | None:
    """The marker in most photos, the largest of those."""
    found = [one for of in markers.values() for one in of.values()]
    worth = {
        number: (len(of), max(one.side_px for one in of))
        for number in {one.marker_id for one in found}
        if (of := [one for one in found if one.marker_id == number])
    }
    return max(worth, key=lambda number: (worth[number], number), default=None)


def _unfit(
    photo: MeasuredPhoto, name: str, markers: Mapping[int, Reference], common: int | None
) -> NotJoined | None:
    if photo.photo.camera is None:
        return NotJoined(
            names=(name,),
            what="Its lens is unknown, so it can't be measured together with another photo.",
            fix="Use the file as the phone wrote it, or calibrate the phone: fruitvision lens.",
        )
    if not markers or common is None:
        return _no_marker(name)
    if common not in markers:
        numbers = ", ".join(map(str, sorted(markers)))
        return NotJoined(
            names=(name,),
            what=f"It shows marker {numbers}, the other photos marker {common}.",
            fix="Both photos of a face must show the same sheet, which stays where it hangs.",
        )
    return None


def _no_marker(name: str) -> NotJoined:
    return NotJoined(
        names=(name,),
        what="It shows no usable marker, so it can't be measured together with another photo.",
        fix="Hang the marker so that it is seen whole from both places.",
    )


# ---------------------------------------------------------------- two photos


def _join_two(
    photos: tuple[MeasuredPhoto, MeasuredPhoto], views: tuple[View, View], names: tuple[str, str]
) -> JoinedPair | NotJoined:
    if photos[0].photo.photo_id == photos[1].photo.photo_id:
        return NotJoined(names=names, what="They are one and the same photo.", fix=_STEP_ASIDE)
    days = _days_apart(*photos)
    if days > MOST_DAYS_APART:
        return NotJoined(
            names=names,
            what=f"They were taken {days} days apart.",
            fix="Take both on one day: fruit grow, and limbs sink under them.",
        )
    found = join_pair(*views)
    fewer = min(len(view.shares) for view in views)
    if found is not None and _is_one_face(found, fewer):
        return _with_a_step(found, views, names)
    if share_unmoved(*views) >= MOST_UNMOVED:
        return _no_step(names)
    return NotJoined(
        names=names,
        what=f"Their fruit do not fit together ({0 if found is None else len(found.pairs)} of "
        f"{fewer} agree): they may show two trees, two faces, or a marker that was moved.",
        fix="Check which tree and face each photo shows.",
    )


def _with_a_step(
    found: JoinedPair, views: tuple[View, View], names: tuple[str, str]
) -> JoinedPair | NotJoined:
    """The pair, or why its step tells no distances."""
    step = step_mm(*found.bundle.poses)
    if step < LEAST_STEP_SHARE * float(found.bundle.poses[0].place[2]):
        return _no_step(names, f" of {step:.0f} mm")
    ahead = abs(float(found.bundle.poses[0].turn[2] @ _step(found))) / max(step, 1.0)
    if ahead > STRAIGHT_AHEAD:
        tracks = join_tracks(dict(enumerate(views)), {(0, 1): found})
        if parallax(tracks) < LEAST_PARALLAX:
            return _no_step(names)
    return found


def _step(found: JoinedPair) -> Floats:
    """From the first camera to the second, in the marker's frame, mm."""
    first, second = found.bundle.poses
    return second.camera_mm - first.camera_mm


def _is_one_face(found: JoinedPair, fewer: int) -> bool:
    shared = len(found.pairs)
    return (
        shared >= FEWEST_SHARED
        and shared >= LEAST_SHARED * fewer
        and found.bundle.corner_misfit <= MOST_CORNER_MISFIT
    )


def _no_step(names: tuple[str, str], step: str = "") -> NotJoined:
    return NotJoined(
        names=names,
        what=f"They were taken from nearly the same place: the step{step} is too short to tell "
        "distances.",
        fix=_STEP_ASIDE,
    )


def _days_apart(first: MeasuredPhoto, second: MeasuredPhoto) -> int:
    """Days between two photos; 0 if one carries no date."""
    one, other = first.photo.taken_at, second.photo.taken_at
    return 0 if one is None or other is None else abs((one.date() - other.date()).days)
