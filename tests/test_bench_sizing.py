"""How well fruit are sized: figures from finds and truths worked out by hand, and the command."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pictures
from typer.testing import CliRunner

from fruitvision.cli import cli
from fruitvision.domain import DepthGrade, Fruit, MadeWith, MeasuredPhoto
from fruitvision.errors import FieldDataError
from fruitvision.evaluate.kept import KeptDetector, bytes_of, detections_from
from fruitvision.evaluate.sizing import (
    SizedFruit,
    SizedPhoto,
    outline_overlaps,
    read_sizing_truth,
    sized_photo,
)
from fruitvision.evaluate.sizing_figures import (
    block_figures,
    by_band,
    by_grade,
    class_figures,
    figures_of,
    this_row,
)
from fruitvision.fruit.detector import Detections, no_fruit
from fruitvision.simulate.sizing import sizing_folders
from tests.scenes import Ball, Camera, Marker, draw_scene, photo_of, true_outline_px

CAMERA = Camera(width_px=900, height_px=700, focal_px=1000.0)


def sized(
    error_mm: float, *, stated_mm: float = 2.0, share: float = 0.95, number: int = 0
) -> SizedFruit:
    return SizedFruit(
        photo="p.jpg",
        fruit_id=f"t{number}",
        found_id=f"f{number}",
        sized_mm=70.0 + error_mm,
        error_mm=stated_mm,
        true_mm=70.0,
        true_share=share,
        stated_share=share,
        true_depth_mm=2000.0,
        distance_mm=None,
        on_this_row=True,
        said_this_row=True,
        grade=DepthGrade.ONE_PLANE,
        doubts=(),
    )


def test_errors_and_standardised_errors() -> None:
    # +-3 in turn, stated 2: mean absolute 3, no bias, root mean square 3, z of +-1.5 each.
    fruit = [sized(3.0 if number % 2 else -3.0) for number in range(20)]
    found = figures_of("all", [*fruit, replace(fruit[0], sized_mm=None, error_mm=None)])
    assert (found.matched, found.sized) == (21, 20)
    assert (found.mae_mm, found.bias_mm, found.rmse_mm) == (3.0, 0.0, 3.0)
    assert found.z_mean == 0.0
    assert found.z_sd == pytest.approx(1.5 * (20 / 19) ** 0.5)
    assert found.sized_share == pytest.approx(20 / 21)


def test_few_fruit_tell_no_spread() -> None:
    found = figures_of("few", [sized(1.0) for _ in range(9)])
    assert found.z_sd is None
    assert found.bias_mm == 1.0


def test_nothing_found_has_no_figures() -> None:
    assert figures_of("none", []).mae_mm is None
    assert figures_of("none", []).sized_share is None
    assert class_figures(np.zeros(0), np.zeros(0)) is None


def test_bands_hold_every_fruit_once() -> None:
    shares = (0.0, 0.2, 0.35, 0.6, 0.8, 0.9, 1.0)
    bands = by_band([sized(0.0, share=share) for share in shares], lambda one: one.true_share)
    assert [band.matched for band in bands] == [2, 1, 1, 1, 2]


def test_grades_that_no_fruit_has_are_left_out() -> None:
    two = replace(sized(0.0), grade=DepthGrade.TWO_VIEWS)
    assert list(by_grade([two, sized(0.0)])) == [DepthGrade.ONE_PLANE, DepthGrade.TWO_VIEWS]


def test_shares_of_classes_are_compared() -> None:
    # Classes from 60: one half each in truth; all of the lower one read into the upper one.
    found = class_figures(np.array([66.0, 66.0, 67.0, 68.0]), np.array([62.0, 63.0, 67.0, 68.0]))
    assert found is not None
    assert found.largest_gap == pytest.approx(0.5)
    assert found.total_variation == pytest.approx(0.5)


def test_a_block_is_held_against_its_sized_and_against_all_its_fruit() -> None:
    photo = SizedPhoto(
        name="p.jpg",
        fruit=(sized(2.0), sized(4.0), replace(sized(9.0), on_this_row=False)),
        seen=5,
        all_mm=(70.0, 60.0),
        no_fruit=1,
    )
    found = block_figures("wall", [photo])
    assert (found.bias_mm, found.against_all_mm) == (3.0, 8.0)
    assert (found.other_rows, found.no_fruit, found.seen, found.found) == (1, 1, 5, 2)


def test_hidden_fruit_of_this_row_do_not_count() -> None:
    photo = SizedPhoto(
        name="p.jpg",
        fruit=(sized(0.0, share=0.19), sized(0.0, share=0.2)),
        seen=1,
        all_mm=(),
        no_fruit=0,
    )
    assert len(this_row([photo])) == 1


# ---------------------------------------------------------------- photos and truth


def truth_rows(balls: tuple[Ball, ...]) -> list[dict[str, object]]:
    rows = []
    for number, ball in enumerate(balls):
        x, y, long_px, short_px, direction = true_outline_px(CAMERA, ball)
        rows.append(
            {
                "photo": "photos/a.jpg",
                "fruit_id": f"t{number}",
                "x_px": x,
                "y_px": y,
                "width_px": long_px,
                "height_px": short_px,
                "angle_deg": direction,
                "diameter_mm": ball.diameter_mm,
                "visible_share": 1.0,
                "on_this_row": "true",
                "depth_mm": ball.centre_mm[2],
            }
        )
    return rows


BALLS = tuple(
    Ball(centre_mm=((column - 2) * 210.0, row * 230.0 - 300.0, 1300.0), diameter_mm=70.0 + column)
    for column in range(5)
    for row in range(2)
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A photo of ten balls and a marker in one plane, with its truth."""
    folder: Path = tmp_path_factory.mktemp("wall")
    (folder / "photos").mkdir()
    scene = draw_scene(
        CAMERA, (*BALLS, Marker(centre_mm=(0.0, 260.0, 1300.0), side_mm=150.0)), rays_per_side=3
    )
    tags = Pictures.Exif()
    tags.get_ifd(0x8769)[0xA405] = round(CAMERA.focal_35mm)
    Pictures.fromarray(scene).save(folder / "photos" / "a.jpg", quality=95, exif=tags)
    rows = truth_rows(BALLS)
    with (folder / "truth_photos.csv").open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, rows[0])
        table.writeheader()
        table.writerows(rows)
    return folder


def test_the_command_sizes_photos_and_writes_its_figures(folder: Path, tmp_path: Path) -> None:
    out, kept = tmp_path / "sizing.json", tmp_path / "kept"
    arguments = ["bench", "sizing", str(folder), "--detector", "classical", "--json", str(out)]
    result = CliRunner().invoke(cli, [*arguments, "--keep", str(kept)])
    assert result.exit_code == 0, result.output
    assert "one plane, by true visible share" in result.output
    everything = json.loads(out.read_text(encoding="utf-8"))
    figures = everything["grades"]["one plane"]["all"]
    assert figures["matched"] == figures["sized"] == 10
    assert figures["mae_mm"] < 1.5
    assert list(kept.glob("*.npz"))
    again = CliRunner().invoke(cli, [*arguments, "--keep", str(kept)])
    assert json.loads(out.read_text(encoding="utf-8"))["grades"] == everything["grades"]
    assert again.exit_code == 0


def test_a_folder_without_truth_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match=r"truth_photos\.csv"):
        sizing_folders(tmp_path)
    with pytest.raises(FieldDataError, match=r"truth_photos\.csv"):
        read_sizing_truth(tmp_path)


def test_a_truth_without_a_column_is_refused(tmp_path: Path) -> None:
    (tmp_path / "truth_photos.csv").write_text("photo,fruit_id\na,b\n", encoding="utf-8")
    with pytest.raises(FieldDataError, match="no column x_px"):
        read_sizing_truth(tmp_path)


def test_a_truth_with_words_for_numbers_is_refused(folder: Path, tmp_path: Path) -> None:
    text = (folder / "truth_photos.csv").read_text(encoding="utf-8")
    (tmp_path / "truth_photos.csv").write_text(text.replace("70.0", "large"), encoding="utf-8")
    with pytest.raises(FieldDataError, match="no number"):
        read_sizing_truth(tmp_path)


def test_finds_are_matched_by_full_outlines(folder: Path) -> None:
    truth = read_sizing_truth(folder)["photos/a.jpg"]
    x, y, long_px, short_px, direction = truth.outlines[3]
    fruit = Fruit(
        photo_id="0" * 64,
        fruit_id="f001",
        centre_x_px=x + 2,
        centre_y_px=y,
        width_px=long_px * 0.9,
        height_px=short_px * 0.9,
        angle_deg=direction,
        diameter_px=long_px * 0.9,
        diameter_mm=66.0,
        diameter_error_mm=3.0,
        visible_share=0.9,
        score=0.9,
        on_this_row=True,
    )
    nowhere = replace(fruit, fruit_id="f002", centre_x_px=20.0, centre_y_px=20.0)
    measured = MeasuredPhoto(
        photo=photo_of(CAMERA),
        references=(),
        scale=None,
        fruit=(fruit, nowhere),
        doubts=(),
        made_with=MadeWith(version="0", detector="none", settings_sha256="0"),
    )
    found = sized_photo("photos/a.jpg", measured, truth)
    assert [(one.fruit_id, one.found_id) for one in found.fruit] == [("t3", "f001")]
    assert (found.no_fruit, found.seen) == (1, 10)
    # An ellipse of nine tenths within the other overlaps by 0.81, its shift a little less.
    overlap = outline_overlaps(
        np.array([[x, y, long_px * 0.9, short_px * 0.9, direction]]), truth.outlines
    )
    assert overlap[0, 3] == pytest.approx(0.81, abs=1e-3)
    assert overlap[0, :3].max() == 0.0


def test_what_a_detector_found_is_kept_as_it_is(tmp_path: Path) -> None:
    found = Detections(
        outlines=np.array([[10.0, 12.0, 8.0, 6.0, 20.0], [30.0, 12.0, 8.0, 6.0, 0.0]]),
        masks=(np.eye(3, dtype=bool), np.ones((2, 5), dtype=bool)),
        mask_origins=np.array([[9, 11], [28, 11]]),
        visible_shares=np.array([0.5, 1.0]),
        scores=np.array([0.9, 0.8]),
        on_this_row=np.array([True, False]),
        boxes=np.array([[9.0, 11.0, 12.0, 14.0], [28.0, 11.0, 33.0, 13.0]]),
    )
    back = detections_from(bytes_of(found))
    assert (back.outlines == found.outlines).all()
    assert all((one == other).all() for one, other in zip(back.masks, found.masks, strict=True))
    assert (back.on_this_row == found.on_this_row).all()
    assert len(detections_from(bytes_of(no_fruit()))) == 0


class Counting:
    """A detector that counts how often it looks."""

    name, version, limits, count_error, facts = "counting", "1", "", 0.0, ()

    def __init__(self) -> None:
        self.looks = 0

    def detect(self, image: np.ndarray, *, mm_per_px: float | None) -> Detections:
        self.looks += 1
        return no_fruit()

    detect_all = detect


def test_a_picture_is_looked_at_once_for_each_scale(tmp_path: Path) -> None:
    counting = Counting()
    kept = KeptDetector(counting, tmp_path / "kept")
    picture = np.zeros((8, 9, 3), dtype=np.uint8)
    for mm_per_px in (1.0, 1.0, 1.5, None, None):
        kept.detect(picture, mm_per_px=mm_per_px)
    kept.detect(picture + 1, mm_per_px=1.0)
    assert counting.looks == 4
