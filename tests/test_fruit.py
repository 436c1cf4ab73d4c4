"""Drawn trees with known fruit: found, outlined, shared into seen and hidden, sized."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from fruitvision.errors import DetectorUnknown
from fruitvision.fruit.classical import ClassicalDetector, near_row
from fruitvision.fruit.detector import Detections, choose_detector
from fruitvision.fruit.outline import RAYS, ellipse_radii, fit_ellipses
from fruitvision.fruit.visible import boxes_around
from tests.scenes import Ball, Camera, Image, Leaf, draw_scene, photo_of, true_outline_px
from tests.test_measure import measured

CAMERA = Camera(width_px=1200, height_px=900, focal_px=1000.0)
DEPTH_MM = 1500.0
MM_PER_PX = DEPTH_MM / CAMERA.focal_px
RED, YELLOW, DARK = (0.45, 0.03, 0.03), (0.55, 0.45, 0.08), (0.10, 0.01, 0.02)


@cache
def sixty_balls(colour: tuple[float, float, float]) -> tuple[Ball, ...]:
    rng = np.random.default_rng(0)
    return tuple(
        Ball(
            centre_mm=(
                (column - 4.5) * 165 + rng.uniform(-15, 15),
                (row - 2.5) * 200 + rng.uniform(-15, 15),
                DEPTH_MM,
            ),
            diameter_mm=rng.uniform(60, 80),
            flatness=rng.uniform(0.85, 1.0),
            colour=colour,
        )
        for column in range(10)
        for row in range(6)
    )


@cache
def picture(*things: Ball | Leaf) -> Image:
    return draw_scene(CAMERA, things, rays_per_side=3)


@cache
def found_in(*things: Ball | Leaf, mm_per_px: float | None = MM_PER_PX) -> Detections:
    return detect(picture(*things), mm_per_px=mm_per_px)


def detect(image: Image, *, mm_per_px: float | None = MM_PER_PX) -> Detections:
    return ClassicalDetector().detect(image, mm_per_px=mm_per_px)


def nearest(found: Detections, ball: Ball) -> int:
    """Index of the outline whose centre is nearest, asserted to be within half a radius."""
    x, y, long_px, *_ = true_outline_px(CAMERA, ball)
    apart = np.hypot(found.outlines[:, 0] - x, found.outlines[:, 1] - y)
    assert apart.min() < long_px / 4
    return int(apart.argmin())


@pytest.mark.parametrize(
    ("colour", "mm_per_px"),
    [(RED, MM_PER_PX), (YELLOW, MM_PER_PX), (DARK, MM_PER_PX), (RED, None)],
    ids=["red", "yellow", "dark", "red, scale unknown"],
)
def test_sixty_separate_fruit_are_all_found_once(colour, mm_per_px):
    found = found_in(*sixty_balls(colour), mm_per_px=mm_per_px)
    assert len(found) == 60
    assert len({nearest(found, ball) for ball in sixty_balls(colour)}) == 60
    assert found.on_this_row.all()


@pytest.mark.parametrize("colour", [RED, YELLOW, DARK], ids=["red", "yellow", "dark"])
def test_long_axis_of_whole_fruit_is_right_within_one_per_cent(colour):
    balls = sixty_balls(colour)
    found = found_in(*balls)
    true_px = np.array([true_outline_px(CAMERA, ball)[2] for ball in balls])
    seen_px = found.outlines[[nearest(found, ball) for ball in balls], 2]
    assert abs(np.mean(seen_px / true_px) - 1) < 0.01
    assert np.std(seen_px / true_px) < 0.01


def test_whole_fruit_are_seen_whole():
    found = found_in(*sixty_balls(RED))
    assert found.visible_shares.mean() > 0.97


def test_two_touching_fruit_stay_two():
    pairs = [
        Ball(centre_mm=(x + side * 34, y, DEPTH_MM + side), diameter_mm=70, colour=RED)
        for x in (-600, -300, 0, 300, 600)
        for y in (-300, 0, 300)
        for side in (-1, 1)
    ]
    assert len(found_in(*pairs)) == len(pairs)


def leaf_over(ball: Ball, side_deg: float) -> Leaf:
    """A leaf, 60 x 36 mm, whose middle lies on the rim of a ball and that points to its centre."""
    x, y, depth_mm = ball.centre_mm
    out = np.array([np.cos(np.radians(side_deg)), np.sin(np.radians(side_deg))])
    return Leaf(
        centre_mm=(*(np.array([x, y]) + out * ball.diameter_mm / 2), depth_mm - 20),
        length_mm=60,
        width_mm=36,
        roll_deg=side_deg,
    )


def test_leaves_in_front_lower_the_visible_share_and_leave_the_outlines_round():
    balls = sixty_balls(RED)
    leaves = tuple(leaf_over(ball, 47.0 * number) for number, ball in enumerate(balls))
    found = found_in(*balls, *leaves)
    rows = [nearest(found, ball) for ball in balls]
    true_px = np.array([true_outline_px(CAMERA, ball)[2] for ball in balls])
    assert np.median(found.outlines[rows, 2] / true_px) == pytest.approx(1.0, abs=0.02)
    assert np.median(np.abs(found.outlines[rows, 2] / true_px - 1)) < 0.04
    assert found.visible_shares[rows].mean() < 0.93


def test_masks_lie_inside_their_outlines_and_share_no_pixel():
    balls = (
        Ball(centre_mm=(-20, 0, DEPTH_MM), diameter_mm=70, colour=RED),
        Ball(centre_mm=(25, 5, DEPTH_MM - 60), diameter_mm=70, colour=RED),
        *(one for one in sixty_balls(RED) if abs(one.centre_mm[0]) > 150),
    )
    found = found_in(*balls)
    taken = np.zeros((CAMERA.height_px, CAMERA.width_px), dtype=int)
    for outline, mask, (left, top) in zip(
        found.outlines, found.masks, found.mask_origins, strict=True
    ):
        taken[top : top + mask.shape[0], left : left + mask.shape[1]] += mask
        rows, columns = np.nonzero(mask)
        apart = np.hypot(columns + left - outline[0], rows + top - outline[1])
        assert apart.max() <= outline[2] / 2 + 1e-9
    assert taken.max() == 1


def test_boxes_reach_to_the_outer_edges_of_the_seen_pixels():
    found = found_in(*sixty_balls(RED))
    for box, mask, (left, top) in zip(found.boxes, found.masks, found.mask_origins, strict=True):
        rows, columns = np.nonzero(mask)
        assert box[:2].tolist() == [columns.min() + left - 0.5, rows.min() + top - 0.5]
        assert box[2:].tolist() == [columns.max() + left + 0.5, rows.max() + top + 0.5]


def test_a_fruit_of_which_no_pixel_is_seen_is_boxed_by_its_outline():
    # Long axis 20 upright, short axis 10: 5 px to either side, 10 px up and down.
    outlines = np.array([[50.0, 40.0, 20.0, 10.0, 90.0]])
    boxes = boxes_around((np.zeros((3, 3), bool),), np.array([[0, 0]]), outlines)
    assert boxes[0] == pytest.approx([45.0, 30.0, 55.0, 50.0])


def test_all_candidates_are_those_called_fruit_and_less_sure_ones():
    # Upright leaves hide most of 18 fruit; of some a sliver is left.
    hidden = tuple(
        Leaf(
            centre_mm=(ball.centre_mm[0] + 10 * (number % 6), ball.centre_mm[1], DEPTH_MM - 90),
            length_mm=140,
            width_mm=70,
            roll_deg=90,
        )
        for number, ball in enumerate(sixty_balls(DARK)[:18])
    )
    image = picture(*sixty_balls(DARK), *hidden)
    everything = ClassicalDetector().detect_all(image, mm_per_px=MM_PER_PX)
    called = everything.take(everything.scores >= ClassicalDetector().threshold)
    assert np.array_equal(called.outlines, detect(image).outlines)
    assert everything.scores.min() < ClassicalDetector().threshold


def test_zoom_changes_pixels_not_millimetres():
    far = Camera(width_px=900, height_px=675, focal_px=750.0)
    balls = sixty_balls(RED)
    plain = found_in(*balls)
    zoomed = detect(draw_scene(far, balls, rays_per_side=3), mm_per_px=DEPTH_MM / far.focal_px)
    plain_mm = np.sort(plain.outlines[:, 2]) * MM_PER_PX
    zoomed_mm = np.sort(zoomed.outlines[:, 2]) * DEPTH_MM / far.focal_px
    assert zoomed_mm.mean() == pytest.approx(plain_mm.mean(), rel=0.01)


def flat(colour: tuple[int, int, int]) -> Image:
    return np.full((600, 800, 3), colour, dtype=np.uint8)


def bin_of_apples() -> Image:
    """Apples wall to wall, no leaf in sight."""
    balls = tuple(
        Ball(centre_mm=(x, y, DEPTH_MM), diameter_mm=130, colour=RED)
        for x in range(-900, 901, 90)
        for y in range(-700, 701, 90)
    )
    return picture(*balls)


# Drawn by the test, not when the file is read: each process of a run reads them all.
WITHOUT_A_TREE: dict[str, Callable[[], Image]] = {
    "sky": lambda: flat((120, 170, 235)),
    "grey": lambda: flat((114, 114, 114)),
    "black": lambda: flat((0, 0, 0)),
    "wall": lambda: np.random.default_rng(1).normal(150, 12, (600, 800, 3)).astype(np.uint8),
    "bin": bin_of_apples,
}


@pytest.mark.parametrize("what", WITHOUT_A_TREE)
def test_a_photo_without_a_tree_has_no_fruit(what):
    assert len(detect(WITHOUT_A_TREE[what](), mm_per_px=None)) == 0


def test_foliage_alone_has_next_to_no_fruit():
    assert len(found_in(mm_per_px=None)) <= 5


def test_at_a_scale_where_fruit_are_dots_none_is_found():
    # 100 mm at 30 mm per px is 3 px wide.
    assert len(found_in(*sixty_balls(RED), mm_per_px=30.0)) == 0


def test_a_tiny_picture_is_no_trouble():
    green = np.full((20, 30, 3), (40, 110, 30), dtype=np.uint8)
    assert len(detect(green, mm_per_px=None)) == 0


def test_the_same_picture_gives_the_same_fruit():
    again = detect(picture(*sixty_balls(RED)))
    assert np.array_equal(again.outlines, found_in(*sixty_balls(RED)).outlines)


def test_fruit_of_half_the_usual_size_hang_on_a_row_behind():
    # 45 px is the median of the sure ones; 0.65 of it is 29.25 px.
    long_px = np.array([44.0, 45.0, 46.0, 30.0, 29.0, 20.0])
    scores = np.array([0.9, 0.9, 0.9, 0.4, 0.4, 0.4])
    assert near_row(long_px, scores).tolist() == [True, True, True, True, False, False]


def test_an_ellipse_is_recovered_from_its_rim():
    # Long axis 2 * 1.05, short axis 2 * 0.95, turned by 30 degrees, about its own centre:
    # k0 is the mean of 1/a² and 1/b², the second wave has half their difference, halved again.
    outline = np.array([[0.0, 0.0, 2.10, 1.90, 30.0]])
    shape = fit_ellipses(ellipse_radii(outline))[0]
    mean = (1.05**-2 + 0.95**-2) / 2
    wave = (0.95**-2 - 1.05**-2) / 4
    assert shape[0] == pytest.approx(mean, rel=0.003)
    assert np.hypot(shape[3], shape[4]) == pytest.approx(wave, rel=0.06)
    assert np.degrees(0.5 * np.arctan2(shape[4], shape[3])) == pytest.approx(30, abs=0.5)


def test_a_leaf_over_a_quarter_of_the_rim_does_not_move_the_ellipse():
    rim = np.ones((1, RAYS))
    rim[0, : RAYS // 4] = 0.75
    assert fit_ellipses(rim)[0, 0] ** -0.5 == pytest.approx(1.0, abs=0.01)


def test_the_detector_is_chosen_by_name():
    detector = choose_detector("classical")
    assert (detector.name, detector.version) == ("classical", "1")
    assert len(detector.limits) > 40


def test_an_unknown_detector_is_refused_and_the_known_ones_named():
    with pytest.raises(DetectorUnknown, match=r"Unknown detector 'clasical'.*'classical'"):
        choose_detector("clasical")


def test_drawn_fruit_are_sized_right_from_picture_to_millimetres():
    # Balls at the depth of the scale: the mean must be theirs within 1 %.
    balls = sixty_balls(RED)
    found = found_in(*balls)
    fruit = measured(found, photo=photo_of(CAMERA))
    sized = [one.diameter_mm for one in fruit if one.diameter_mm is not None]
    assert len(sized) > 45
    assert np.mean(sized) == pytest.approx(np.mean([ball.diameter_mm for ball in balls]), rel=0.01)
