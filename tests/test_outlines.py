"""What people put right as training data, read by an independent library and by ours."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256
from math import pi
from pathlib import Path

import cv2
import numpy as np
import pytest
from faster_coco_eval import COCO

from fruitvision.cli import main
from fruitvision.domain import (
    AddedFruit,
    Ball,
    CheckedPhoto,
    Correction,
    GroundLine,
    Outline,
    RemovedFruit,
    SideLimits,
)
from fruitvision.errors import FieldDataError
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.outlines import outlines_of, write_outlines
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.train.coco_labels import labels_of, read_coco
from tests import records

WIDTH, HEIGHT = 640, 480
PICTURE = cv2.imencode(".jpg", np.full((HEIGHT, WIDTH, 3), 90, np.uint8))[1].tobytes()
PHOTO_ID = sha256(PICTURE).hexdigest()
DAY = date(2026, 8, 14)
ORIGIN = made_with(choose_detector(), Settings())
# Fruit at x = 100 ... 500 and y = 200, 50 by 46 px, turned by 10°; the last is of a row behind.
FRUIT = [
    records.fruit(n, photo_id=PHOTO_ID, on_this_row=n < 5, diameter_mm=70.0 if n < 5 else None)
    for n in range(1, 6)
]
BALL = Ball(
    diameter_mm=70.0,
    centre_x_px=300.0,
    centre_y_px=60.0,
    width_px=40.0,
    height_px=40.0,
    angle_deg=0.0,
    mm_per_px=1.4,
    mm_per_px_error=0.02,
    found_by="person",
)
DRAWN = Outline(centre_x_px=400.0, centre_y_px=420.0, width_px=60.0, height_px=50.0, angle_deg=90.0)
OVER_THE_EDGE = Outline(
    centre_x_px=629.5, centre_y_px=100.0, width_px=60.0, height_px=60.0, angle_deg=0.0
)
WHOLE = AddedFruit(outline=DRAWN, visible_share=1.0)
CUT = AddedFruit(outline=OVER_THE_EDGE, visible_share=0.4)
CHECKED = CheckedPhoto(detector=ORIGIN.detector)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    file = tmp_path / "IMG_7.jpg"
    file.write_bytes(PICTURE)
    measured = records.measured(PHOTO_ID, FRUIT)
    photo = replace(measured.photo, name="IMG_7.jpg", width_px=WIDTH, height_px=HEIGHT)
    with open_farm(tmp_path / "farm") as opened:
        opened.save_blocks([records.block()])
        opened.keep_photo(file, PHOTO_ID)
        opened.save_measured_photo(replace(measured, photo=photo, made_with=ORIGIN, balls=(BALL,)))
        opened.save_tree_photos([records.tree_photo(7, "A", PHOTO_ID)])
        yield opened


def put_right(store: FarmStore, *corrections: Correction) -> None:
    when = datetime(2026, 8, 14, 9, tzinfo=UTC)
    store.save_photo_edits(PHOTO_ID, corrections, made_by="Ana Ruiz", made_at=when)


def written(store: FarmStore, folder: Path, *, unchecked: bool = False) -> Path:
    write_outlines(outlines_of(store, Settings(), made_on=DAY, unchecked=unchecked), folder)
    return folder / "outlines.json"


def test_an_independent_reader_finds_every_outline_in_its_place(
    store: FarmStore, tmp_path: Path
) -> None:
    put_right(store, RemovedFruit(x_px=200, y_px=200), WHOLE, CUT, CHECKED)
    coco = COCO(str(written(store, tmp_path / "out")))
    (image,) = coco.loadImgs(coco.getImgIds())
    assert (image["width"], image["height"], image["fv_checked"]) == (WIDTH, HEIGHT, True)
    found = {
        one["fv_fruit_id"]: one for one in coco.loadAnns(coco.getAnnIds()) if "fv_fruit_id" in one
    }
    assert list(found) == ["f001", "f003", "f004", "f005", "hand1", "hand2"]
    # The mask of the drawn fruit, 50 px wide and 60 px high around (400, 420).
    mask = coco.annToMask(found["hand1"]).astype(bool)
    rows, columns = np.nonzero(mask)
    assert (columns.mean(), rows.mean()) == pytest.approx((400.0, 420.0), abs=0.3)
    assert np.ptp(columns) + 1 == pytest.approx(50, abs=1)
    assert np.ptp(rows) + 1 == pytest.approx(60, abs=1)
    assert mask.sum() == pytest.approx(pi / 4 * 60 * 50, rel=0.02)
    assert found["hand1"]["area"] == pytest.approx(pi / 4 * 60 * 50, rel=0.004)
    assert found["hand1"]["bbox"] == pytest.approx([375.5, 390.5, 50, 60], abs=0.1)
    # 30 px of 60 to the left of the edge, which lies at 640, and half of 10.5 to its right.
    assert found["hand2"]["bbox"] == pytest.approx([600, 70.5, 40, 60], abs=0.1)
    assert [one["truncated"] for one in found.values()] == [0, 0, 0, 0, 0, 1]
    balls = coco.loadAnns(coco.getAnnIds(catIds=coco.getCatIds(catNms=["ball of known size"])))
    assert [one["bbox"] for one in balls] == [pytest.approx([280.5, 40.5, 40, 40], abs=0.1)]


def test_the_evaluation_reads_what_is_wanted_and_what_is_not(
    store: FarmStore, tmp_path: Path
) -> None:
    put_right(
        store,
        WHOLE,
        CUT,
        GroundLine(left_y_px=400.0, right_y_px=400.0),
        SideLimits(left_x_px=150.0, right_x_px=600.0),
        CHECKED,
    )
    (photo,) = read_truth(written(store, tmp_path / "out"))
    # f001 hangs on the tree beside and is fruit of this row all the same; f005 hangs behind; the
    # drawn one lies on the ground; the one over the edge is cut.
    assert photo.wanted == 4
    assert photo.ignored.tolist() == [False] * 4 + [True] * 3
    assert photo.outlines[5].tolist() == [400.0, 420.0, 60.0, 50.0, 90.0]
    assert photo.kind == "hanging fruit"
    assert len(photo.balls) == 1


def test_the_training_reads_boxes_rows_and_kinds(store: FarmStore, tmp_path: Path) -> None:
    put_right(store, WHOLE, GroundLine(left_y_px=400.0, right_y_px=400.0), CHECKED)
    (picture,) = read_coco(written(store, tmp_path / "out"))
    assert (picture.source, picture.is_rendered) == ("reviewed", False)
    labels = labels_of(picture, [], 0.5)
    assert labels.row.tolist() == [0, 0, 0, 0, 1, 0, 0]
    # 0 hanging, 1 fallen, 2 a ball.
    assert labels.kind.tolist() == [0, 0, 0, 0, 0, 1, 2]
    # Edges in px of the pack: (375 - 0 + 0.5) / 2 - 0.5 and so on.
    assert labels.box[5].tolist() == pytest.approx([187.25, 194.75, 212.25, 224.75], abs=0.1)
    assert labels.outline[5].tolist() == pytest.approx([199.75, 209.75, 30.0, 25.0, 90.0])


def test_commands_that_train_and_evaluate_take_the_folder(
    store: FarmStore, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put_right(store, WHOLE, CHECKED)
    out = tmp_path / "out"
    assert main(["outlines", "export", "--farm", str(store.folder), "--out", str(out)]) == 0
    assert "1 photo: " in capsys.readouterr().out
    paths = ["--coco", str(out / "outlines.json"), "--images", str(out / "photos")]
    assert main(["train", "pack", *paths, "--out", str(tmp_path / "pack"), "--workers", "1"]) == 0
    assert "1 picture with 7 fruit packed, 0 left out" in capsys.readouterr().out
    figures = tmp_path / "figures.json"
    command = ["models", "evaluate", *paths, "--detector", "classical", "--json", str(figures)]
    assert main(command) == 0
    # Four of this row that were found, and the drawn one.
    assert json.loads(figures.read_text())["figures"]["all"]["fruit"] == 5


def test_the_list_says_what_was_done_in_each_photo_and_no_file_names_a_person(
    store: FarmStore, tmp_path: Path
) -> None:
    put_right(store, RemovedFruit(x_px=200, y_px=200), RemovedFruit(x_px=9, y_px=9), WHOLE, CHECKED)
    folder = written(store, tmp_path / "out").parent
    (row,) = csv.DictReader((folder / "photos.csv").read_text().splitlines())
    assert row == {
        "file_name": f"{PHOTO_ID}.jpg",
        "photo": "IMG_7.jpg",
        "block": "Gala North",
        "row": "1",
        "position": "7",
        "face": "A",
        "walked_on": "2026-08-12",
        "fruit_this_row": "4",
        "fruit_others": "1",
        "fruit_fallen": "0",
        "outlines_by_hand": "1",
        "fruit_taken_out": "1",
        "edits": "4",
        "edits_without_fruit": "1",
        "checked": "true",
    }
    assert (folder / "photos" / row["file_name"]).read_bytes() == PICTURE
    for file in ("outlines.json", "photos.csv"):
        assert "Ana" not in (folder / file).read_text()


def test_photos_that_nobody_checked_are_left_out_unless_they_are_asked_for(
    store: FarmStore, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(FieldDataError, match="Nobody has edited or checked a photo yet\\."):
        written(store, tmp_path / "out")
    command = ["outlines", "export", "--farm", str(store.folder), "--out", str(tmp_path / "out")]
    # Where there are no edits, --unchecked is of no help.
    assert main([*command, "--unchecked"]) == 2
    assert "--unchecked" not in capsys.readouterr().err
    put_right(store, WHOLE, CheckedPhoto(detector="another 1"))
    assert main(command) == 2
    assert "1 have edits" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert main([*command, "--unchecked", "--no-photos"]) == 0
    (image,) = json.loads((tmp_path / "out" / "outlines.json").read_text())["images"]
    assert image["fv_checked"] is False
    assert not (tmp_path / "out" / "photos").exists()


def test_a_photo_whose_file_is_missing_is_said_and_the_rest_goes_on(
    store: FarmStore, tmp_path: Path
) -> None:
    put_right(store, CHECKED)
    store.photo_path(PHOTO_ID).unlink()
    outlines = outlines_of(store, Settings(), made_on=DAY)
    assert [one.name for one in outlines.refused] == ["IMG_7.jpg"]
    assert "Load its walk again" in outlines.refused[0].fix
    assert not outlines.files
