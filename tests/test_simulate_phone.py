"""What the phone makes of the light, in numbers worked out by hand, and its files."""

from __future__ import annotations

from datetime import datetime
from io import BytesIO

import numpy as np
import pytest
from PIL import Image, JpegImagePlugin

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture import blur, phone
from fruitvision.simulate.picture.blur import Pixels
from fruitvision.simulate.picture.phone import PhoneDials, develop, to_jpeg

# A phone that adds nothing of its own.
STILL = PhoneDials(
    exposure_stops=(0.0, 0.0),
    warm_stops=(0.0, 0.0),
    saturation=1.0,
    veil=0.0,
    noise=0.0,
    smoothing_px=(0.0, 0.0),
    sharpening=0.0,
)
NOON = datetime(2026, 8, 12, 9, 30)  # noqa: DTZ001


def with_dials(**dials: object) -> PhoneDials:
    return PhoneDials(**{name: dials.get(name, getattr(STILL, name)) for name in STILL.__slots__})


def grey(value: float, height: int = 40, width: int = 30) -> Pixels:
    return np.full((height, width, 3), value, dtype=np.float32)


def picture_of(light: Pixels, **dials: object) -> np.ndarray:
    return develop(with_dials(**dials), light, np.random.default_rng(1)).astype(float)


def edge(width: int = 60) -> Pixels:
    light = grey(0.1, 60, width)
    light[:, width // 2 :] = 0.3
    return light


# ---------------------------------------------------------------- exposure and colour


@pytest.mark.parametrize("brightness", [1e-4, 0.7, 300.0])
@pytest.mark.parametrize(("stops", "wanted"), [(0.0, 149), (-1.0, 108), (-2.0, 78)])
def test_an_even_grey_lands_where_the_exposure_says(
    brightness: float, stops: float, wanted: int
) -> None:
    # 0.30, 0.15 and 0.075 of white by the sRGB curve: 0.5843, 0.4246 and 0.3033 of 255, less what
    # rounding takes.
    found = picture_of(grey(brightness), exposure_stops=(stops, 0.0))
    assert np.abs(found - wanted).max() <= 1.0


def test_a_bright_tree_before_the_night_is_not_burnt_out() -> None:
    light = grey(0.001, 100, 80)
    light[20:95, 25:55] = 1.0
    found = picture_of(light)
    assert found[60, 40].max() < 170.0
    assert found[5, 5].max() < 10.0


def test_a_white_sky_does_not_make_the_tree_dark() -> None:
    light = grey(0.2, 100, 80)
    light[:40] = 20.0
    found = picture_of(light)
    assert found[70].mean() == pytest.approx(149.0, abs=1.0)
    assert found[10].min() == 255.0


def test_a_warm_balance_lifts_red_over_blue_and_leaves_green() -> None:
    found = picture_of(grey(0.2), warm_stops=(0.5, 0.0))[20, 15]
    neutral = picture_of(grey(0.2))[20, 15]
    assert found[0] > neutral[0] > found[2]
    # The meter sees the light before the balance.
    assert found[1] == pytest.approx(neutral[1], abs=1.0)


def test_saturation_0_is_a_grey_picture() -> None:
    light = np.random.default_rng(2).uniform(0.1, 0.5, (30, 20, 3)).astype(np.float32)
    found = picture_of(light, saturation=0.0)
    assert np.ptp(found, axis=2).max() <= 1.0
    assert np.ptp(picture_of(light), axis=2).max() > 50.0


# ---------------------------------------------------------------- lens, hand, sensor


def test_a_veil_lifts_the_dark_beside_the_bright_and_nothing_else() -> None:
    light = grey(0.02, 200, 120)
    light[:80] = 3.0
    plain, veiled = picture_of(light), picture_of(light, veil=0.1)
    assert veiled[85, 60, 0] > plain[85, 60, 0] + 20.0
    assert np.abs(picture_of(grey(0.2), veil=0.1) - picture_of(grey(0.2))).max() <= 1.0


@pytest.mark.parametrize("sigma_px", [0.6, 1.3, 2.4])
def test_a_gaussian_has_the_spread_asked_for_and_keeps_the_light(sigma_px: float) -> None:
    point = np.zeros((41, 41, 2), dtype=np.float32)
    point[20, 20] = 1.0
    found = blur.gaussian(point, sigma_px)
    reach = np.arange(41) - 20
    for axis in (0, 1):
        across = found[..., 0].sum(axis=1 - axis)
        assert across.sum() == pytest.approx(1.0, abs=1e-5)
        assert np.sqrt((across * reach**2).sum()) == pytest.approx(sigma_px, rel=0.06)


@pytest.mark.parametrize(("angle_deg", "across", "down"), [(0.0, 8.0, 0.0), (90.0, 0.0, 8.0)])
def test_a_smear_is_as_long_as_asked_for_and_leaves_the_middle_in_place(
    angle_deg: float, across: float, down: float
) -> None:
    point = np.zeros((31, 31, 1), dtype=np.float32)
    point[15, 15] = 1.0
    found = blur.smear(point, 8.0, np.radians(angle_deg))[..., 0]
    rows, columns = np.nonzero(found > 1e-4)
    assert (np.ptp(columns), np.ptp(rows)) == pytest.approx((across, down))
    assert (columns.mean(), rows.mean()) == pytest.approx((15.0, 15.0))
    assert found.sum() == pytest.approx(1.0, abs=1e-5)


def test_stray_light_spreads_evenly_and_keeps_an_even_picture() -> None:
    even = grey(0.4, 333, 251)
    assert np.abs(blur.spread_widely(even) - even).max() < 1e-5
    light = grey(0.0, 333, 251)
    light[160:170, 120:130] = 100.0
    spread = blur.spread_widely(light)[..., 0]
    assert spread.shape == (333, 251)
    rows, columns = np.indices(spread.shape)
    assert (spread * rows).sum() / spread.sum() == pytest.approx(164.5, abs=1.0)
    assert (spread * columns).sum() / spread.sum() == pytest.approx(124.5, abs=1.0)


def test_noise_grows_with_its_dial_and_defocus_softens_an_edge() -> None:
    noise = [picture_of(grey(0.2, 80, 80), noise=amount).std() for amount in (0.0, 1.0, 4.0)]
    assert noise[0] == 0.0
    assert noise[2] == pytest.approx(4.0 * noise[1], rel=0.1)
    steepest = [
        np.diff(picture_of(edge(), defocus_px=(sigma, sigma))[30, :, 1]).max()
        for sigma in (0.0, 2.0)
    ]
    assert steepest[1] < 0.4 * steepest[0]


def test_sharpening_leaves_halos_on_both_sides_of_an_edge() -> None:
    plain, sharp = picture_of(edge())[30, :, 1], picture_of(edge(), sharpening=1.5)[30, :, 1]
    assert sharp.max() > plain.max() + 3.0
    assert sharp.min() < plain.min() - 3.0
    assert sharp[:15] == pytest.approx(plain[:15], abs=1.0)


def test_developing_twice_gives_the_same_picture_and_another_photo_other_noise() -> None:
    light = np.random.default_rng(0).uniform(0.0, 1.0, (50, 40, 3)).astype(np.float32)
    dials = PhoneDials(defocus_px=(0.0, 1.0), motion_px=(0.0, 3.0))
    first, again, other = (develop(dials, light, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert first.dtype == np.uint8
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_strips_leave_no_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    light = np.random.default_rng(0).uniform(0.0, 1.0, (130, 40, 3)).astype(np.float32)
    dials = PhoneDials(defocus_px=(2.0, 2.0), motion_px=(9.0, 9.0), sharpening=1.0)
    found = []
    for rows in (23, 1000):
        monkeypatch.setattr(phone, "STRIP_PX", rows)
        found.append(develop(dials, light, np.random.default_rng(1)))
    assert np.array_equal(*found)


# ---------------------------------------------------------------- files


def test_a_photo_carries_time_and_lens_and_no_place() -> None:
    picture = np.full((40, 30, 3), 128, dtype=np.uint8)
    exif = Image.open(BytesIO(to_jpeg(picture, NOON, 52.0, quality=86))).getexif()
    inner = exif.get_ifd(34665)
    assert inner[36867] == "2026:08:12 09:30:00"
    assert inner[41989] == 52
    # Twice the 5.4 mm of the phone's main lens.
    assert float(inner[37386]) == pytest.approx(10.8)
    assert (inner[40962], inner[40963]) == (30, 40)
    assert dict(exif.get_ifd(34853)) == {}


@pytest.mark.parametrize(("subsampling", "code"), [("4:4:4", 0), ("4:2:2", 1), ("4:2:0", 2)])
def test_colour_is_kept_as_fine_as_the_dial_says(subsampling: str, code: int) -> None:
    picture = np.random.default_rng(1).integers(0, 255, (32, 32, 3)).astype(np.uint8)
    jpeg = to_jpeg(picture, NOON, 26.0, quality=80, subsampling=subsampling)
    assert JpegImagePlugin.get_sampling(Image.open(BytesIO(jpeg))) == code


def test_a_lower_quality_is_a_smaller_file() -> None:
    picture = np.random.default_rng(1).integers(0, 255, (64, 64, 3)).astype(np.uint8)
    sizes = [len(to_jpeg(picture, NOON, 26.0, quality=quality)) for quality in (50, 70, 90)]
    assert sizes == sorted(sizes)


@pytest.mark.parametrize(
    ("dial", "value", "valid"),
    [
        ("exposure_stops", (5.0, 0.0), "Valid: -4 to 4"),
        ("veil", -0.1, "Valid: 0 to 0.5"),
        ("motion_px", (0.0, 90.0), "Valid: 0 to 30"),
        ("motion_px", (4.0, 2.0), "smaller number first"),
        ("jpeg_quality", 10, "Valid: 30 to 100"),
        ("jpeg_subsampling", "4:1:1", "Known: 4:4:4, 4:2:2, 4:2:0"),
    ],
)
def test_a_dial_of_the_phone_out_of_range_is_refused(dial: str, value: object, valid: str) -> None:
    with pytest.raises(SimulationError, match=f"phone.{dial}") as caught:
        with_dials(**{dial: value})
    assert valid in caught.value.fix
