"""Photos that people put right, as lines among the latest changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from app.review.edits import correction_words
from app.wording import say
from fruitvision.domain import PhotoEdit
from fruitvision.store import FarmStore


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeLine:
    """One change in words: when (UTC), by whom (empty if nobody wrote a name), what."""

    at: datetime
    who: str
    what: str


def photo_lines(store: FarmStore, most: int) -> list[ChangeLine]:
    """So many edits of photos, the latest ones; one that was undone has a line for that too."""
    lines: list[ChangeLine] = []
    for edit in store.latest_photo_edits(most):
        what = f"{_photo_words(edit, store)}: {correction_words(edit.correction)}"
        lines.append(ChangeLine(at=edit.made_at, who=edit.made_by, what=what))
        if edit.undone_at is not None:
            undone = say("work.edit_undone", what=what)
            lines.append(ChangeLine(at=edit.undone_at, who=edit.undone_by or "", what=undone))
    return lines


def _photo_words(edit: PhotoEdit, store: FarmStore) -> str:
    placed = store.tree_photo(edit.photo_id)
    if placed is None:
        return say("work.a_photo")
    return say(
        "work.the_photo",
        block=placed.tree.block_id,
        row=str(placed.tree.row),
        position=str(placed.tree.position),
        face=placed.face,
        day=placed.walked_on,
    )
