"""Outlines from elsewhere as edits of photos: out, in and out again; and what is refused by row."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from fruitvision.domain import (
    AddedFruit,
    Correction,
    GroundLine,
    Outline,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.errors import FieldDataError
from fruitvision.outlines_coco_in import drawn_of, read_drawn
from fruitvision.pipeline.outlines import outlines_of
from fruitvision.pipeline.outlines_in import OutlinesPlan, plan_outlines, save_outlines
from fruitvision.pipeline.review import photo_review
from fruitvision.review import PARTLY_SEEN, Reviewed
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests.test_bad_input import run
from tests.test_outlines import CHECKED, DAY, HEIGHT, PHOTO_ID, WIDTH
from tests.test_outlines import store as farm_of_one_photo

Json = dict[str, Any]
store = farm_of_one_photo


def put_right(store: FarmStore, *corrections: Correction) -> None:
    at = datetime(2026, 8, 14, 9, tzinfo=UTC)
    store.save_photo_edits(PHOTO_ID, corrections, made_by="Ana", made_at=at)


def exported(store: FarmStore) -> str:
    return outlines_of(store, Settings(), made_on=DAY, unchecked=True).coco.decode()


def plan(document: object, store: FarmStore, **options: bool) -> OutlinesPlan:
    return plan_outlines(drawn_of(document, "o.json"), store, Settings(), **options)


def reviewed(store: FarmStore) -> Reviewed:
    review = photo_review(PHOTO_ID, store, Settings())
    assert review is not None
    return review.reviewed


@pytest.fixture
def fresh(store: FarmStore, tmp_path: Path) -> Iterator[FarmStore]:
    """The same photo, measured alike on another farm where nobody put it right."""
    store.close()
    shutil.copytree(store.folder, tmp_path / "fresh")
    with open_farm(tmp_path / "fresh") as opened:
        # Numbers of edits run over the whole farm.
        opened.save_photo_edits("0" * 64, [CHECKED], made_by="Paul", made_at=datetime.now(UTC))
        yield opened


# As the page Photos keeps them: the long axis first, from -90° to 90°.
UPRIGHT = Outline(
    centre_x_px=400.0, centre_y_px=420.0, width_px=60.0, height_px=50.0, angle_deg=-90.0
)
WHOLE = AddedFruit(outline=UPRIGHT, visible_share=1.0)
DRAWN = Outline(centre_x_px=212.34, centre_y_px=205.5, width_px=56.7, height_px=44.4, angle_deg=-30)
EDITS: dict[str, tuple[Correction, ...]] = {
    "added": (WHOLE, CHECKED),
    "taken out": (RemovedFruit(x_px=200, y_px=200), CHECKED),
    "redrawn": (ReshapedFruit(x_px=200, y_px=200, outline=DRAWN, visible_share=0.8), CHECKED),
    "to another row": (
        RowOfFruit(x_px=200, y_px=200, on_this_row=False),
        RowOfFruit(x_px=500, y_px=200, on_this_row=True),
        CHECKED,
    ),
    "fallen": (WHOLE, GroundLine(left_y_px=400.0, right_y_px=410.5), CHECKED),
    "all below the ground, one all the same": (
        GroundLine(left_y_px=150.0, right_y_px=150.0),
        RowOfFruit(x_px=300, y_px=200, on_this_row=True),
        CHECKED,
    ),
    "of the row behind, below the ground": (
        GroundLine(left_y_px=150.0, right_y_px=150.0),
        RowOfFruit(x_px=300, y_px=200, on_this_row=False),
    ),
    "beside": (SideLimits(left_x_px=150.0, right_x_px=450.0), CHECKED),
    "taken out and back": (
        RemovedFruit(x_px=200, y_px=200),
        RowOfFruit(x_px=200, y_px=200, on_this_row=True),
        WHOLE,
        RemovedFruit(x_px=400, y_px=420),
    ),
}


@pytest.mark.parametrize("edits", EDITS.values(), ids=EDITS.keys())
def test_out_and_in_on_another_farm_and_out_again_is_the_same_document(
    edits: tuple[Correction, ...], store: FarmStore, fresh: FarmStore
) -> None:
    put_right(store, *edits)
    document = exported(store)
    planned = plan(json.loads(document), fresh)
    assert planned.refused == ()
    save_outlines(planned, fresh, who="Ines")
    if not fresh.photo_edits(PHOTO_ID):
        # What was taken out and put back is as it was found: there is nothing to say of it.
        assert edits == EDITS["taken out and back"]
        return
    assert exported(fresh) == document
    # Who and when.
    assert {one.made_by for one in fresh.photo_edits(PHOTO_ID)} == {"Ines"}
    # In once more changes nothing, here and where it comes from.
    for farm in (store, fresh):
        again = plan(json.loads(document), farm)
        assert (again.photos, again.same) == ((), 1)


# ---------------------------------------------------------------- drawn elsewhere


def elsewhere(*annotations: Json, **image: object) -> Json:
    """A plain COCO document of the photo by its name."""
    return {
        "images": [
            {"id": 4, "file_name": "walk/IMG_7.jpg", "width": WIDTH, "height": HEIGHT, **image}
        ],
        "categories": [{"id": 1, "name": "apple"}, {"id": 2, "name": "leaf"}],
        "annotations": [
            {"id": number, "image_id": 4, "category_id": 1, **one}
            for number, one in enumerate(annotations, start=1)
        ],
    }


def test_boxes_are_counted_and_not_sized_and_what_lacks_is_taken_out(store: FarmStore) -> None:
    over, new = {"bbox": [75.5, 175.5, 50, 50]}, {"bbox": [20.5, 300.5, 40, 60]}
    planned = plan(elsewhere(over, new), store)
    (one,) = planned.photos
    assert (one.count(AddedFruit), one.count(ReshapedFruit), one.count(RemovedFruit)) == (1, 1, 4)
    save_outlines(planned, store, who="Ines")
    now = reviewed(store)
    first, second = now.photo.fruit
    assert first.fruit_id == "f001"
    # Pixels are counted from their middle here, from their corner there.
    assert (second.centre_x_px, second.centre_y_px) == (40.0, 330.0)
    assert (second.width_px, second.height_px, second.angle_deg) == (60, 40, -90)
    assert second.visible_share == PARTLY_SEEN
    assert (second.diameter_mm, second.on_this_row) == (None, True)
    assert now.photo.fruit_count == 2


def test_only_add_leaves_what_the_file_lacks(store: FarmStore) -> None:
    planned = plan(elsewhere({"bbox": [20, 300, 40, 60]}), store, only_add=True)
    (one,) = planned.photos
    assert [type(each) for each in one.corrections] == [AddedFruit]


def test_a_polygon_becomes_its_ellipse(store: FarmStore) -> None:
    polygon = cv2.ellipse2Poly((300, 350), (40, 25), 30, 0, 360, 12).astype(float)
    flat = (polygon + 0.5).ravel().tolist()
    planned = plan(elsewhere({"bbox": [0, 0, 9, 9], "segmentation": [flat]}), store, only_add=True)
    ((added,),) = (one.corrections for one in planned.photos)
    assert isinstance(added, AddedFruit)
    found = added.outline
    assert (found.centre_x_px, found.centre_y_px) == pytest.approx((300, 350), abs=0.5)
    assert (found.width_px, found.height_px) == pytest.approx((80, 50), abs=1)
    assert found.angle_deg == pytest.approx(30, abs=1.5)


def test_what_a_detector_drew_moves_no_outline_that_is_there(store: FarmStore) -> None:
    ellipse = {"fv_ellipse_px": [104.0, 200.0, 60.0, 50.0, 0.0], "fv_by_hand": False}
    assert plan(elsewhere(ellipse), store, only_add=True).photos == ()
    ellipse["fv_by_hand"] = True
    ((one,),) = (each.corrections for each in plan(elsewhere(ellipse), store, only_add=True).photos)
    assert isinstance(one, ReshapedFruit)


# ---------------------------------------------------------------- hostile and broken documents

GOOD = {"bbox": [20, 300, 40, 60]}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"bbox": [20, float("nan"), 40, 60]}, "bbox holds a number that is not finite."),
        ({"bbox": [20, 1, float("inf"), 60]}, "bbox holds a number that is not finite."),
        ({"bbox": [10**400, 1, 2, 60]}, "bbox holds a number that is not finite."),
        ({"bbox": [20, 1, 40]}, "bbox is no list of 4 numbers."),
        ({"bbox": "20 1 40 60"}, "bbox is no list of 4 numbers."),
        ({"bbox": [20, True, 40, 60]}, "bbox holds something else than numbers."),
        ({"bbox": [20, 1, 0, 60]}, "Its outline has no width or no height."),
        ({"bbox": [20, 1, -40, 60]}, "Its outline has no width or no height."),
        ({"bbox": [20, 1, 2, 60]}, "The outline is smaller than 4 px."),
        ({"bbox": [900, 1, 40, 60]}, "The middle of the outline lies outside the photo."),
        ({}, "bbox is no list of 4 numbers."),
        ({**GOOD, "image_id": 5}, "There is no image with the id 5."),
        ({**GOOD, "image_id": None}, "Its image_id is no number and no text."),
        ({**GOOD, "category_id": 9}, "There is no category with the id 9."),
        ({**GOOD, "category_id": 2}, "Its category is no fruit."),
        ({**GOOD, "id": 1}, "Another annotation has the same id."),
        ({**GOOD, "id": [1]}, "Its id is no number and no text."),
        ({**GOOD, "iscrowd": 1}, "It is a crowd, and no single fruit."),
        ({**GOOD, "fv_visible_share": 1.5}, "fv_visible_share is not from 0 to 1."),
        ({**GOOD, "fv_ellipse_px": [1, 2, 3]}, "fv_ellipse_px is no list of 5 numbers."),
        ({"segmentation": [[1, 2, 3, "x", 5, 6, 7, 8, 9, 10]]}, "segmentation holds something"),
        ({"segmentation": [[1, 2] * 5 + [3]]}, "segmentation has an odd number of places."),
    ],
)
def test_a_row_that_makes_no_sense_is_refused_and_the_rest_goes_on(
    wrong: Json, said: str, store: FarmStore
) -> None:
    planned = plan(elsewhere(GOOD, wrong), store, only_add=True)
    assert [one.what for one in planned.refused] == [planned.refused[0].what]
    assert planned.refused[0].what.startswith(said)
    assert "annotation" in planned.refused[0].name
    assert sum(one.count(AddedFruit) for one in planned.photos) == 1


@pytest.mark.parametrize(
    ("image", "said"),
    [
        ({"file_name": "IMG_8.jpg"}, "The farm has no such photo."),
        ({"file_name": "../../etc/passwd"}, "The farm has no such photo."),
        ({"file_name": ""}, "It has no file_name."),
        ({"file_name": 7}, "It has no file_name."),
        ({"width": 1280, "height": 960}, "It has 1280 × 960 px in the document"),
        ({"width": float("nan")}, "width holds a number that is not finite."),
        ({"fv_ground_px": [1]}, "fv_ground_px is no list of 2 numbers."),
        ({"fv_sides_px": [5, 5]}, "There is nothing between the two sides."),
    ],
)
def test_an_image_that_is_not_of_the_farm_or_not_as_it_is_there_is_refused(
    image: Json, said: str, store: FarmStore
) -> None:
    planned = plan(elsewhere(GOOD, **image), store)
    assert planned.photos == ()
    assert [one.what[: len(said)] for one in planned.refused] == [said]


def test_images_twice_are_refused(store: FarmStore) -> None:
    document = elsewhere(GOOD)
    document["images"].append({**document["images"][0], "id": 5})
    planned = plan(document, store, only_add=True)
    assert [one.what for one in planned.refused] == ["The document names it twice."]
    document["images"][1]["id"] = 4
    planned = plan(document, store, only_add=True)
    assert planned.photos == ()
    assert [one.what for one in planned.refused] == [
        "Another image has the same id.",
        "There is no image with the id 4.",
    ]


@pytest.mark.parametrize(
    "content",
    [b"", b"\x89PNG", b"[1, 2]", b'{"images": []}', b"[" * 100_000, b'{"images": 1e5, "annot'],
)
def test_a_file_that_is_no_document_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "o.json").write_bytes(content)
    with pytest.raises(FieldDataError, match=r"no JSON document|no COCO document"):
        read_drawn(tmp_path / "o.json")


def test_a_huge_file_is_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "o.json").write_bytes(b"{}" * 100)
    monkeypatch.setattr("fruitvision.outlines_coco_in.MOST_BYTES", 100)
    with pytest.raises(FieldDataError, match="is larger than"):
        read_drawn(tmp_path / "o.json")
    monkeypatch.setattr("fruitvision.outlines_coco_in.MOST_ROWS", 1)
    with pytest.raises(FieldDataError, match="has 2 rows, more than 1"):
        drawn_of(elsewhere(GOOD), "o.json")


def test_noise_in_any_key_never_breaks_it(store: FarmStore) -> None:
    rng = np.random.default_rng(7)
    odd: list[object] = [None, -1, 1e308, "x", [], {}, True, float("nan"), [1, 2, 3, 4], 10**30]
    whole = json.loads(exported_of(store))
    for _ in range(150):
        document = json.loads(json.dumps(whole))
        for _ in range(3):
            rows = document[("images", "annotations", "categories")[rng.integers(3)]]
            row = rows[rng.integers(len(rows))]
            key = list(row)[rng.integers(len(row))]
            row[key] = odd[rng.integers(len(odd))]
        found = plan(document, store)
        assert len(found.photos) + found.same <= 1


def exported_of(store: FarmStore) -> str:
    put_right(store, WHOLE, CHECKED)
    return exported(store)


def test_the_command_shows_first_and_changes_with_yes(store: FarmStore, tmp_path: Path) -> None:
    document = tmp_path / "o.json"
    document.write_text(json.dumps(elsewhere(GOOD, {"bbox": [1]})))
    command = ("outlines", "import", str(document), "--farm", str(store.folder), "--by", "Ines")
    status, text = run(*command)
    assert status == 2
    assert "IMG_7.jpg: 1 added, 5 taken out" in text
    assert "annotation 2: bbox is no list of 4 numbers." in text
    assert "add --yes" in text
    assert store.photo_edits(PHOTO_ID) == ()
    status, text = run(*command, "--yes")
    assert status == 1
    assert "6 edits are kept" in text
    assert {one.made_by for one in store.photo_edits(PHOTO_ID)} == {"Ines"}
    assert reviewed(store).photo.fruit_count == 1
    status, text = run(*command, "--yes")
    assert "0 photos would change, 1 are as the file has them." in text
    assert len(store.photo_edits(PHOTO_ID)) == 6
