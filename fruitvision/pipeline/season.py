"""A season taken off a farm for good.

What goes: photos of its walks and those sent in it that show no tree, what was measured in them,
their edits, thumbnails, references and calipered fruit; hand counts, caliper readings, places
visited, walks that were drawn, jobs; entries of the record of changes about its counts, calipers,
places and photos; results that were kept to be quick. What stays: blocks, register, plans, weighed
fruit, tickets and lots of the packing house, orders, and forecasts, since others were told their
numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitvision.errors import FieldDataError, StoreError
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.kept import FOLDER as KEPT_FOLDER
from fruitvision.pipeline.kept import forget_memory
from fruitvision.pipeline.pictures import THUMBNAILS
from fruitvision.store import FarmStore
from fruitvision.store.photos import PHOTOS_NAME
from fruitvision.store.season_off import SeasonHolds

# Years that are believed, so that a slip of the hand is said. Our choice.
FIRST_YEAR, LAST_YEAR = 1990, 2100
# A season is no longer than this, days: a year, and a month of work before or after it. Our choice.
LONGEST_DAYS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenSeason:
    """What came of it. `traceless` : false where somebody else held the database open, so that
    traces stay in its journal until they close it, or in a server's tables until those are written
    anew. `files` : photo files that went."""

    holds: SeasonHolds
    files: int
    traceless: bool


def season_days(year: int) -> tuple[date, date]:
    """First and last day of a season where nobody names others: the calendar year.

    Raises
    ------
    FieldDataError
        If it is no year.
    """
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise FieldDataError(f"{year} is no season.", fix="Give its year, such as 2026.")
    return date(year, 1, 1), date(year, 12, 31)


def season_holds(store: FarmStore, first: date, last: date) -> SeasonHolds:
    """What would go.

    Raises
    ------
    FieldDataError
        If there is nothing of the season, its last day is before its first, or it is longer than
        `LONGEST_DAYS`.
    """
    if last < first:
        raise FieldDataError(
            f"The season ends on {last}, before it begins on {first}.", fix="Correct its days."
        )
    if (last - first).days >= LONGEST_DAYS:
        raise FieldDataError(
            f"From {first} to {last} is more than one season.",
            fix="Name its first and last day; delete several seasons one by one.",
        )
    found = store.season_holds(first, last)
    if found.is_empty:
        raise FieldDataError(
            f"The farm holds nothing from {first} to {last}: never did, or it is deleted already.",
            fix="Check the days, and under who changed what whether somebody deleted it.",
        )
    return found


def take_season_off(
    store: FarmStore, first: date, last: date, *, expected: SeasonHolds, about: str, who: str
) -> TakenSeason:
    """Take a season off for good: rows and files, written over and not only forgotten.

    Parameters
    ----------
    expected : SeasonHolds
        What the person was told that would go.
    about : str
        Name of the season in the record of changes.

    Raises
    ------
    FieldDataError
        If photos are being measured.
    StoreError
        If it holds something else by now, or a file can't be taken away. All rows stay then, and it
        can be done again.
    """
    if store.jobs(only_open=True, most=1):
        raise FieldDataError(
            "Photos are being measured.", fix="Delete the season when they are done."
        )
    gone: list[str] = []

    def take_files(photo_ids: frozenset[str]) -> None:
        try:
            gone.extend(_unlinked(store, photo_ids))
        except OSError as err:
            raise StoreError(
                f"Can't delete {err.filename}: {err.strerror}.",
                fix="Close what has it open and do it again; all numbers are still there.",
            ) from err

    traceless = store.take_season_off(
        first,
        last,
        expected=expected,
        about=about,
        who=who,
        at=now_utc(),
        take_files=take_files,
    )
    forget_memory()
    return TakenSeason(holds=expected, files=len(gone), traceless=traceless)


def _unlinked(store: FarmStore, photo_ids: frozenset[str]) -> list[str]:
    """Names of the photo files that are gone now; what is rebuilt of them goes as well."""
    for kept in (store.folder / KEPT_FOLDER).glob("*.json"):
        kept.unlink(missing_ok=True)
    gone = []
    for folder, is_photo in ((THUMBNAILS, False), (PHOTOS_NAME, True)):
        for path in (store.folder / folder).glob("*"):
            if path.name.partition(".")[0] in photo_ids:
                path.unlink(missing_ok=True)
                gone += [path.name] if is_photo else []
    return gone
