"""The picture that photos are looked at and put right in: what it shows, and what it gives back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import isfinite
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit import runtime

from app import session
from app.review.place import place_words
from app.wording import number, say
from fruitvision.domain import (
    AddedFruit,
    Ball,
    Correction,
    Fruit,
    GroundLine,
    MeasuredPhoto,
    Photo,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
)
from fruitvision.errors import FieldDataError
from fruitvision.overlay import small_jpeg
from fruitvision.photo import read_small
from fruitvision.review import PARTLY_SEEN, Reviewed, drawn_outline, drawn_sides
from fruitvision.unit_system import Unit

# Long side of the picture, px. Our choice: twice a laptop's window, some 500 kB.
PICTURE_PX = 1600
# Pictures kept in memory. Our choice: both faces of some ten trees.
PICTURES_KEPT = 20
# Signs in the picture and the text of each, in this order; only those are explained that are there.
SIGNS = {"counted": "┄", "behind": "●", "fallen": "▼", "beside": "■", "hand": "◆", "out": "✕"}
# Words that the picture says by itself, by their names among the texts.
WORDS = (
    "picture", "nearer", "farther", "whole", "saving", "look", "not_fruit", "wrong_outline",
    "not_this_row", "this_row", "is_fruit", "leave", "missing", "ground", "sides", "reference",
    "draw_add", "draw_reference", "adjust_add", "adjust_shape", "adjust_ground", "adjust_sides",
    "adjust_reference", "keep_whole", "keep_partly", "keep_ground", "keep_sides",
    "keep_reference", "longer", "shorter", "thicker", "thinner", "turn", "cancel", "stretch",
    "ground_left", "ground_right", "side_left", "side_right",
)  # fmt: skip

# Of these there is another text for who may only look.
ONLY_LOOKED_AT = ("picture", "look")

Json = dict[str, Any]
Box = tuple[float, float, float, float]

_HERE = Path(__file__).parent
_editor = st.components.v2.component(
    "fruitvision_photo",
    html='<div class="sheet"></div>',
    css=(_HERE / "editor.css").read_text(encoding="utf-8"),
    js=(_HERE / "editor.js").read_text(encoding="utf-8"),
)


def photo_editor(
    reviewed: Reviewed, key: str, *, answered: int, on_edit: Callable[[], None]
) -> None:
    """The picture with all that was found in it; `on_edit` is called after each correction.

    The correction then stands in the session state, see `last_edit`. `answered` : how many came
    back in this visit so far; the picture waits until it hears of one more.

    Raises
    ------
    StoreError, PhotoUnreadable
        If the farm's copy of the photo is missing or damaged.
    """
    data = editor_data(reviewed, session.units().diameter, may_change=session.may_change())
    data["answered"] = answered
    data["picture"] = _address(_jpeg(reviewed.photo.photo.photo_id), key)
    _editor(key=key, data=data, on_edit_change=on_edit)


def last_edit(key: str) -> Json:
    """What came back from the picture in this run."""
    edit = st.session_state[key].get("edit")
    return dict(edit) if isinstance(edit, Mapping) else {}


@st.cache_data(show_spinner=False, max_entries=PICTURES_KEPT)
def _jpeg(photo_id: str) -> bytes:
    image = read_small(session.farm().photo_path(photo_id), PICTURE_PX)
    return small_jpeg(image, PICTURE_PX)


def _address(jpeg: bytes, name: str) -> str:
    """Where this app serves a picture: it goes over once, not again with every correction."""
    served = runtime.get_instance().media_file_mgr.add(jpeg, "image/jpeg", name)
    base = str(st.get_option("server.baseUrlPath") or "").strip("/")
    return f"/{base}{served}" if base else served


# ---------------------------------------------------------------- what it shows


def editor_data(reviewed: Reviewed, unit: Unit, *, may_change: bool = True) -> Json:
    """All that the picture shows, in px of the photo, but its own address.

    `may_change` : whether the visitor may put anything right; else it is there to be looked at.
    """
    measured = reviewed.photo
    fruit = [_fruit(one, reviewed, unit) for one in (*measured.fruit, *reviewed.removed)]
    ground, sides = reviewed.ground, reviewed.sides
    there = {one["kind"] for one in fruit}
    there |= {"hand"} if any(one["hand"] for one in fruit) else set()
    return {
        "photo": measured.photo.photo_id,
        "width": measured.photo.width_px,
        "height": measured.photo.height_px,
        "fruit": fruit,
        "ground": None if ground is None else [ground.left_y_px, ground.right_y_px],
        "sides": None if sides is None else [sides.left_x_px, sides.right_x_px],
        "marks": _marks(measured),
        "legend": [
            [sign, say(f"review.sign_{kind}")] for kind, sign in SIGNS.items() if kind in there
        ],
        "words": {name: say(f"review.{name}") for name in WORDS}
        | ({} if may_change else {name: say(f"review.{name}_only") for name in ONLY_LOOKED_AT}),
        "may_change": may_change,
    }


def kind_of(fruit: Fruit, reviewed: Reviewed) -> str:
    """How a fruit is shown: sized, counted, behind, fallen, beside or out."""
    if fruit in reviewed.removed:
        return "out"
    if fruit.fruit_id in reviewed.fallen:
        return "fallen"
    if fruit.fruit_id in reviewed.beside:
        return "beside"
    if not fruit.on_this_row:
        return "behind"
    return "counted" if fruit.diameter_mm is None else "sized"


def fruit_words(fruit: Fruit, reviewed: Reviewed, unit: Unit) -> str:
    """A fruit in one sentence: where it is in the photo, its size, where it hangs."""
    kind = kind_of(fruit, reviewed)
    at = place_words(fruit.centre_x_px, fruit.centre_y_px, reviewed.photo.photo)
    name = at[:1].upper() + at[1:]
    if kind == "out" or fruit.diameter_mm is None or fruit.diameter_error_mm is None:
        return say(f"review.fruit_{kind}", name=name)
    digits = unit.decimals(0)
    size, error = (
        number(unit.shown(mm), digits) for mm in (fruit.diameter_mm, fruit.diameter_error_mm)
    )
    return say("review.fruit_sized", name=name, size=f"{size} ± {error} {unit.symbol}")


def _fruit(fruit: Fruit, reviewed: Reviewed, unit: Unit) -> Json:
    label = ""
    if fruit.diameter_mm is not None:
        label = number(unit.shown(fruit.diameter_mm), unit.decimals(0))
    return {
        "id": fruit.fruit_id,
        "x": fruit.centre_x_px,
        "y": fruit.centre_y_px,
        "w": fruit.width_px,
        "h": fruit.height_px,
        "a": fruit.angle_deg,
        "kind": kind_of(fruit, reviewed),
        "row": fruit.on_this_row,
        "hand": fruit.fruit_id in reviewed.drawn,
        "label": label,
        "words": fruit_words(fruit, reviewed, unit),
    }


def _marks(measured: MeasuredPhoto) -> list[list[list[float]]]:
    """Corners of the markers, and of the boxes around the balls."""
    return [
        *([list(corner) for corner in one.corners_px] for one in measured.references),
        *(_box_of(ball) for ball in measured.balls),
    ]


def _box_of(ball: Ball) -> list[list[float]]:
    x, y, half = ball.centre_x_px, ball.centre_y_px, max(ball.width_px, ball.height_px) / 2
    return [[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]]


# ---------------------------------------------------------------- what it gives back


def correction_of(edit: Mapping[str, Any], photo: Photo) -> Correction:
    """The correction behind what came back from the picture.

    Raises
    ------
    FieldDataError
        If it is none, belongs to another photo, or can't be.
    """
    if edit.get("photo") != photo.photo_id:
        raise _odd()
    what = edit.get("what")
    if what in ("add", "shape"):
        drawn = edit.get("outline")
        if not isinstance(drawn, Mapping):
            raise _odd()
        outline = drawn_outline(photo, *_numbers(drawn, "x", "y", "w", "h", "a"))
        share = 1.0 if drawn.get("whole") is True else PARTLY_SEEN
        if what == "add":
            return AddedFruit(outline=outline, visible_share=share)
        x, y = _numbers(edit, "x", "y")
        return ReshapedFruit(x_px=x, y_px=y, outline=outline, visible_share=share)
    if what == "sides":
        return drawn_sides(*_numbers(edit, "left", "right"))
    if what == "ground":
        left, right = _numbers(edit, "left", "right")
        return GroundLine(left_y_px=left, right_y_px=right)
    x, y = _numbers(edit, "x", "y")
    if what == "remove":
        return RemovedFruit(x_px=x, y_px=y)
    if what == "row":
        return RowOfFruit(x_px=x, y_px=y, on_this_row=edit.get("on") is True)
    raise _odd()


def pointed_box(edit: Mapping[str, Any]) -> Box | None:
    """Left, top, right and bottom of the box around a ball or sheet, px; None for anything else."""
    box = edit.get("box")
    if edit.get("what") != "reference" or not isinstance(box, list) or len(box) != 4:
        return None
    x0, y0, x1, y1 = _numbers(dict(zip("abcd", box, strict=True)), *"abcd")
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _numbers(fields: Mapping[str, Any], *names: str) -> list[float]:
    found = [fields.get(name) for name in names]
    numbers = [float(one) for one in found if isinstance(one, int | float)]
    if len(numbers) < len(names) or not all(map(isfinite, numbers)):
        raise _odd()
    return numbers


def _odd() -> FieldDataError:
    return FieldDataError(say("review.odd"), fix=say("review.odd_fix"))
