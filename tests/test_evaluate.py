"""Finds against truth: worked by hand, against another program, and from the command line."""

import json
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from faster_coco_eval import COCO, COCOeval_faster
from faster_coco_eval import mask as coco_mask
from numpy.typing import NDArray
from PIL import Image as PillowImage
from typer.testing import CliRunner

from fruitvision.cli import cli, main
from fruitvision.domain import Photo
from fruitvision.errors import FieldDataError
from fruitvision.evaluate.average_precision import average_precision, best_rates, rates_at
from fruitvision.evaluate.figures import figures_of, worst_first
from fruitvision.evaluate.gaps import in_gaps, missing_tiles
from fruitvision.evaluate.matching import NOTHING, match, overlaps_of
from fruitvision.evaluate.outlines import ellipse_overlaps
from fruitvision.evaluate.pictures import FALSE, FOUND, MISSED, draw_result
from fruitvision.evaluate.report import table_lines
from fruitvision.evaluate.run import Looking, PhotoResult, evaluate, photo_result
from fruitvision.evaluate.run_lengths import mask_of, pieces
from fruitvision.evaluate.truth import TruthPhoto, read_truth
from fruitvision.fruit.detector import Detections, Image, no_fruit
from tests.scenes import Ball, Camera, Marker, draw_scene

Floats = NDArray[np.float64]


# ---------------------------------------------------------------- small worlds


def boxes(*rows: tuple[float, float, float, float]) -> Floats:
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def square(x: float, y: float, side: float = 10.0) -> tuple[float, float, float, float]:
    return (x, y, x + side, y + side)


def found_at(
    rows: Floats, scores: list[float], *, behind: tuple[int, ...] = (), share: float = 1.0
) -> Detections:
    """Detections whose boxes, counted at edges of pixels, are `rows`; round outlines in them."""
    sides = rows[:, 2:] - rows[:, :2]
    middles = (rows[:, :2] + rows[:, 2:]) / 2 - 0.5
    return Detections(
        outlines=np.column_stack([middles, sides.max(1), sides.min(1), np.zeros(len(rows))]),
        masks=tuple(np.ones((1, 1), dtype=np.bool_) for _ in rows),
        mask_origins=np.zeros((len(rows), 2), dtype=np.int64),
        visible_shares=np.full(len(rows), share),
        scores=np.array(scores, dtype=np.float64),
        on_this_row=~np.isin(np.arange(len(rows)), behind),
        boxes=rows - 0.5,
    )


class KnownDetector:
    """Gives what it was told, whatever the picture shows."""

    name, version, limits = "known", "1", "Sees nothing."
    threshold = 0.5

    def __init__(self, everything: Detections) -> None:
        self.everything = everything

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        return self.everything.take(self.everything.scores >= self.threshold)

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        return self.everything


PHOTO = Photo(
    photo_id="0", name="row.png", width_px=200, height_px=100, sharpness=5.0, brightness=0.5
)


def leaf_picture(width: int = 200, height: int = 100) -> Image:
    return np.full((height, width, 3), (40, 90, 30), dtype=np.uint8)


def annotation(box: tuple[float, float, float, float], **more: object) -> dict[str, object]:
    left, top, right, bottom = box
    width, height = right - left, bottom - top
    return {"image_id": 1, "category_id": 1, "bbox": [left, top, width, height]} | more


def write_coco(
    folder: Path,
    annotations: list[dict[str, object]],
    *,
    images: list[dict[str, object]] | None = None,
    categories: tuple[str, ...] = ("hanging fruit", "fallen fruit", "ball of known size"),
) -> Path:
    path = folder / "truth.json"
    document = {
        "images": images or [{"id": 1, "file_name": "photos/row.png", "width": 200, "height": 100}],
        "categories": [
            {"id": number, "name": name, "supercategory": "fruit" if "fruit" in name else ""}
            for number, name in enumerate(categories, start=1)
        ],
        "annotations": [{"id": number} | one for number, one in enumerate(annotations, start=1)],
    }
    path.write_text(json.dumps(document))
    return path


def truth_of(folder: Path, *annotations: dict[str, object]) -> TruthPhoto:
    return read_truth(write_coco(folder, list(annotations)))[0]


def seen_by(detections: Detections, truth: TruthPhoto, image: Image | None = None) -> PhotoResult:
    picture = leaf_picture() if image is None else image
    return photo_result(KnownDetector(detections), truth, picture, PHOTO, Looking())


# ---------------------------------------------------------------- matching and precision


def test_overlap_is_common_over_joint_area_and_for_a_crowd_over_the_finds_own() -> None:
    found, truth = boxes(square(0, 0)), boxes(square(5, 0), (5, -50, 105, 50), square(20, 20))
    overlap = overlaps_of(found, truth, np.array([False, True, False]))
    # 5 x 10 of 150; half of the find lies in the crowd.
    assert overlap[0] == pytest.approx([1 / 3, 0.5, 0.0])


def test_the_better_score_takes_the_fruit_and_the_other_stays_wrong() -> None:
    overlap = np.array([[0.9], [0.6]])
    nobody = np.array([False])
    matches = match(overlap, np.array([0.3, 0.8]), nobody, nobody, least_overlap=0.5)
    assert matches.fruit.tolist() == [NOTHING, 0]
    assert matches.right.tolist() == [False, True]


def test_a_wanted_fruit_is_preferred_to_an_ignored_one_that_fits_better() -> None:
    overlap = np.array([[0.95, 0.55]])
    ignored, crowd = np.array([True, False]), np.array([False, False])
    matches = match(overlap, np.array([0.8]), ignored, crowd, least_overlap=0.5)
    assert matches.fruit.tolist() == [1]
    assert not matches.ignored[0]


def test_of_equal_overlaps_the_later_fruit_is_taken_and_then_the_other() -> None:
    overlap, nobody = np.array([[0.6, 0.6], [0.6, 0.6]]), np.array([False, False])
    matches = match(overlap, np.array([0.8, 0.7]), nobody, nobody, least_overlap=0.5)
    assert matches.fruit.tolist() == [1, 0]


def test_a_crowd_passes_over_many_finds_and_an_ignored_fruit_over_one() -> None:
    overlap = np.array([[0.9, 0.0], [0.9, 0.0], [0.0, 0.9], [0.0, 0.9]])
    ignored, crowd = np.array([True, True]), np.array([True, False])
    matches = match(overlap, np.array([0.9, 0.8, 0.7, 0.6]), ignored, crowd, least_overlap=0.5)
    assert matches.ignored.tolist() == [True, True, True, False]
    assert not matches.right.any()


def test_average_precision_of_four_finds_by_hand() -> None:
    # Right, wrong, right, wrong of four fruit: precision 1 up to recall 1/4 (26 of the 101
    # recalls), 2/3 up to 1/2 (25 more), then nothing.
    scores, right = np.array([0.6, 0.9, 0.8, 0.7]), np.array([False, True, False, True])
    assert average_precision(scores, right, 4) == pytest.approx((26 + 25 * 2 / 3) / 101)
    assert average_precision(scores, right, 0) is None
    assert average_precision(np.zeros(0), np.zeros(0, dtype=np.bool_), 3) == 0.0


def test_f1_by_hand_and_a_threshold_never_parts_equal_scores() -> None:
    scores, right = np.array([0.9, 0.5, 0.5, 0.2]), np.array([True, True, False, True])
    at = rates_at(scores, right, 4, 0.5)
    assert (at.right, at.wrong, at.missed) == (2, 1, 2)
    assert (at.precision, at.recall) == (pytest.approx(2 / 3), 0.5)
    assert at.f1 == pytest.approx(4 / 7)
    # With the 0.5 that is right alone F1 would be 2/3; with all four it is 6/8.
    assert best_rates(scores, right, 4).threshold == 0.2
    assert best_rates(scores[:3], right[:3], 4).f1 == pytest.approx(4 / 7)
    nothing = best_rates(np.zeros(0), np.zeros(0, dtype=np.bool_), 0)
    assert (nothing.precision, nothing.recall, nothing.f1) == (None, None, None)


# ---------------------------------------------------------------- against another program

# That program ignores fruit whose area lies outside of all its ranges.
OUTSIDE_ALL_RANGES = 1e11


def random_photo(rng: np.random.Generator) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Fruit with their part (0 wanted, 1 ignored, 2 crowd), finds and scores."""
    fruit = np.round(rng.uniform(0, 150, (rng.integers(0, 30), 2)), 1)
    fruit = np.column_stack([fruit, fruit + np.round(rng.uniform(8, 30, fruit.shape), 1)])
    part = rng.choice(3, len(fruit), p=[0.7, 0.2, 0.1])
    fruit[part == 2, 2:] += 30
    near = np.repeat(fruit, 3, axis=0) + rng.normal(0, 2.5, (3 * len(fruit), 4))
    stray = rng.uniform(0, 170, (15, 2))
    found = np.concatenate([near, np.column_stack([stray, stray + 12])])
    found = found[(found[:, 2:] > found[:, :2]).all(axis=1)]
    # Two digits: equal scores occur.
    return fruit, part, found, np.round(rng.uniform(0.01, 1, len(found)), 2)


@pytest.mark.parametrize("seed", range(4))
def test_average_precision_agrees_with_another_program_also_with_ignored_fruit_and_crowds(
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    photos = [random_photo(rng) for _ in range(12)]
    wanted = sum(int((part == 0).sum()) for _, part, _, _ in photos)
    ours = {}
    for least in (0.2, 0.5, 0.75):
        scores, right = [], []
        for fruit, part, found, score in photos:
            overlap = overlaps_of(found, fruit, part == 2)
            matches = match(overlap, score, part > 0, part == 2, least_overlap=least)
            scores.append(score[~matches.ignored])
            right.append(matches.right[~matches.ignored])
        ours[least] = average_precision(np.concatenate(scores), np.concatenate(right), wanted)
    theirs = their_average_precision(photos, tuple(ours))
    assert list(ours.values()) == pytest.approx(theirs, abs=1e-6)
    assert 0.1 < theirs[1] < 0.95


def their_average_precision(
    photos: list[tuple[Floats, NDArray[np.int64], Floats, Floats]], overlaps: tuple[float, ...]
) -> list[float]:
    truth: list[dict[str, object]] = []
    finds: list[dict[str, object]] = []
    for image_id, (fruit, part, found, scores) in enumerate(photos, start=1):
        for box, what in zip(fruit, part, strict=True):
            area = OUTSIDE_ALL_RANGES if what == 1 else 1.0
            more = {"id": len(truth) + 1, "image_id": image_id, "area": area}
            truth.append(annotation(tuple(box)) | more | {"iscrowd": int(what == 2)})
        for box, score in zip(found, scores, strict=True):
            finds.append(annotation(tuple(box)) | {"image_id": image_id, "score": float(score)})
    images = [{"id": number + 1, "width": 300, "height": 300} for number in range(len(photos))]
    categories = [{"id": 1, "name": "fruit"}]
    gt = COCO({"images": images, "categories": categories, "annotations": truth})
    run = COCOeval_faster(gt, gt.loadRes(finds), "bbox", print_function=lambda *_: None)
    run.params.maxDets = [1, 100, 2000]
    run.params.iouThrs = np.array(overlaps)
    run.evaluate()
    run.accumulate()
    return [float(at.mean()) for at in run.eval["precision"][:, :, 0, 0, -1]]


# ---------------------------------------------------------------- truth


def test_what_is_wanted_ignored_and_no_fruit_in_a_rendered_truth(tmp_path: Path) -> None:
    truth = truth_of(
        tmp_path,
        annotation(square(0, 0), fv_this_row=True, fv_visible_share=0.2),
        annotation(square(20, 0), fv_this_row=True, fv_visible_share=0.19),
        annotation(square(40, 0), fv_this_row=False, fv_visible_share=0.9),
        annotation(square(60, 0), category_id=2, fv_this_row=True, fv_visible_share=0.9),
        annotation(square(80, 0), category_id=3, fv_this_row=True, fv_visible_share=0.9),
        annotation(square(100, 0), truncated=1),
        annotation(square(120, 0), truncated=0),
    )
    assert truth.ignored.tolist() == [False, True, True, True, True, False]
    assert truth.hanging.tolist() == [True, True, True, False, True, True]
    assert truth.balls.tolist() == [[80, 0, 90, 10]]
    assert (truth.wanted, truth.kind) == (2, "hanging fruit")


def test_a_crowd_with_a_mask_is_taken_as_its_pieces_as_another_program_reads_them(
    tmp_path: Path,
) -> None:
    mask = np.zeros((100, 200), dtype=np.uint8)
    mask[10:20, 30:45], mask[80:85, 190:200], mask[82, 150] = 1, 1, 1
    lengths = coco_mask.encode(np.asfortranarray(mask))
    text = lengths["counts"].decode()
    assert (mask_of({"size": [100, 200], "counts": text}) == mask).all()
    assert sorted(map(tuple, pieces(mask > 0))) == [
        (30, 10, 45, 20),
        (150, 82, 151, 83),
        (190, 80, 200, 85),
    ]
    segmentation = {"size": [100, 200], "counts": text}
    truth = truth_of(
        tmp_path,
        annotation((30, 10, 200, 85), iscrowd=1, segmentation=segmentation),
        annotation((0, 0, 20, 20), iscrowd=1),
    )
    assert len(truth.boxes) == 4
    assert truth.crowd.all()
    assert truth.ignored.all()


def test_run_lengths_of_random_masks_are_read_as_another_program_writes_them() -> None:
    rng = np.random.default_rng(5)
    for share in (0.02, 0.5, 0.98):
        mask = np.asfortranarray((rng.random((37, 411)) < share).astype(np.uint8))
        counts = coco_mask.encode(mask)["counts"].decode()
        assert (mask_of({"size": [37, 411], "counts": counts}) == mask).all()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "can't be read as JSON"),
        ("[1, 2]", "is no COCO file: it has no images, categories, annotations"),
        ('{"images": [], "categories": []}', "is no COCO file: it has no annotations"),
        ('{"images": [], "categories": [{"id": 1, "name": "leaf"}], "annotations": []}', "leaf"),
        (
            '{"images": [], "categories": [{"id": 1, "name": "apple"}], "annotations": []}',
            "lists no photo",
        ),
        (
            '{"images": [{"id": 1, "file_name": "a"}], "categories": [{"id": 1, "name": "apple"}],'
            '"annotations": [{"image_id": 1, "category_id": 1, "bbox": [1, 2, -3, 4]}]}',
            "no COCO file that can be used",
        ),
        (
            '{"images": [{"id": 1, "file_name": "a"}], "categories": [{"id": 1, "name": "apple"}],'
            '"annotations": [{"image_id": 1, "category_id": 7, "bbox": [1, 2, 3, 4]}]}',
            "no COCO file that can be used",
        ),
    ],
)
def test_a_file_that_is_no_truth_is_refused_in_words(
    tmp_path: Path, content: str, says: str
) -> None:
    path = tmp_path / "truth.json"
    path.write_text(content)
    with pytest.raises(FieldDataError, match=says):
        read_truth(path)


def test_only_photos_of_the_split_are_read_and_an_unknown_split_is_refused(
    tmp_path: Path,
) -> None:
    images = [
        {"id": number, "file_name": f"{number}.png", "width": 9, "height": 9, "split": split}
        for number, split in ((3, "val"), (1, "train"), (2, "val"))
    ]
    path = write_coco(tmp_path, [annotation(square(0, 0))], images=images)
    assert [photo.image_id for photo in read_truth(path, split="val")] == [2, 3]
    assert [photo.image_id for photo in read_truth(path)] == [1, 2, 3]
    with pytest.raises(FieldDataError, match=r"split 'test'\. Known: train, val\."):
        read_truth(path, split="test")


# ---------------------------------------------------------------- gaps


def test_finds_in_flat_grey_are_left_out_also_after_jpeg(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    picture = rng.integers(0, 255, (100, 200, 3)).astype(np.uint8)
    picture[:, :90] = 114
    # A grey stone of 20 px is no gap.
    picture[40:60, 150:170] = 114
    PillowImage.fromarray(picture).save(tmp_path / "grey.jpg", quality=75, subsampling=0)
    image = np.asarray(PillowImage.open(tmp_path / "grey.jpg"), dtype=np.uint8)
    found = boxes(square(0, 0), square(60, 85), square(95, 40), square(155, 45))
    assert in_gaps(image, found, np.zeros((0, 4))).tolist() == [True, True, False, False]


def test_tiles_that_are_not_present_are_gaps_but_for_what_neighbours_show() -> None:
    # 3 x 2 tiles of 640 px, every 512 px; the middle one of the top row is missing. Its neighbours
    # show its first and last 128 columns and the row below its last 128 lines.
    present = [
        [column, row] for column, row in product(range(3), range(2)) if (column, row) != (1, 0)
    ]
    image = {"width": 640 + 2 * 512, "height": 640 + 512, "tiles_present": present}
    gaps = missing_tiles(image)
    assert gaps.tolist() == [[640, 0, 1024, 512]]
    picture = leaf_picture(1664, 1152)
    found = boxes(square(800, 100), square(630, 100), square(800, 520))
    assert in_gaps(picture, found, gaps).tolist() == [True, False, False]
    assert len(missing_tiles({"width": 1800, "height": 2400, "tiles_present": []})) == 0
    assert len(missing_tiles({"width": 640, "height": 640})) == 0


# ---------------------------------------------------------------- one photo and many


def test_one_photo_by_hand(tmp_path: Path) -> None:
    truth = truth_of(
        tmp_path,
        annotation(square(0, 0)),
        annotation(square(20, 0)),
        annotation(square(40, 0)),
        annotation(square(60, 0), truncated=1),
        annotation(square(80, 0), category_id=3),
    )
    found = found_at(
        boxes(
            square(0, 0),  # fits
            square(25, 0),  # overlap of 1/3
            square(60, 0),  # on a cut box
            square(80, 0),  # on a ball
            square(40, 0),  # fits, but not sure
            square(120, 50),  # nothing there, and said to be of a row behind
        ),
        [0.9, 0.8, 0.7, 0.6, 0.4, 0.95],
        behind=(5,),
    )
    result = seen_by(found, truth)
    figures = figures_of([result], 0.5)
    usual, there = figures.usual, figures.there
    assert (usual.own.right, usual.own.wrong, usual.own.missed) == (1, 2, 2)
    assert (there.own.right, there.own.wrong, there.own.missed) == (2, 1, 1)
    assert (there.best.threshold, there.best.right, there.best.wrong) == (0.4, 3, 1)
    # Right, wrong, wrong, right of three: precision 1 up to recall 1/3 (34), 1/2 up to 2/3 (33).
    assert figures.ap50 == pytest.approx((34 + 33 / 2) / 101)
    assert figures.false_per_photo == 1.0
    assert figures.count.photos == 0


def test_a_detection_is_half_a_pixel_off_in_centres_and_not_in_edges(tmp_path: Path) -> None:
    truth = truth_of(tmp_path, annotation((3, 3, 8, 8)))
    # Pixels 3 to 7 reach from 2.5 to 7.5 where the first pixel's centre is 0.
    found = replace(found_at(boxes((3, 3, 8, 8)), [0.9]), boxes=boxes((2.5, 2.5, 7.5, 7.5)))
    overlap = overlaps_of(seen_by(found, truth).boxes, truth.boxes, truth.crowd)
    assert overlap[0, 0] == 1.0


def test_count_errors_are_of_photos_with_ten_fruit_or_more_and_pass_over_ignored_ones(
    tmp_path: Path,
) -> None:
    def photo(fruit: int, found: int) -> PhotoResult:
        places = [square(15.0 * (number % 12), 15.0 * (number // 12)) for number in range(24)]
        cut = annotation(square(180, 80), truncated=1)
        truth = truth_of(tmp_path, *(annotation(place) for place in places[:fruit]), cut)
        rows = boxes(*places[:found], square(180, 80))
        return seen_by(found_at(rows, [0.9] * len(rows)), truth)

    count = figures_of([photo(10, 12), photo(20, 17), photo(9, 1)], 0.5).count
    # +20 % and -15 %; 29 counted of 30.
    assert count.photos == 2
    assert count.bias_percent == pytest.approx(2.5)
    assert count.mean_absolute_percent == pytest.approx(17.5)
    assert count.total_bias_percent == pytest.approx(100 * (29 / 30 - 1))


def test_outlines_rows_and_balls_by_hand(tmp_path: Path) -> None:
    def known(x: float, share: float, this_row: bool) -> dict[str, object]:
        ellipse = [x + 4.5, 4.5, 10, 10, 0]
        return annotation(
            square(x, 0), fv_ellipse_px=ellipse, fv_visible_share=share, fv_this_row=this_row
        )

    truth = truth_of(
        tmp_path,
        known(0, 0.9, True),
        known(20, 0.5, True),
        known(40, 0.5, False),
        known(60, 0.5, False),
        annotation(square(80, 0), category_id=3),
        annotation(square(100, 0), category_id=3),
        annotation(square(63, 0), category_id=3),
    )
    rows = boxes(*(square(x, 0) for x in (0, 20, 40, 60, 85, 100)))
    found = found_at(rows, [0.9] * 6, behind=(1, 2, 5), share=0.8)
    # The first outline is half as high as it should be.
    found.outlines[0, 3] = 5.0
    outlines = figures_of([seen_by(found, truth)], 0.5).outlines
    assert outlines is not None
    assert (outlines.fruit, outlines.this_row, outlines.row_behind) == (2, 2, 2)
    assert outlines.outline_overlap == pytest.approx((0.5 + 1.0) / 2, abs=1e-4)
    assert outlines.visible_share_error == pytest.approx((0.1 + 0.3) / 2)
    assert (outlines.row_told_right, outlines.this_row_told_right) == (0.5, 0.5)
    assert outlines.row_behind_told_right == 0.5
    # Shifted by half its width, a find still takes the ball for fruit: overlap 1/3. One is said to
    # be of a row behind, and the find beside the last is a fruit's.
    assert (outlines.balls, outlines.balls_called_fruit) == (3, pytest.approx(1 / 3))


def test_overlaps_of_ellipses_against_counted_pixels() -> None:
    rng = np.random.default_rng(3)
    one, other = (
        np.column_stack(
            [
                rng.uniform(300, 360, (40, 2)),
                rng.uniform(120, 200, 40),
                rng.uniform(60, 120, 40),
                rng.uniform(-90, 90, 40),
            ]
        )
        for _ in range(2)
    )
    overlap = ellipse_overlaps(one, other)
    for index in range(40):
        counted = [filled(ellipse) for ellipse in (one[index], other[index])]
        joint = (counted[0] | counted[1]).sum()
        assert overlap[index] == pytest.approx((counted[0] & counted[1]).sum() / joint, abs=0.003)
    assert ellipse_overlaps(one, one) == pytest.approx(np.ones(40), abs=1e-4)
    apart = one + np.array([500, 0, 0, 0, 0])
    assert ellipse_overlaps(one, apart).tolist() == [0.0] * 40


def filled(ellipse: Floats) -> NDArray[np.bool_]:
    x, y = np.meshgrid(np.arange(660) - ellipse[0], np.arange(660) - ellipse[1])
    turn = np.deg2rad(ellipse[4])
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    return np.asarray((2 * along / ellipse[2]) ** 2 + (2 * across / ellipse[3]) ** 2 <= 1)


# ---------------------------------------------------------------- pictures


def test_found_missed_and_false_are_drawn_each_in_its_colour_and_place(tmp_path: Path) -> None:
    truth = truth_of(tmp_path, annotation((20, 20, 60, 60)), annotation((100, 20, 140, 60)))
    found = found_at(boxes((20, 20, 60, 60), (150, 20, 190, 60)), [0.9, 0.8])
    image = leaf_picture()
    drawn = draw_result(image, seen_by(found, truth))
    assert (image == leaf_picture()).all()
    places = {
        name: np.argwhere((drawn == colour).all(axis=2))[:, 1]
        for name, colour in (("found", FOUND), ("missed", MISSED), ("false", FALSE))
    }
    spans = {name: (columns.min(), columns.max()) for name, columns in places.items()}
    assert spans == {
        "found": (pytest.approx(20, abs=2), pytest.approx(59, abs=2)),
        "missed": (pytest.approx(100, abs=2), pytest.approx(139, abs=2)),
        "false": (pytest.approx(150, abs=2), pytest.approx(189, abs=2)),
    }
    # The ring leaves the corner of its box free, the rectangle does not.
    assert not (drawn[20:23, 20:23] == FOUND).all(axis=2).any()
    assert (drawn[19:23, 99:103] == MISSED).all(axis=2).any()


# ---------------------------------------------------------------- the command


CAMERA = Camera(width_px=600, height_px=600, focal_px=900.0)
BALLS_MM = tuple((x, y) for x in (-350.0, -200.0, -50.0) for y in (-250.0, 0.0, 250.0))


@cache
def scene() -> Image:
    balls = tuple(Ball(centre_mm=(*place, 1500.0), diameter_mm=75.0) for place in BALLS_MM)
    marker = Marker(centre_mm=(150.0, 0.0, 1500.0))
    return draw_scene(CAMERA, (*balls, marker), rays_per_side=3)


@pytest.fixture
def marked_up(tmp_path: Path) -> Path:
    """A photo of nine balls and a marker, one without annotations, one that is missing."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("row.png", "bare.png"):
        PillowImage.fromarray(scene()).save(photos / name)
    images: list[dict[str, object]] = [
        {"id": number, "file_name": f"photos/{name}.png", "width": 600, "height": 600}
        for number, name in enumerate(("row", "bare", "gone"), start=1)
    ]
    # 75 mm at 1.5 m are 45 px; the middle of the picture is at 300, 300 if edges are counted.
    fruit = [annotation(square(277.5 + 0.6 * x, 277.5 + 0.6 * y, 45)) for x, y in BALLS_MM]
    write_coco(tmp_path, [*fruit, annotation(square(9, 9)) | {"image_id": 3}], images=images)
    return tmp_path


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(cli, [str(one) for one in arguments], standalone_mode=False)
    code = result.return_value if isinstance(result.return_value, int) else result.exit_code
    return code, result.output


def test_the_command_says_what_it_left_out_and_goes_on(marked_up: Path) -> None:
    out, pictures = marked_up / "all.json", marked_up / "worst"
    given = ("--images", marked_up, "--coco", marked_up / "truth.json")
    more = ("--detector", "classical", "--json", out, "--worst", "5", "--pictures", pictures)
    code, said = run("models", "evaluate", *given, *more)
    assert code == 1
    assert f"photos/gone.png: It is not in {marked_up}. Name the folder" in said
    assert "photos/bare.png: It has no annotations. Annotate it" in said
    assert "2 of 3 photos were left out." in said
    assert "A find on a ball is false." in said
    document = json.loads(out.read_text())
    assert document["detector"]["name"] == "classical"
    assert document["figures"]["all"]["overlap_0.2"]["own"]["recall"] == 1.0
    # 1.5 m over 900 px.
    assert document["photos"][0]["mm_per_px"] == pytest.approx(1500 / 900, rel=0.01)
    assert [photo["name"] for photo in document["photos"]] == ["photos/row.png"]
    assert [one["name"] for one in document["left_out"]] == ["photos/bare.png", "photos/gone.png"]
    assert [path.name for path in pictures.iterdir()] == ["01_row.jpg"]


def test_photos_said_to_be_empty_count_what_is_found_in_them_as_false(marked_up: Path) -> None:
    truth = read_truth(marked_up / "truth.json")[1:2]
    detector = KnownDetector(found_at(boxes(square(5, 5), square(50, 5)), [0.9, 0.8]))
    looking = Looking(empty_photos=True)
    results, left_out = evaluate(
        detector, truth, marked_up, looking=looking, on_progress=lambda _done, _of: None
    )
    figures = figures_of(results, 0.5)
    assert not left_out
    assert (figures.false_per_photo, figures.ap50, figures.usual.own.recall) == (2.0, None, None)
    assert any("–" in line for line in table_lines({"all": figures}))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"--detector": "clasical"}, "Unknown detector 'clasical'.\nDid you mean 'classical'?"),
        ({"--coco": "none.json"}, "There is no file none.json.\nCheck its name and folder."),
        ({"--images": "nowhere"}, "There is no folder nowhere.\nCheck its name."),
        ({"--split": "val"}, "has no photo of the split 'val'.\nIt knows no splits"),
        ({"--worst": "3"}, "--worst needs a folder for the pictures.\nAdd --pictures"),
    ],
)
def test_what_can_not_be_evaluated_is_refused_in_words(
    marked_up: Path, capsys: pytest.CaptureFixture[str], change: dict[str, str], says: str
) -> None:
    given = {"--images": str(marked_up), "--coco": str(marked_up / "truth.json")} | change
    arguments = [part for pair in given.items() for part in pair]
    assert main(["models", "evaluate", *arguments]) == 2
    assert says in capsys.readouterr().err


def test_models_alone_lists_the_detectors() -> None:
    code, said = run("models")
    assert code == 0
    assert "classical, version 1" in said


def test_the_worst_photo_comes_first_and_one_without_anything_last(tmp_path: Path) -> None:
    one = truth_of(tmp_path, annotation(square(0, 0)))
    good = seen_by(found_at(boxes(square(0, 0)), [0.9]), replace(one, name="good"))
    bad = seen_by(no_fruit(), replace(one, name="bad"))
    bare = replace(one, name="bare", **{name: getattr(one, name)[:0] for name in EMPTIED})
    empty = seen_by(no_fruit(), bare)
    ordered = worst_first([empty, good, bad], 0.5)
    assert [result.truth.name for result in ordered[:1]] == ["bad"]
    assert {result.truth.name for result in ordered[1:]} == {"good", "bare"}


EMPTIED = ("boxes", "ignored", "crowd", "outlines", "visible_shares", "on_this_row", "hanging")
