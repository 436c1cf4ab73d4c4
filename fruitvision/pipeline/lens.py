"""Photos of the printed board in, a phone's calibrated lens out, kept in the farm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fruitvision.domain import Doubt, LensCalibration, Photo, ThingKind
from fruitvision.errors import FruitVisionError, LensNotCalibrated
from fruitvision.lens.calibrate import calibrate
from fruitvision.lens.corners import FEWEST_CORNERS, SeenBoard, find_board
from fruitvision.photo import read_photo
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Progress, Refused, quiet
from fruitvision.store import Store

# Sides of a square that can be meant, mm. Our choice: 3 mm on a phone's screen to 200 on a wall.
LEAST_SQUARE_MM, MOST_SQUARE_MM = 3.0, 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A calibrated lens, and photos that were left out with the reason."""

    lens: LensCalibration
    refused: tuple[Refused, ...]


def calibrate_lens(
    paths: Sequence[Path],
    store: Store,
    *,
    square_mm: float,
    made_on: date,
    who: str = "",
    on_progress: Progress = quiet,
) -> Calibrated:
    """Calibrate the lens that took most of these photos of the board, and keep it in the farm.

    It takes the place of an earlier one of the same phone, lens and size. Photos of another phone,
    lens, zoom or size are left out and named.

    Raises
    ------
    LensNotCalibrated
        If the side of a square is impossible, fewer than 8 photos are usable, or they don't tell
        the lens well enough.
    """
    if not LEAST_SQUARE_MM <= square_mm <= MOST_SQUARE_MM:
        raise LensNotCalibrated(
            f"A square of {square_mm:g} mm is impossible.",
            fix=f"Measure one with a rule; give {LEAST_SQUARE_MM:g} to {MOST_SQUARE_MM:g} mm.",
        )
    boards, refused = _boards(paths, on_progress)
    usable, others = _of_one_lens(boards)
    refused += others
    try:
        lens, odd = calibrate(usable, square_mm=square_mm, made_on=made_on)
    except LensNotCalibrated as err:
        raise LensNotCalibrated(_with_reasons(err.what, refused), fix=err.fix) from err
    refused += [
        Refused(
            name=board.photo.name,
            what="The board fits far worse than in the other photos.",
            fix="Hold still, keep the board flat.",
        )
        for board in odd
    ]
    known = any(one.name == lens.name for one in store.lenses())
    store.save_lens(lens)
    told = {"made_on": made_on.isoformat()}
    store.note_change(
        ThingKind.LENS, lens.name, {"made_on": ""} if known else None, told, who=who, at=now_utc()
    )
    return Calibrated(lens=lens, refused=tuple(refused))


def _boards(paths: Sequence[Path], on_progress: Progress) -> tuple[list[SeenBoard], list[Refused]]:
    """What each photo shows of the board, in the order given, each photo once."""
    boards: dict[str, SeenBoard] = {}
    refused: list[Refused] = []
    for done, path in enumerate(paths):
        on_progress(done, len(paths))
        try:
            board = find_board(*read_photo(path))
        except FruitVisionError as err:
            refused.append(Refused(name=path.name, what=err.what, fix=err.fix))
            continue
        if (problem := _problem(board)) is not None:
            refused.append(problem)
        else:
            boards.setdefault(board.photo.photo_id, board)
    on_progress(len(paths), len(paths))
    return list(boards.values()), refused


def _problem(board: SeenBoard) -> Refused | None:
    photo = board.photo
    if not len(board):
        return Refused(
            name=photo.name, what="The board is not in it.", fix="Show at least a third of it."
        )
    if len(board) < FEWEST_CORNERS:
        return Refused(
            name=photo.name,
            what=f"It shows {len(board)} corners of the board only.",
            fix="Go nearer, hold still, avoid shine on the paper.",
        )
    if Doubt.LENS_ZOOMED in photo.doubts:
        return Refused(name=photo.name, what="It was zoomed.", fix="Take it again with zoom at 1.")
    changed = {Doubt.PHOTO_CROPPED, Doubt.PHOTO_RESIZED} & set(photo.doubts)
    if changed:
        return Refused(
            name=photo.name,
            what="It was cropped or made smaller after it was taken.",
            fix="Use the original from the phone.",
        )
    return None


# ---------------------------------------------------------------- one phone


def _of_one_lens(boards: Sequence[SeenBoard]) -> tuple[list[SeenBoard], list[Refused]]:
    """Photos of the lens and size that most have, and the others with the reason."""
    keys = [_key(board) for board in boards]
    if not keys:
        return [], []
    most = max(sorted(set(keys), key=repr), key=keys.count)
    kept = [board for board, key in zip(boards, keys, strict=True) if key == most]
    left_out = [
        _other(board, kept[0]) for board, key in zip(boards, keys, strict=True) if key != most
    ]
    return kept, left_out


def _key(board: SeenBoard) -> tuple[object, ...]:
    photo = board.photo
    return photo.phone, photo.lens, photo.focal_35mm, photo.focal_mm, board.size_px


def _other(board: SeenBoard, usual: SeenBoard) -> Refused:
    """What sets a photo apart from the others, in words."""
    width_px, height_px = board.size_px
    by = usual.photo.lens or "a phone without a name"
    fix = f"Calibrate each lens on its own; most photos here are by {by}."
    if not board.photo.phone and usual.photo.phone:
        what = "It does not name the phone that took it."
        fix = "Copy the originals by cable or card, not through a messenger."
    elif board.photo.phone != usual.photo.phone:
        what = f"It was taken by another phone, {board.photo.phone}."
    elif _key(board)[:-1] != _key(usual)[:-1]:
        what = f"It was taken with another lens{_focal_words(board.photo)}."
    elif board.size_px == usual.size_px[::-1]:
        what = "Nothing in it says which way it was turned to stand upright."
        fix = "Use the original from the phone, or take all with the phone held across."
    else:
        what = f"It has another size, {width_px} × {height_px} px."
    return Refused(name=board.photo.name, what=what, fix=fix)


def _focal_words(photo: Photo) -> str:
    return f" ({photo.focal_35mm:g} mm)" if photo.focal_35mm else ""


def _with_reasons(what: str, refused: Sequence[Refused]) -> str:
    """An error with what was left out before it, each reason once with how often."""
    reasons: dict[str, int] = {}
    for one in refused:
        reasons[one.what] = reasons.get(one.what, 0) + 1
    listed = [
        f"{number} × {reason[0].lower()}{reason[1:].rstrip('.')}"
        for reason, number in reasons.items()
    ]
    return f"{what} Left out: {'; '.join(listed)}." if listed else what
