"""A phone is calibrated from photos of the board; its photos of trees are then measured so."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitvision.camera import ideal_px
from fruitvision.cli import main
from fruitvision.domain import Camera, Doubt, LensCalibration
from fruitvision.errors import LensNotCalibrated
from fruitvision.lens.fitting import with_calibration
from fruitvision.photo import read_photo
from fruitvision.pipeline import measure_photos
from fruitvision.pipeline.lens import calibrate_lens
from fruitvision.serve import FARM_VARIABLE
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests import scenes
from tests.app.pages import page
from tests.board_photos import Image, photo_of_board, poses, save_photo

SIZE = (1000, 750)
LENS = Camera(
    focal_px=751.0,
    middle_x_px=505.0,
    middle_y_px=371.0,
    distortion=(0.08, -0.15, 0.001, -0.0005, 0.0),
)
DAY = date(2026, 8, 1)


def upright(image: Image) -> Image:
    """Stored as a phone held upright does: orientation 6 turns it clockwise."""
    return np.ascontiguousarray(np.rot90(image, -1))


@pytest.fixture(scope="module")
def pictures() -> list[Image]:
    return [
        photo_of_board(LENS, pose, size_px=SIZE, noise=2.0, seed=number)
        for number, pose in enumerate(poses(LENS, SIZE, count=9))
    ]


@pytest.fixture(scope="module")
def folder(pictures: list[Image], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine photos, three of them with the phone held upright, whose pixels lie across."""
    folder = tmp_path_factory.mktemp("board")
    for number, picture in enumerate(pictures):
        save_photo(folder / f"{number:02d}.jpg", picture, orientation=6 if number % 3 == 1 else 1)
    return folder


@pytest.fixture
def farm(tmp_path: Path):
    with open_farm(tmp_path / "farm") as store:
        yield store


def photos_in(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.jpg"))


# ---------------------------------------------------------------- calibrate


def test_upright_and_lying_photos_together_calibrate_the_phone(
    folder: Path, farm: FarmStore
) -> None:
    seen: list[tuple[int, int]] = []
    result = calibrate_lens(
        photos_in(folder),
        farm,
        square_mm=25.0,
        made_on=DAY,
        on_progress=lambda done, of: seen.append((done, of)),
    )
    lens = result.lens
    assert result.refused == ()
    assert farm.lenses() == (lens,)
    assert (lens.phone, lens.focal_35mm, lens.width_px, lens.height_px) == (
        "Larkhill Nine",
        26,
        *SIZE,
    )
    assert lens.camera.focal_px == pytest.approx(LENS.focal_px, rel=0.003)
    assert lens.photos == 9
    assert seen[-1] == (9, 9)


def test_photos_that_are_not_of_this_lens_are_left_out_and_named(
    folder: Path, pictures: list[Image], farm: FarmStore, tmp_path: Path
) -> None:
    table = np.full((750, 1000, 3), 110, np.uint8)
    others = {
        "a_table.jpg": (save_photo(tmp_path / "a_table.jpg", table), "not in it"),
        "b_phone.jpg": (
            save_photo(tmp_path / "b_phone.jpg", pictures[0], model="Ten"),
            "another phone, Larkhill Ten",
        ),
        "c_wide.jpg": (
            save_photo(tmp_path / "c_wide.jpg", pictures[0], focal_35mm=13),
            "another lens (13 mm)",
        ),
        "d_zoom.jpg": (save_photo(tmp_path / "d_zoom.jpg", pictures[0], xA404=2.0), "zoomed"),
        "e_crop.jpg": (
            save_photo(tmp_path / "e_crop.jpg", pictures[0], xA002=2000, xA003=2000),
            "cropped",
        ),
        "f_turned.jpg": (
            save_photo(tmp_path / "f_turned.jpg", upright(pictures[2])),
            "Nothing in it says which way",
        ),
        "g_small.jpg": (
            save_photo(tmp_path / "g_small.jpg", cv2.resize(pictures[0], (800, 600))),
            "another size, 800 × 600 px",
        ),
    }
    (tmp_path / "h_text.jpg").write_text("no photo")
    paths = [*photos_in(folder), *(path for path, _ in others.values()), tmp_path / "h_text.jpg"]
    result = calibrate_lens(paths, farm, square_mm=25.0, made_on=DAY)
    assert result.lens.photos == 9
    said = {one.name: one for one in result.refused}
    assert sorted(said) == [*others, "h_text.jpg"]
    for name, (_, words) in others.items():
        assert words in said[name].what
        assert said[name].fix


def test_too_few_say_what_the_others_lacked_and_nothing_is_kept(
    folder: Path, farm: FarmStore, tmp_path: Path
) -> None:
    table = np.full((750, 1000, 3), 110, np.uint8)
    empty = [save_photo(tmp_path / f"{n}.jpg", table + n) for n in range(3)]
    with pytest.raises(LensNotCalibrated, match=r"5 usable photos.*3 × the board is not in it"):
        calibrate_lens([*photos_in(folder)[:5], *empty], farm, square_mm=25.0, made_on=DAY)
    assert farm.lenses() == ()


def test_a_copy_counts_once(folder: Path, farm: FarmStore, tmp_path: Path) -> None:
    first = photos_in(folder)[:7]
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(first[0].read_bytes())
    with pytest.raises(LensNotCalibrated, match="7 usable photos"):
        calibrate_lens([*first, copy], farm, square_mm=25.0, made_on=DAY)


def test_photos_without_a_phones_name_are_a_phone_of_their_own_and_that_is_said(
    folder: Path, pictures: list[Image], farm: FarmStore, tmp_path: Path
) -> None:
    unnamed = [tmp_path / f"{number:02d}.png" for number in range(9)]
    for path, picture in zip(unnamed, pictures, strict=True):
        cv2.imwrite(str(path), picture)
    lens = calibrate_lens(unnamed, farm, square_mm=25.0, made_on=DAY).lens
    assert lens.name == "Phone without a name, 1000 × 750 px"
    assert "do not name their phone" in lens.remarks[0]
    _, photo = read_photo(unnamed[0])
    assert with_calibration(photo, [lens])[0].camera == lens.camera
    result = calibrate_lens([*photos_in(folder), unnamed[3]], farm, square_mm=25.0, made_on=DAY)
    assert [one.what for one in result.refused] == ["It does not name the phone that took it."]
    assert len(farm.lenses()) == 2


@pytest.mark.parametrize("square_mm", [0.0, -25.0, 2500.0, float("nan")])
def test_an_impossible_square_is_refused(farm: FarmStore, square_mm: float) -> None:
    with pytest.raises(LensNotCalibrated, match="is impossible"):
        calibrate_lens([], farm, square_mm=square_mm, made_on=DAY)


# ---------------------------------------------------------------- command line


def test_board_calibrate_and_list_on_the_command_line(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    farm = str(tmp_path / "farm")
    assert main(["lens", "board", "--out", str(tmp_path / "board.pdf")]) == 0
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF")
    assert "--square-mm 25" in capsys.readouterr().out
    calibrate = ["lens", "calibrate", str(folder), "--farm", farm]
    assert main([*calibrate, "--square-mm", "0"]) == 2
    assert "square of 0 mm is impossible" in capsys.readouterr().err
    assert main([*calibrate, "--square-mm", "25"]) == 0
    said = capsys.readouterr().out
    assert main(["lens", "list", "--farm", farm]) == 0
    listed = capsys.readouterr().out
    assert listed == said
    for part in ("Larkhill Nine, 26 mm", "1000 × 750 px", "focal length 75", "from 9 photos"):
        assert part in listed


def test_a_farm_without_a_lens_says_how_to_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    open_farm(tmp_path).close()
    assert main(["lens", "list", "--farm", str(tmp_path)]) == 0
    assert "fruitvision lens board" in capsys.readouterr().out
    assert main(["lens", "calibrate", str(tmp_path), "--farm", str(tmp_path), "--square-mm", "9"])
    assert "no photos in" in capsys.readouterr().err


# ---------------------------------------------------------------- measured with it


# Bent so much that a marker in the corner is drawn 1.5 % too small.
BENT = Camera(
    focal_px=750.0,
    middle_x_px=449.5,
    middle_y_px=336.5,
    distortion=(-0.05, 0.0, 0.0, 0.0, 0.0),
    calibrated=True,
)
CALIBRATION = LensCalibration(
    phone="Larkhill Nine",
    lens="Larkhill Nine",
    focal_35mm=29.0,
    focal_mm=None,
    width_px=900,
    height_px=674,
    camera=BENT,
    focal_error_px=1.0,
    reprojection_px=0.2,
    distance_mm=500.0,
    square_mm=25.0,
    photos=12,
    corners=500,
    made_on=DAY,
)
MARKER = scenes.Marker(centre_mm=(750.0, -500.0, 1600.0))
TRUE_SCALE = 1600 / 750


@pytest.fixture(scope="module")
def bent_photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A marker near the corner through that lens. No leaf in it, so it is quick."""
    wide = scenes.Camera(width_px=1050, height_px=786, focal_px=750.0)
    straight = scenes.draw_scene(wide, (MARKER,))
    x, y = np.meshgrid(np.arange(900.0), np.arange(674.0))
    from_px = ideal_px(np.column_stack([x.ravel(), y.ravel()]), BENT)
    from_px = (from_px + np.array([75.0, 56.0])).reshape(674, 900, 2).astype(np.float32)
    image = cv2.remap(straight, from_px[..., 0], from_px[..., 1], cv2.INTER_CUBIC)
    return save_photo(tmp_path_factory.mktemp("tree") / "1.jpg", image, focal_35mm=29)


def scale_of(store: FarmStore, path: Path) -> float:
    (measured,) = measure_photos(
        [path], store=store, settings=Settings(), detector_name="classical"
    ).photos
    assert measured.scale is not None
    return measured.scale.mm_per_px


def test_a_photo_is_measured_anew_when_its_lens_is_calibrated(
    bent_photo: Path, farm: FarmStore
) -> None:
    assert scale_of(farm, bent_photo) / TRUE_SCALE - 1 > 0.01
    farm.save_lens(CALIBRATION)
    assert scale_of(farm, bent_photo) == pytest.approx(TRUE_SCALE, rel=0.006)
    (measured,) = farm.measured_photos()
    assert measured.photo.calibration == BENT
    again = farm.measured_photo(measured.photo.photo_id, measured.made_with)
    assert again == measured
    farm.save_lens(replace(CALIBRATION, camera=replace(BENT, distortion=(0.0,) * 5)))
    assert scale_of(farm, bent_photo) / TRUE_SCALE - 1 > 0.01


def test_another_lens_than_calibrated_is_said(bent_photo: Path, farm: FarmStore) -> None:
    farm.save_lens(replace(CALIBRATION, focal_35mm=13.0))
    assert scale_of(farm, bent_photo) / TRUE_SCALE - 1 > 0.01
    (measured,) = farm.measured_photos()
    assert Doubt.LENS_OTHER in measured.doubts
    assert measured.photo.calibration is None


def test_photos_outside_a_farm_can_use_its_lenses(
    bent_photo: Path, farm: FarmStore, tmp_path: Path
) -> None:
    farm.save_lens(CALIBRATION)
    out = tmp_path / "out"
    measure = ["measure", str(bent_photo), "--out", str(out), "--detector", "classical"]
    assert main([*measure, "--lenses-of", str(farm.folder)]) == 0
    with open_farm(out / ".measured") as kept:
        (measured,) = kept.measured_photos()
    assert measured.photo.calibration == BENT
    assert main([*measure, "--lenses-of", str(tmp_path / "nowhere")]) == 2


def test_each_photo_says_what_is_wrong_with_its_lens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Small grey pictures: there is nothing in them to measure.
    grey = np.full((150, 200, 3), 120, np.uint8)
    usual = {"xA405": 26, "x920A": 5.4}
    for number in range(3):
        save_photo(tmp_path / f"usual{number}.jpg", grey + number, **usual)
    save_photo(tmp_path / "square.jpg", grey[:, :150], **usual)
    save_photo(tmp_path / "small.jpg", grey[:135, :180], **usual)
    save_photo(tmp_path / "absurd.jpg", grey, focal_35mm=4)
    save_photo(tmp_path / "zoom.jpg", grey, xA404=2.0)
    save_photo(tmp_path / "cut.jpg", grey, xA002=4000, xA003=4000)
    out = ["--out", str(tmp_path / "out"), "--detector", "classical", "--workers", "1"]
    assert main(["measure", str(tmp_path), *out]) == 0
    said = capsys.readouterr().out
    wanted = {
        "usual1.jpg": None,
        "square.jpg": Doubt.PHOTO_CROPPED,
        "small.jpg": Doubt.PHOTO_RESIZED,
        "absurd.jpg": Doubt.FOCAL_ABSURD,
        "zoom.jpg": Doubt.LENS_ZOOMED,
        "cut.jpg": Doubt.PHOTO_CROPPED,
    }
    of_lens = {Doubt.PHOTO_CROPPED, Doubt.PHOTO_RESIZED, Doubt.FOCAL_ABSURD, Doubt.LENS_ZOOMED}
    for name, doubt in wanted.items():
        about = said.split(f"{name}:")[1].split(".jpg:")[0]
        assert {one for one in of_lens if one.words in about} == ({doubt} if doubt else set())


# ---------------------------------------------------------------- app


def test_the_farm_page_calibrates_a_phone_and_lists_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(FARM_VARIABLE, str(tmp_path / "farm"))
    app = page("setup")
    (button,) = [one for one in app.button if one.label == "Calibrate this phone"]
    assert button.disabled
    with open_farm(tmp_path / "farm") as store:
        calibrate_lens(photos_in(folder), store, square_mm=25.0, made_on=DAY)
    app.run()
    assert not app.exception
    assert any("Focal length 75" in one.value for one in app.caption)
