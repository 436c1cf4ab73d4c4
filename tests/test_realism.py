"""What the comparison of rendered and real photos measures, on numbers and pictures made for it."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench.bench_realism import REPOSITORY, main
from tests.bench.realism_classifier import (
    accuracy_of,
    auc_of,
    boosted_stumps,
    grey,
    grey_and_even,
    numbers_of,
    smooth,
    tell_apart,
)
from tests.bench.realism_compare import compared
from tests.bench.realism_measures import (
    chroma_histogram,
    histogram_distance,
    lab_of,
    laplacian_variance,
    local_sd,
    noise_floor,
    octave_power,
    shift_between,
    spectrum_slope,
)
from tests.bench.realism_photos import (
    boxes_of_ellipses,
    missing,
    real_photos,
    rendered_photos,
    to_common_scale,
    usable,
)
from tests.bench.realism_samples import FRUIT_COLUMNS, PATCH_COLUMNS, PATCH_PX, sample_photo

Pixels = NDArray[np.uint8]


def speckle(seed: int, side: int = PATCH_PX, grain_px: float = 1.5) -> Pixels:
    """A patch of green and grey blobs with fine grain."""
    rng = np.random.default_rng(seed)
    blobs = cv2.GaussianBlur(rng.normal(0, 1, (side, side, 3)), (0, 0), grain_px)
    pixels = np.array([95.0, 120.0, 70.0]) + 35 * blobs / blobs.std()
    return np.clip(pixels, 0, 255).astype(np.uint8)


def light_of(rgb: Pixels) -> NDArray[np.float32]:
    return np.ascontiguousarray(lab_of(rgb)[..., 0])


def test_a_set_lies_at_no_distance_from_itself() -> None:
    values = np.random.default_rng(1).normal(40, 8, 500)
    pixels = lab_of(speckle(1))
    histogram = chroma_histogram(pixels[..., 1].ravel(), pixels[..., 2].ravel())

    assert shift_between(values, values) == 0
    assert histogram_distance(histogram, histogram) == 0


def test_a_shifted_set_lies_at_its_shift_and_the_gap_counts_in_real_deviations() -> None:
    values = np.random.default_rng(2).normal(40, 8, 500)

    found = compared("L*", values, values + 12)

    assert found.shift == pytest.approx(12)
    assert found.gap == pytest.approx(12 / values.std())
    assert found.rendered.p50 - found.real.p50 == pytest.approx(12)


def test_numbers_that_could_not_be_measured_do_not_count() -> None:
    values = np.array([1.0, 2.0, 3.0])

    assert compared("x", values, np.append(values, np.nan)).shift == 0
    assert np.isnan(compared("x", values, np.array([np.nan])).shift)


def test_histograms_of_colours_that_share_nothing_are_one_apart() -> None:
    red = chroma_histogram(np.full(50, 40.0), np.full(50, 20.0))
    green = chroma_histogram(np.full(50, -20.0), np.full(50, 25.0))
    half = chroma_histogram(np.array([40.0, -20.0]), np.array([20.0, 25.0]))

    assert histogram_distance(red, green) == 1
    assert histogram_distance(red, half) == pytest.approx(0.5)


def test_lightness_and_chroma_of_known_colours() -> None:
    colours = np.array([[[255, 255, 255], [0, 0, 0], [255, 0, 0]]], dtype=np.uint8)

    # CIELAB of white, black, and the primary red of sRGB (D65), as tables print it.
    expected = np.array([[[100, 0, 0], [0, 0, 0], [53.24, 80.09, 67.20]]])

    assert lab_of(colours) == pytest.approx(expected, abs=0.05)


def test_blur_lowers_every_measure_of_sharpness() -> None:
    sharp = light_of(speckle(3))
    blurred = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 1.2), dtype=np.float32)

    assert laplacian_variance(blurred) < 0.5 * laplacian_variance(sharp)
    assert octave_power(blurred)[-1] < 0.5 * octave_power(sharp)[-1]
    assert spectrum_slope(blurred) < spectrum_slope(sharp) - 0.3


def test_slope_of_a_spectrum_that_falls_with_a_known_power() -> None:
    rng = np.random.default_rng(4)
    frequency = np.hypot(np.fft.fftfreq(256)[:, None], np.fft.rfftfreq(256)[None])
    frequency[0, 0] = 1.0
    slopes = [
        spectrum_slope(np.fft.irfft2(np.fft.rfft2(white) * frequency**-1.25).astype(np.float32))
        for white in rng.normal(0, 1, (8, 256, 256))
    ]

    assert np.mean(slopes) == pytest.approx(-2.5, abs=0.1)


def test_noise_floor_follows_the_noise_and_not_the_picture() -> None:
    ramp = np.tile(np.linspace(20, 80, 256, dtype=np.float32), (256, 1))
    noise = np.random.default_rng(5).normal(0, 1, ramp.shape).astype(np.float32)

    # Less its 3 x 3 mean, noise keeps 8/9 of its variance: 0.943 sd; the 5th percentile over
    # windows of 64 px lies some 15 % below.
    assert noise_floor(ramp + noise) == pytest.approx(0.8, abs=0.06)
    assert noise_floor(ramp + 2 * noise) == pytest.approx(1.6, abs=0.12)


def test_local_contrast_sees_stripes_narrower_than_its_window_only() -> None:
    stripes = np.tile(np.repeat([0.0, 10.0], 16), (64, 4)).astype(np.float32)

    assert np.median(local_sd(stripes, 8)) == 0
    assert np.median(local_sd(stripes, 32)) == pytest.approx(5)


def test_patches_have_a_number_for_every_column() -> None:
    numbers = numbers_of(np.stack([speckle(6), np.full((PATCH_PX, PATCH_PX, 3), 128, np.uint8)]))

    assert numbers.shape == (2, len(PATCH_COLUMNS))
    assert np.isfinite(numbers).all()


def two_sides(tint: int) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]]:
    """Numbers of 4 patches of each of 12 photos a side, the second side redder by `tint`."""
    patches = [speckle(seed, side=64) for seed in range(96)]
    red = np.array([tint, 0, 0], dtype=np.uint8)
    numbers = numbers_of(np.stack([*patches[:48], *(patch + red for patch in patches[48:])]))
    return numbers, np.repeat([False, True], 48), np.tile(np.repeat(np.arange(12), 4), 2)


def test_nobody_can_tell_two_halves_of_one_set_apart() -> None:
    told = tell_apart(*two_sides(0), boosted_stumps)

    assert told.accuracy == pytest.approx(0.5, abs=3 * told.accuracy_error)
    assert 0.02 < told.accuracy_error < 0.15


def test_a_tint_gives_the_rendered_side_away() -> None:
    told = tell_apart(*two_sides(20), boosted_stumps)

    assert told.accuracy > 0.95
    assert told.auc > 0.95


def test_patches_of_one_photo_never_stand_on_both_sides_of_the_split() -> None:
    photo_of = np.tile(np.repeat(np.arange(8), 5), 2)
    rendered = np.repeat([False, True], 40)
    data = (photo_of * 2 + rendered).astype(float)
    judged_photos: list[float] = []

    def watch(
        learn: NDArray[np.generic], _: NDArray[np.bool_], judge: NDArray[np.generic]
    ) -> NDArray[np.float64]:
        assert not set(learn.tolist()) & set(judge.tolist())
        judged_photos.extend(judge.tolist())
        return np.ones(len(judge))

    tell_apart(data, rendered, photo_of, watch)

    assert sorted(judged_photos) == sorted(data.tolist())


def test_scores_of_a_judge() -> None:
    scores = np.array([-2.0, -1.0, 1.0, 0.5, 1.0, 3.0])
    rendered = np.array([False, False, False, True, True, True])

    # Two of three real ones are below 0, all rendered ones above; of the nine pairs 0.5 loses to
    # 1.0 and 1.0 ties with it.
    assert accuracy_of(scores, rendered) == pytest.approx((2 / 3 + 1) / 2)
    assert auc_of(scores, rendered) == pytest.approx((9 - 1 - 0.5) / 9)


def test_views_hide_what_they_say() -> None:
    patches = np.stack([speckle(7), speckle(8) // 2])

    assert np.ptp(grey(patches), axis=3).max() == 0
    lightness = grey_and_even(patches)[..., 0].astype(float)
    assert lightness.mean(axis=(1, 2)) == pytest.approx(128, abs=1)
    assert lightness.std(axis=(1, 2)) == pytest.approx(45, abs=2)
    assert all(
        laplacian_variance(light_of(after)) < 0.1 * laplacian_variance(light_of(before))
        for before, after in zip(patches, smooth(patches), strict=True)
    )


def test_boxes_of_leaning_ellipses() -> None:
    ellipses = np.array([[50.0, 40.0, 30.0, 20.0, 0.0], [50.0, 40.0, 30.0, 20.0, 90.0]])

    assert boxes_of_ellipses(ellipses) == pytest.approx(
        np.array([[35, 30, 30, 20], [40, 25, 20, 30]])
    )


def picture_with_fruit(fruit_px: int) -> Pixels:
    """Leaf green with six red discs in two rows, a step of three fruit widths apart."""
    rgb = np.full((fruit_px * 7, fruit_px * 10, 3), (90, 130, 60), np.uint8)
    for x, y in places(fruit_px):
        cv2.circle(rgb, (x, y), fruit_px // 2, (190, 40, 50), -1)
    return rgb


def places(fruit_px: int) -> list[tuple[int, int]]:
    return [(fruit_px * (2 + 3 * i), fruit_px * (2 + 3 * j)) for i in range(3) for j in range(2)]


def write_rendered(folder: Path, fruit_px: int = 48) -> None:
    (folder / "photos").mkdir(parents=True)
    cv2.imwrite(str(folder / "photos" / "one.png"), picture_with_fruit(fruit_px)[..., ::-1])
    lines = ["photo,fruit_id,x_px,y_px,width_px,height_px,angle_deg,visible_share,on_this_row"]
    lines += [
        f"photos/one.png,F{x}-{y},{x},{y},{fruit_px},{fruit_px},0.0,{share},true"
        for (x, y), share in zip(places(fruit_px), (1, 1, 1, 1, 1, 0.1), strict=True)
    ]
    lines.append(f"photos/one.png,B1,5,5,{fruit_px},{fruit_px},0.0,1.0,false")
    (folder / "truth_balls.csv").write_text(
        f"{lines[0]}\nphotos/one.png,ball 1,240,180,24,24,0.0,1.0,true\n", encoding="utf-8"
    )
    (folder / "truth_photos.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    corners = "100,100,120,100,120,120,100,120"
    (folder / "truth_markers.csv").write_text(
        f"photo,x1_px,y1_px,x2_px,y2_px,x3_px,y3_px,x4_px,y4_px\nphotos/one.png,{corners}\n",
        encoding="utf-8",
    )


def test_rendered_fruit_of_this_row_are_measured_at_the_common_scale(tmp_path: Path) -> None:
    write_rendered(tmp_path / "set")

    (photo,) = usable(rendered_photos(tmp_path / "set"))
    scaled = to_common_scale(photo)
    sample = sample_photo(scaled, np.random.default_rng(0), patches=2)

    assert len(photo.boxes_px) == 5
    assert len(photo.other_px) == 1
    assert np.median(scaled.boxes_px[:, 2]) == pytest.approx(36)
    assert scaled.rgb.shape == (252, 360, 3)
    # The marker's 20 px and as much on each side; the ball's 24 px; at 36 px a fruit instead of 48.
    assert not scaled.valid[61:104, 61:104].any()
    assert not scaled.valid[127:143, 172:188].any()
    assert scaled.valid[:59].all()
    red, green = lab_of(np.array([[[190, 40, 50], [90, 130, 60]]], dtype=np.uint8))[0]
    found = dict(zip(FRUIT_COLUMNS, np.median(sample.fruit, axis=0), strict=True))
    assert found["fruit L*"] == pytest.approx(red[0], abs=2)
    assert found["fruit a*"] == pytest.approx(red[1], abs=2)
    assert found["leaf L*"] == pytest.approx(green[0], abs=2)
    assert found["leaf b*"] == pytest.approx(green[2], abs=2)
    assert found["near fruit: share of leaf"] > 0.95
    assert found["reddish fruit: ellipse share not leaf"] > 0.9


def test_boxes_of_what_is_seen_come_from_the_coco_truth_and_crowds_are_left_out(
    tmp_path: Path,
) -> None:
    write_rendered(tmp_path / "set")
    x, y = places(48)[0]
    seen = {
        "image_id": 7,
        "fv_fruit_id": f"F{x}-{y}",
        "bbox": [x - 24, y - 24, 48, 20],
        "iscrowd": 0,
    }
    crowd = {"image_id": 7, "bbox": [0, 0, 9, 9], "iscrowd": 1}
    coco = {"images": [{"id": 7, "file_name": "photos/one.png"}], "annotations": [seen, crowd]}
    (tmp_path / "set" / "truth_coco.json").write_text(json.dumps(coco), encoding="utf-8")

    (photo,) = rendered_photos(tmp_path / "set")

    assert photo.parts_px[0].tolist() == [x - 24, y - 24, 48, 20]
    assert photo.boxes_px[0].tolist() == [x - 24, y - 24, 48, 48]
    assert photo.parts_px[1:].tolist() == photo.boxes_px[1:].tolist()


def test_small_fruit_are_not_enlarged(tmp_path: Path) -> None:
    write_rendered(tmp_path / "set", fruit_px=30)

    assert not usable(rendered_photos(tmp_path / "set"))


def test_real_boxes_cut_by_the_border_are_not_measured_and_loose_ones_are_tightened(
    tmp_path: Path,
) -> None:
    boxes = [([10, 10, 60, 60], 0), ([0, 0, 30, 30], 1), ([5, 5, 20, 40], 0)]
    coco = {
        "images": [
            {"id": 1, "file_name": "a76_x.jpg", "fruit": "apple", "split": "train"},
            {"id": 2, "file_name": "a81_x.jpg", "fruit": "apple", "split": "train"},
            {"id": 3, "file_name": "a76_y.jpg", "fruit": "apple", "split": "val"},
        ],
        "annotations": [
            {"image_id": image, "bbox": box, "truncated": cut}
            for image in (1, 2)
            for box, cut in boxes
        ],
    }
    (tmp_path / "boxes.json").write_text(json.dumps(coco), encoding="utf-8")

    early, late = real_photos(tmp_path, tmp_path / "boxes.json", fruit="apple", split="train")

    assert early.boxes_px == pytest.approx(np.array([[10, 10, 60, 60], [5, 5, 20, 40]]))
    # 6.5 px less on each side; what is left of the third box is too narrow.
    assert late.boxes_px == pytest.approx(np.array([[16.5, 16.5, 47, 47]]))
    assert len(late.other_px) == 2


def test_tiles_never_published_are_no_picture() -> None:
    rgb = speckle(9)
    rgb[:64, :64] = 114

    hidden = missing(rgb)

    assert hidden[:64, :64].all()
    assert not hidden[80:, 80:].any()


def test_a_page_with_real_photos_is_refused_inside_the_repository() -> None:
    page = str(REPOSITORY / "docs" / "page.png")

    with pytest.raises(SystemExit, match="outside the repository"):
        main(["--real", ".", "--annotations", "x", "--rendered", ".", "--page", page])
