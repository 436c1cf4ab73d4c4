"""A learned detector on drawn discs, whose network is made by hand and reads them exactly."""

from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from tempfile import mkdtemp

import cv2
import numpy as np
import pytest

from fruitvision.batch import for_each_photo
from fruitvision.cores import THREADS_VARIABLE, cores_available, threads_here
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import DetectorDamaged
from fruitvision.fruit import learned, tiles
from fruitvision.fruit.calibration import Calibration
from fruitvision.fruit.cells import CHANNELS, OUTLINE, THIS_ROW, Cells, Peaks, decode
from fruitvision.fruit.detector import Detections
from fruitvision.fruit.learned import LearnedDetector, learned_detector
from fruitvision.fruit.mirrored import BothWays, is_looked_at_twice, turned_back
from fruitvision.fruit.session import Network, network_of
from fruitvision.fruit.tiles import OVERLAP_PX, see, tiles_over
from fruitvision.fruit.votes import Votes, masks_of
from fruitvision.fruit.working_scale import (
    ENLARGED_TO,
    FEWEST_IN_THE_MIDDLE,
    MOST_PIXELS,
    Look,
    Zoom,
    best_look,
    bounded,
    is_far_too_small,
    look_of,
    resampled,
    working_factor,
)
from tests.disc_network import Discs, Image, grid, picture_of, write_model
from tests.records import measured


@cache
def models() -> Path:
    folder = Path(mkdtemp())
    write_model(folder)
    return folder


@cache
def detector(weights: str = "") -> LearnedDetector:
    return learned_detector(models=models(), weights=weights)


def detect(image: Image, mm_per_px: float | None = None) -> Detections:
    return detector().detect(image, mm_per_px=mm_per_px)


def by_place(found: Detections) -> Detections:
    """From top to bottom, then from left to right."""
    order = np.lexsort((found.outlines[:, 0].round(-1), found.outlines[:, 1].round(-1)))
    return found.take(order.astype(np.int64))


def test_card_and_weights_give_it_its_name_version_and_limits() -> None:
    assert (detector().name, detector().version) == ("learned", "1")
    assert detector().limits == "Finds discs only."
    assert (detector().threshold, detector().count_error) == (0.5, 0.06)
    assert (detector("int8").name, detector("float").name) == ("learned:int8", "learned")


# ---------------------------------------------------------------- places and sizes


@pytest.mark.parametrize(
    ("size", "radius", "spacing", "mm_per_px"),
    [
        ((1280, 960), 22.0, 160, 1.6),
        ((1280, 960), 31.0, 160, 1.2),
        ((1283, 957), 22.0, 160, None),
        ((300, 200), 16.0, 90, None),
        ((308, 202), 10.0, 80, None),
        ((308, 202), 10.0, 80, 2.0),
        # Fruitlets of 26 mm and fruit of 96 mm where a marker says 1.6 mm per px.
        ((640, 480), 8.0, 140, 1.6),
        ((1280, 960), 30.0, 200, 1.6),
        # Far too large for the marker's scale: looked at once more.
        ((1280, 960), 50.0, 300, 1.6),
        ((2400, 1800), 20.0, 200, None),
    ],
)
def test_discs_are_found_where_they_are_and_as_large(
    size: tuple[int, int], radius: float, spacing: float, mm_per_px: float | None
) -> None:
    discs = grid(*size, radius, spacing, off=1.3)
    found = by_place(detect(picture_of(*size, discs), mm_per_px))
    assert len(found) == len(discs)
    wanted = np.array(discs)
    assert np.abs(found.outlines[:, :2] - wanted[:, :2]).max() < 0.15
    assert found.outlines[:, 2:4] == pytest.approx(2 * radius, rel=0.005)
    box = np.column_stack([wanted[:, :2] - radius, wanted[:, :2] + radius])
    assert np.abs(found.boxes - box).max() < 0.25
    assert found.on_this_row.all()
    # logistic(3), what the network says of every disc.
    assert found.visible_shares == pytest.approx(0.9526, abs=1e-4)


def test_masks_hold_the_pixels_of_their_disc() -> None:
    discs = grid(1280, 960, 31.0, 200)
    found = by_place(detect(picture_of(1280, 960, discs), 1.2))
    assert len(found) == len(discs)
    for mask, (left, top), (x, y, radius) in zip(
        found.masks, found.mask_origins, discs, strict=True
    ):
        columns, rows = np.meshgrid(np.arange(mask.shape[1]) + left, np.arange(mask.shape[0]) + top)
        true = np.hypot(columns - x, rows - y) <= radius
        # A disc of 31 px covers 3019 px; cells of 4 px blur its rim.
        assert true.sum() == pytest.approx(3019, abs=30)
        assert (mask & true).sum() / (mask | true).sum() > 0.95


def test_discs_of_another_row_are_told_apart() -> None:
    image = picture_of(640, 480, [(150, 150, 22)], behind=[(400, 300, 15)])
    found = by_place(detect(image, 1.6))
    assert found.on_this_row.tolist() == [True, False]
    assert found.outlines[1, :3] == pytest.approx([400, 300, 30], abs=0.2)


@pytest.mark.parametrize("size", [(1, 1), (5, 300), (31, 33), (2000, 40)])
def test_odd_pictures_have_no_fruit_and_do_no_harm(size: tuple[int, int]) -> None:
    image = np.full((size[1], size[0], 3), 130, dtype=np.uint8)
    for mm_per_px in (None, 1.6, 1e-4, 500.0):
        assert len(detect(image, mm_per_px)) == 0


def test_upside_down_and_mirrored_views_are_read_as_they_lie() -> None:
    image = picture_of(640, 480, [(150, 120, 22)])
    found = detect(image[::-1, ::-1], 1.6)
    assert found.outlines[0, :2] == pytest.approx([489, 359], abs=0.1)


def test_a_disc_cut_by_the_edge_is_boxed_up_to_the_edge() -> None:
    found = detect(picture_of(637, 479, [(630, 240, 22), (300, 470, 22)]), 1.6)
    assert len(found) == 2
    right = found.boxes[found.outlines[:, 0] > 600][0]
    bottom = found.boxes[found.outlines[:, 0] < 600][0]
    assert right[2] == pytest.approx(636.5, abs=1.5)
    assert right[2] <= 636.5
    assert bottom[3] == pytest.approx(478.5, abs=1.5)
    assert bottom[3] <= 478.5


# ---------------------------------------------------------------- scores


def test_all_candidates_are_those_called_fruit_and_less_sure_ones() -> None:
    image = picture_of(640, 480, [(150, 150, 22), (400, 300, 22)])
    # A pale disc: red less green is 120, a little above the middle of 110; then one of 60.
    for (x, y), red in {(150, 350): 160, (400, 100): 100}.items():
        image[y - 16 : y + 16, x - 16 : x + 16] = (red, 40, 40)
    everything = detector().detect_all(image, mm_per_px=1.6)
    called = detector().detect(image, mm_per_px=1.6)
    assert len(everything) == 4
    assert len(called) == 3
    assert np.array_equal(called.scores, everything.scores[:3])
    assert (np.diff(everything.scores) <= 0).all()


def test_sure_fruit_vouch_for_less_sure_ones_of_a_picture_made_larger() -> None:
    # Discs of 16 px are made 2.75 times as large, 1.196 doublings beyond 1.2: the odds of a pale
    # disc, below the threshold by itself, grow by 4 ** 1.196 if six others are sure.
    calibration = Calibration(per_doubling=float(np.log(4.0)))
    card = replace(detector().card, calibration=calibration)
    kind = replace(detector(), card=card)
    chances = []
    for number in (0, 3, 7):
        places = [(x, y) for y in (30, 90) for x in (30, 90, 150, 210)]
        image = picture_of(240, 120, [(x, y, 8.0) for x, y in places[:number]])
        pale = image[82:98, 202:218]
        pale[:] = (120, 30, 30)
        plain = detector().detect_all(image, mm_per_px=4.4)
        vouched = kind.detect_all(image, mm_per_px=4.4)
        odds = [one.scores.min() / (1 - one.scores.min()) for one in (plain, vouched)]
        chances.append(np.log(odds[1] / odds[0]) / np.log(4.0))
    assert chances == pytest.approx([0.0, 0.598, 1.196], abs=0.01)


def test_scores_are_calibrated_and_other_weights_give_other_ones() -> None:
    image = picture_of(640, 480, [(150, 150, 22)])
    # The heat is 6 in the middle of a disc, 1 lower by the int8 weights: logistic(6), logistic(5).
    assert detect(image, 1.6).scores == pytest.approx([0.9975], abs=2e-4)
    other = detector("int8").detect(image, mm_per_px=1.6)
    assert other.scores == pytest.approx([0.9933], abs=2e-4)


# ---------------------------------------------------------------- scale


def test_points_and_boxes_go_back_to_the_picture_by_its_pixels_centres() -> None:
    # Made half as large: px 0 covers px 0 and 1, its centre lies at 0.5.
    zoom = Zoom(0.5, 0.5)
    assert zoom.boxes_to_full(np.array([[0.0, 1.0]])).tolist() == [[0.5, 2.5]]
    outlines = zoom.outlines_to_full(np.array([[0.0, 1.0, 10.0, 8.0, 30.0]]))
    assert outlines.tolist() == [[0.5, 2.5, 20.0, 16.0, 30.0]]


def test_a_picture_is_brought_within_the_limits() -> None:
    # 50.4 megapixels, of which 24 are left; a small one is not made larger than 3 times.
    factor = bounded(2.0, np.zeros((6000, 8400, 3), np.uint8))
    assert factor == pytest.approx((MOST_PIXELS / 50.4e6) ** 0.5)
    assert bounded(9.0, np.zeros((200, 300, 3), np.uint8)) == 3.0
    assert bounded(1e-5, np.zeros((200, 320, 3), np.uint8)) == 0.1


def test_a_picture_is_resampled_to_whole_pixels_and_says_by_how_much() -> None:
    # 0.71 * 300 = 213, 0.71 * 201 = 142.7.
    small, zoom = resampled(np.zeros((201, 300, 3), np.uint8), 0.71)
    assert small.shape == (143, 213, 3)
    assert (zoom.across, zoom.down) == (213 / 300, 143 / 201)


def test_what_is_made_larger_is_smoothed_and_what_hardly_grows_is_not() -> None:
    # Columns dark and light by turns, as grain: 3 times as large, still 128 +- 128 on straight
    # lines; smoothed by 1.6 px, a wave of 6 px keeps exp(-(2 pi 1.6 / 6)^2 / 2) = 0.25 of it.
    grain = np.zeros((40, 40, 3), np.uint8)
    grain[:, ::2] = 255
    larger, _ = resampled(grain, 3.0)
    straight = np.asarray(cv2.resize(grain, (120, 120), interpolation=cv2.INTER_LINEAR), float)
    assert larger[30:90, 30:90].std() / straight[30:90, 30:90].std() == pytest.approx(
        0.25, abs=0.03
    )
    assert larger.mean() == pytest.approx(straight.mean(), abs=1.0)
    hardly, _ = resampled(grain, 1.1)
    assert np.array_equal(hardly, cv2.resize(grain, (44, 44), interpolation=cv2.INTER_LINEAR))


@dataclass
class Eye:
    """Looks at a picture whose fruit are `fruit_px` wide in full px.

    It sees them from `least_px` to `most_px`, and those under 0.63 of 44 px wider than they are.
    """

    fruit_px: float
    least_px: float = 10.0
    most_px: float = 1000.0
    number: int = 20
    looks: int = 0

    def __call__(self, factor: float) -> Look:
        self.looks += 1
        width = self.fruit_px * factor
        if not self.least_px <= width <= self.most_px:
            return Look(factor, np.zeros(0), 0.0)
        # seen * (seen / 27.72) ** 0.5 = width.
        seen = max(width, (width * 27.72**0.5) ** (1 / 1.5)) if width < 27.72 else width
        return Look(factor, np.full(self.number, seen), float(self.number))


@pytest.mark.parametrize("fruit_px", [16.0, 30.0, 60.0, 150.0, 400.0])
def test_without_a_marker_the_usual_fruit_gets_the_wanted_width(fruit_px: float) -> None:
    image = np.zeros((3000, 4000, 3), dtype=np.uint8)
    eye = Eye(fruit_px)
    factor = working_factor(image, eye, known=None, wanted_px=44.0)
    # 24 megapixels are twice the picture: at most the square root of 2.
    assert factor == pytest.approx(min(44.0 / fruit_px, 2**0.5))
    assert eye.looks <= 5


def test_a_single_fruit_close_up_gets_the_wanted_width() -> None:
    image = np.zeros((3000, 4000, 3), dtype=np.uint8)
    eye = Eye(900.0, most_px=100.0, number=1)
    assert working_factor(image, eye, known=None, wanted_px=44.0) == pytest.approx(44.0 / 900.0)
    assert eye.looks <= 5


@pytest.mark.parametrize(
    ("pieces", "afar_px", "chance", "factor"),
    [
        # Seen whole from afar: 60 px at 0.064 times.
        (4, 60.0, 0.9, 0.064 * 44 / 60),
        # Rather many fruit than one, or nothing sure, or nothing large from afar: what 0.32 shows.
        (12, 60.0, 0.9, 0.32 * 44 / 40),
        (4, 60.0, 0.6, 0.32 * 44 / 40),
        (4, 20.0, 0.9, 0.32 * 44 / 40),
    ],
)
def test_pieces_of_a_fruit_close_up_give_way_to_the_whole_seen_from_afar(
    pieces: int, afar_px: float, chance: float, factor: float
) -> None:
    image = np.zeros((3000, 4000, 3), dtype=np.uint8)

    def look(at: float) -> Look:
        if at == 256 / 4000:
            return Look(at, np.array([afar_px]), chance)
        number = pieces if at == 1280 / 4000 else 0
        return Look(at, np.full(number, 40.0), 0.9 * number)

    assert working_factor(image, look, known=None, wanted_px=44.0) == pytest.approx(factor)


def test_fruit_that_fill_much_of_a_small_picture_are_looked_at_as_they_are() -> None:
    # 60 px in 300 px: 125 px in the look at 640 px, more than the eye takes in.
    eye = Eye(60.0, most_px=110.0, number=4)
    image = np.zeros((200, 300, 3), dtype=np.uint8)
    assert working_factor(image, eye, known=None, wanted_px=44.0) == pytest.approx(44.0 / 60.0)
    assert eye.looks <= 5


def test_what_a_small_picture_shows_made_much_larger_does_not_tell_its_scale() -> None:
    def look(at: float) -> Look:
        # Blurred leaves hold many small "fruit"; the four fruit are 30 px wide.
        return Look(at, np.full(9, 30.0), 7.0) if at > 2 else Look(at, np.full(4, 30.0 * at), 3.6)

    image = np.zeros((200, 300, 3), dtype=np.uint8)
    assert working_factor(image, look, known=None, wanted_px=44.0) == pytest.approx(44.0 / 30.0)


def test_a_small_picture_without_fruit_is_not_made_as_large_as_can_be() -> None:
    image = np.zeros((200, 300, 3), dtype=np.uint8)
    eye = Eye(30.0, number=0)
    assert working_factor(image, eye, known=None, wanted_px=44.0) == 2.0


def test_fruit_that_are_hardly_sure_count_and_do_not_tell_the_scale() -> None:
    boxes = np.array([[0.0, 0, 50, 40], [60, 0, 90, 30], [0, 60, 20, 80], [60, 60, 90, 90]])
    row = np.array([0.9, 0.5, 0.2, 0.1])
    peaks = Peaks(
        boxes=boxes,
        outlines=np.ones((4, 5)),
        visible_shares=np.ones(4),
        scores=row,
        behind_scores=np.array([0.0, 0.0, 0.0, 0.9]),
        cells=np.zeros((4, 2), dtype=np.int64),
    )
    look = look_of(1.0, peaks, np.array([0.95, 0.5, 0.1, 0.9]), 0.4)
    assert look.widths_px.tolist() == [50.0]
    assert look.sum_of_chances == pytest.approx(1.45)


def test_with_a_marker_one_look_is_enough_where_fruit_are_about_as_wanted() -> None:
    image = np.zeros((3000, 4000, 3), dtype=np.uint8)
    for width, wanted in ((30.0, 1.0), (65.0, 1.0), (20.0, 2**0.5), (88.0, 0.5)):
        eye = Eye(width)
        assert working_factor(image, eye, known=1.0, wanted_px=44.0) == pytest.approx(wanted)
        assert eye.looks == 1


def test_by_a_marker_fruit_far_too_small_are_made_nearly_as_large_as_wanted() -> None:
    image = np.zeros((1500, 2000, 3), dtype=np.uint8)

    def look(at: float) -> Look:
        return Look(at, np.full(9, 24.0 * at), 9.0)

    factor = working_factor(image, look, known=1.0, wanted_px=44.0)
    assert factor == pytest.approx(ENLARGED_TO * 44.0 / 24.0)


def test_where_coarse_looks_see_fruit_too_large_they_get_the_wanted_width() -> None:
    image = np.zeros((1500, 2000, 3), dtype=np.uint8)

    def look(at: float) -> Look:
        return Look(at, np.full(9, 30.0 if at in (640 / 2000, 1280 / 2000) else 24.0), 9.0)

    factor = working_factor(image, look, known=None, wanted_px=44.0)
    assert factor == pytest.approx(640 / 2000 * 44.0 / 30.0 * 44.0 / 24.0)


@pytest.mark.parametrize(
    ("number", "width_px", "told"),
    [
        (FEWEST_IN_THE_MIDDLE, 26.0, True),
        (FEWEST_IN_THE_MIDDLE - 1, 26.0, False),
        (60, 26.5, False),
        (0, 0.0, False),
    ],
)
def test_the_middle_tells_that_fruit_are_far_too_small_if_it_shows_some(
    number: int, width_px: float, told: bool
) -> None:
    # 0.6 of 44 is 26.4.
    look = Look(1.0, np.full(number, width_px), float(number))
    assert is_far_too_small(look, 44.0) == told


def test_a_look_that_sees_clusters_as_one_gives_way_to_one_that_sees_more() -> None:
    clusters = Look(0.2, np.full(10, 44.0), 9.0)
    single = Look(0.4, np.full(40, 25.0), 30.0)
    twos = Look(0.3, np.full(2, 44.0), 60.0)
    assert best_look([clusters, single, twos], 44.0) is single
    assert best_look([twos], 44.0) is None


# ---------------------------------------------------------------- twice, once in the mirror


def test_a_mirror_shows_a_network_of_discs_the_same_fruit() -> None:
    picture = picture_of(160, 96, [(40, 30, 18), (110, 60, 14)], behind=[(100, 20, 10)])
    network = network_of(detector().card, detector().weights)
    straight = network.cells(picture)
    mirrored = turned_back(network.cells(np.ascontiguousarray(picture[:, ::-1])))
    # What the network reads is even in both directions, so nothing but rounding differs.
    assert np.abs(mirrored - straight).max() < 1e-3
    assert np.abs(BothWays(network).cells(picture) - straight).max() < 1e-3


def test_a_tilted_outline_tilts_the_other_way_in_a_mirror() -> None:
    cells = np.full((CHANNELS, 2, 4), -9.0, dtype=np.float32)
    cells[THIS_ROW, 0, 0] = 5.0
    # Twice as long as wide, at 30 degrees: the logarithm of the axes' ratio is halved.
    tilt, longer = np.deg2rad(60.0), np.log(2.0) / 2
    cells[OUTLINE, 0, 0] = [0.5, -0.25, 2.0, longer * np.cos(tilt), longer * np.sin(tilt)]
    (seen,) = decode(cells, least_score=0.5).outlines
    (turned,) = decode(turned_back(cells), least_score=0.5).outlines
    # Pixels 0 to 15 across: x becomes 15 - x.
    assert turned == pytest.approx([15 - seen[0], *seen[1:4], -seen[4]], abs=1e-4)
    assert seen[4] == pytest.approx(30.0, abs=1e-4)


def test_turned_back_twice_is_as_before() -> None:
    cells = np.random.default_rng(1).normal(size=(CHANNELS, 3, 5)).astype(np.float32)
    assert np.array_equal(turned_back(turned_back(cells)), cells)
    assert not np.array_equal(turned_back(cells)[:, :, ::-1], cells)


@pytest.mark.parametrize(
    ("size", "factor", "twice"),
    [((200, 300), 1.3, True), ((200, 300), 1.2, False), ((1000, 1600), 1.3, False)],
)
def test_only_small_pictures_made_larger_are_looked_at_twice(
    size: tuple[int, int], factor: float, twice: bool
) -> None:
    assert is_looked_at_twice(np.zeros((*size, 3), dtype=np.uint8), factor) == twice


# ---------------------------------------------------------------- tiles


def test_a_detector_changes_no_other_arithmetic_of_the_program() -> None:
    detect(picture_of(160, 96, [(40, 30, 18)]), 1.6)
    # The smallest normal number over 4 is one next to 0: it must not become 0.
    assert np.finfo(np.float64).smallest_normal / np.float64(4) > 0


def test_tiles_of_many_sizes_keep_no_memory_each() -> None:
    # Five sizes hold 611 MB with a pattern for each, and 349 MB without: see `session_of_bytes`.
    network = network_of(detector().card, detector().weights)
    assert isinstance(network, Network)
    assert not network.session.get_session_options().enable_mem_pattern


@pytest.mark.parametrize(
    ("width", "height"), [(32, 32), (1344, 1344), (1376, 1344), (2688, 1664), (6016, 3968)]
)
def test_tiles_overlap_and_their_cores_cover_the_picture_once(width: int, height: int) -> None:
    taken = np.zeros((height // 4, width // 4), dtype=int)
    for tile in tiles_over(width, height):
        left, top, right, bottom = tile.window
        assert (right - left) * (bottom - top) <= tiles.MOST_TILE_PIXELS
        assert left % 32 == top % 32 == right % 32 == bottom % 32 == 0
        core_left, core_top, core_right, core_bottom = tile.core
        taken[core_top // 4 : core_bottom // 4, core_left // 4 : core_right // 4] += 1
        # Half of the overlap of 96 px or more lies around the core, but at the picture's edges.
        for core, window, edge in (
            (core_left, left, 0),
            (core_top, top, 0),
            (right, core_right, width),
            (bottom, core_bottom, height),
        ):
            assert edge in (core, window) or abs(core - window) >= (OVERLAP_PX - 32) / 2
    assert (taken == 1).all()


def test_a_disc_that_moves_across_a_seam_is_always_one_fruit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 512 * 128)
    plan = tiles_over(832, 128)
    assert len(plan) == 2
    seam = plan[0].core[2]
    for x in np.arange(seam - 30.0, seam + 30.0, 1.0):
        found = detect(picture_of(832, 128, [(x, 62.4, 22.0)], zoom=4), 1.6)
        assert len(found) == 1
        assert found.outlines[0, 0] == pytest.approx(x, abs=0.3)
        # All of it is seen, whichever tile its pixels are from: pi 22² = 1521.
        assert found.masks[0].sum() == pytest.approx(1521, rel=0.06)


@dataclass
class Watched:
    """A network, and the sizes of what it was shown."""

    network: tiles.GivesCells
    sizes: list[tuple[int, int]]

    def cells(self, picture: Image) -> Cells:
        self.sizes.append((picture.shape[1], picture.shape[0]))
        return self.network.cells(picture)


def watched(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Sizes of all that the network is shown from now on."""
    sizes: list[tuple[int, int]] = []
    network = Watched(network_of(detector().card, detector().weights), sizes)
    monkeypatch.setattr(learned, "network_of", lambda card, weights: network)
    return sizes


def test_of_fruit_far_too_small_by_a_marker_only_the_middle_is_looked_at_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 320 * 448)
    sizes = watched(monkeypatch)
    # 20 px of 44 where the marker says 1.6 mm per px: 1.94 times as large they are 38.7 px wide.
    discs = grid(320, 960, 10.0, 100)
    found = detect(picture_of(320, 960, discs), 1.6)
    assert len(found) == len(discs)
    assert sizes[0] == (320, 416)
    assert (320, 416) not in sizes[1:]
    pixels = sum(width * height for width, height in sizes[1:])
    assert pixels >= 320 * 960 * (ENLARGED_TO * 44 / 20) ** 2


def test_where_fruit_are_as_wanted_every_tile_is_looked_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 320 * 448)
    sizes = watched(monkeypatch)
    discs = grid(320, 960, 22.0, 160)
    assert len(detect(picture_of(320, 960, discs), 1.6)) == len(discs)
    assert sizes == [(320, 416)] * 3


def test_what_the_middle_shows_is_seen_alone_where_it_is_enough(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 320 * 448)
    picture = picture_of(320, 960, [(160, 100, 22), (160, 480, 22), (160, 860, 22)])
    network = network_of(detector().card, detector().weights)
    told: list[int] = []

    def is_enough(middle: Peaks) -> bool:
        told.append(int((middle.scores > 0.5).sum()))
        return enough

    for enough, number in ((True, 1), (False, 3)):
        seen = see(picture, network, most_overlap=0.5, is_enough=is_enough)
        assert (seen.peaks.scores > 0.5).sum() == number
        assert seen.is_whole != enough
    assert told == [1, 1]
    # One tile is the whole picture, and nobody is asked.
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 320 * 960)
    assert see(picture, network, most_overlap=0.5, is_enough=is_enough).is_whole
    assert told == [1, 1]


class Shaky:
    """Sees a fruit 5 px to the left where it lies in the left half of a tile, else to the right.

    Two tiles then put a fruit on their seam 10 px apart, each outside its own core.
    """

    def cells(self, picture: Image) -> Cells:
        height, width = picture.shape[0] // 4, picture.shape[1] // 4
        cells = np.zeros((CHANNELS, height, width), dtype=np.float32)
        cells[:2] = -9
        for row, column in np.argwhere(picture[::4, ::4, 0] == 255):
            cells[0, row, column] = 3.0
            off = -1.25 if column < width / 2 else 1.25
            cells[2:6, row, column] = np.log([5.0 - off, 5.0, 5.0 + off, 5.0])
            cells[6, row, column] = off
            cells[8, row, column] = np.log(5.0)
        return cells


def test_a_fruit_that_two_tiles_leave_to_each_other_is_not_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tiles, "MOST_TILE_PIXELS", 512 * 128)
    seam = tiles_over(832, 128)[0].core[2]
    for x in range(seam - 32, seam + 32, 4):
        picture = np.zeros((128, 832, 3), dtype=np.uint8)
        picture[60:64, x : x + 4] = 255
        assert len(see(picture, Shaky(), most_overlap=0.5).peaks) == 1


# ---------------------------------------------------------------- masks by votes


def two_touching(left_vote: float, right_vote: float) -> Votes:
    """Fruit everywhere on 64 x 32 px; columns below 32 px vote by one number, others by another."""
    pixels = np.zeros((8, 16, 3), dtype=np.float32)
    pixels[..., 0] = 1.0
    columns = np.arange(16) * 4 + 1.5
    targets = np.where(columns < 32, left_vote, right_vote)
    pixels[..., 1] = (targets - columns) / 4
    pixels[..., 2] = (15.5 - (np.arange(8) * 4 + 1.5))[:, None] / 4
    return Votes(pixels, Zoom(1.0, 1.0), (32, 64))


OUTLINES = np.array([[24.0, 15.5, 30.0, 30.0, 0.0], [40.0, 15.5, 30.0, 30.0, 0.0]])
BOXES = np.array([[9.0, 0.5, 39.0, 30.5], [25.0, 0.5, 55.0, 30.5]])


def filled(masks: tuple[np.ndarray, ...], origins: np.ndarray) -> np.ndarray:
    out = np.zeros((len(masks), 32, 64), dtype=bool)
    for index, (mask, (left, top)) in enumerate(zip(masks, origins, strict=True)):
        out[index, top : top + mask.shape[0], left : left + mask.shape[1]] = mask
    return out


def test_pixels_inside_two_outlines_go_where_they_vote() -> None:
    # Boxes are centred at 24 and 40. Columns up to 31 vote for the first, the rest for the other.
    first, second = filled(*masks_of(OUTLINES, BOXES, two_touching(24.0, 40.0)))
    assert not (first & second).any()
    assert first[15].nonzero()[0].tolist() == list(range(9, 32))
    assert second[15].nonzero()[0].tolist() == list(range(32, 56))


def test_a_fruit_in_front_takes_what_votes_for_it_even_beyond_the_middle() -> None:
    first, second = filled(*masks_of(OUTLINES, BOXES, two_touching(40.0, 40.0)))
    assert not first[15, 24:].any()
    # The second outline, grown by a px, reaches 15.99 px to either side of 40 there.
    assert second[15].nonzero()[0].tolist() == list(range(25, 56))


def test_pixels_without_fruit_are_in_no_mask() -> None:
    votes = two_touching(24.0, 40.0)
    votes.pixels[:4, :, 0] = -1.0
    first, second = filled(*masks_of(OUTLINES, BOXES, votes))
    # Between the cells' centres at 13.5 and 17.5 the sign changes at 15.5.
    assert (first | second).any(1).nonzero()[0].min() == 16


def test_an_outline_far_beyond_its_box_keeps_to_the_box() -> None:
    outlines = np.array([[24.0, 15.5, 3000.0, 3000.0, 0.0]])
    boxes = np.array([[19.5, 5.5, 29.5, 25.5]])
    (mask,), origins = masks_of(outlines, boxes, two_touching(24.0, 40.0))
    # 0.15 of the sides and 1 px more: 2.5 px across, 4 px down.
    assert origins.tolist() == [[17, 1]]
    assert mask.shape == (30, 16)


# ---------------------------------------------------------------- the same answer everywhere


def scene(seed: int = 3) -> tuple[Image, Discs]:
    rng = np.random.default_rng(seed)
    discs = [
        (x + rng.uniform(-8, 8), y + rng.uniform(-8, 8), rng.uniform(15, 30))
        for x, y, _ in grid(1280, 960, 22, 180)
    ]
    image = picture_of(1280, 960, discs, zoom=4).astype(int)
    return np.clip(image + rng.normal(0, 4, image.shape), 0, 255).astype(np.uint8), discs


def test_the_same_picture_gives_the_same_fruit_whatever_the_threads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    image, discs = scene()
    first = detect(image)
    again = detect(image)
    monkeypatch.setenv(THREADS_VARIABLE, "3")
    other = detect(image)
    assert len(first) == len(discs)
    for name in ("outlines", "boxes", "scores"):
        assert np.array_equal(getattr(first, name), getattr(again, name))
        assert getattr(first, name) == pytest.approx(getattr(other, name), abs=1e-3)


def test_threads_are_what_a_person_sets_or_all_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(THREADS_VARIABLE, "3")
    assert threads_here() == 3
    for nonsense in ("", "0", "-1", "many"):
        monkeypatch.setenv(THREADS_VARIABLE, nonsense)
        assert threads_here() == cores_available()


def threads_and_fruit(path: Path, models: Path) -> MeasuredPhoto:
    """In a worker: how many threads it has, and how many fruit it finds."""
    image = picture_of(640, 480, [(150, 150, 22), (400, 300, 22)])
    found = learned_detector(models=models).detect(image, mm_per_px=1.6)
    return measured(f"{path.name}: {threads_here()} threads, {len(found)} fruit")


def test_worker_processes_share_the_threads_and_find_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv(THREADS_VARIABLE, "5")
    measure = partial(threads_and_fruit, models=models())
    results = dict(for_each_photo([Path("a"), Path("b")], measure, workers=2))
    names = {one.photo.photo_id for one in results.values() if isinstance(one, MeasuredPhoto)}
    assert names == {"a: 2 threads, 2 fruit", "b: 2 threads, 2 fruit"}


def test_a_damaged_detector_is_an_error_of_the_photo_in_a_worker_too(tmp_path: Path) -> None:
    write_model(tmp_path, probe_error=1.0)
    measure = partial(threads_and_fruit, models=tmp_path)
    ((_, result),) = for_each_photo([Path("a")], measure, workers=2)
    assert isinstance(result, DetectorDamaged)
