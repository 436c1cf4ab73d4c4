"""What the network learns from, and that it learns: crops, light, targets, losses, training."""

from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image as PillowImage
from torch import Tensor, nn

from fruitvision.errors import SettingsError, TrainingError
from fruitvision.fruit.cells import BOX, CHANNELS, ROW_BEHIND, THIS_ROW, decode
from fruitvision.fruit.working_scale import resampled
from fruitvision.train import augment as augmenting
from fruitvision.train import loop as looping
from fruitvision.train.album import Held, hold
from fruitvision.train.augment import (
    Chance,
    augment,
    coarser,
    colour_jpeg,
    enlarged_jpeg,
    hang_balls,
)
from fruitvision.train.checkpoint import checkpoints_in
from fruitvision.train.config import CoarseCrops, PackChoice, TrainingConfig
from fruitvision.train.crops import Crops, Window, choose_window, cut
from fruitvision.train.encoder import Encoder, load_published
from fruitvision.train.evaluation import evaluate_run
from fruitvision.train.feeder import make_batch
from fruitvision.train.judge import judge
from fruitvision.train.loop import Averaged, Learner, rate_share, train
from fruitvision.train.losses import Losses, losses, outline_numbers
from fruitvision.train.network import FruitNetwork
from fruitvision.train.pack import BALL, FALLEN_FRUIT, read_pack
from fruitvision.train.targets import Targets, make_targets
from fruitvision.whole_file import write_whole
from tests.drawn_packs import Drawn, Fruit, write_pack

pytestmark = pytest.mark.usefixtures("one_thread")

CPU = torch.device("cpu")
SIZE = 160
WHOLE = Window(0.0, 0.0, 1.0, mirrored=False)


def held(folder: Path, *drawn: Drawn) -> list[Held]:
    (album,) = hold([read_pack(write_pack(folder, list(drawn)))], CPU, threads=1)
    return album


def crop(folder: Path, drawn: Drawn, window: Window = WHOLE) -> Crops:
    return cut(held(folder, drawn), [window], SIZE)


def unequal(first: Any, second: Any) -> list[str]:
    """Names of the fields of two records that differ."""

    def same(name: str) -> bool:
        one, other = getattr(first, name), getattr(second, name)
        return torch.equal(torch.nan_to_num(one), torch.nan_to_num(other))

    return [name for name in first.__slots__ if not same(name)]


# ---------------------------------------------------------------- crops

# Far from the edges in every window below.
TILTED = Fruit((95.0, 70.0, 44.0, 26.0, 30.0))
WINDOWS = [
    Window(60.0, 40.0, 2.0, mirrored=False),
    Window(60.25, 40.5, 2.0, mirrored=True),
    Window(20.0, 10.0, 1.0, mirrored=True),
    # From the level of half, and of a quarter of the size.
    Window(-20.0, -30.0, 0.6, mirrored=False),
    Window(-20.0, -30.0, 0.6, mirrored=True),
    Window(-90.0, -110.0, 0.3, mirrored=False),
]


@pytest.mark.parametrize("window", WINDOWS)
def test_boxes_and_outlines_lie_where_a_crop_shows_the_fruit(
    tmp_path: Path, window: Window
) -> None:
    crops = crop(tmp_path, Drawn([TILTED]), window)
    # How much of each px the fruit covers, by its red: 220 on a ground of 114.
    cover = ((crops.pictures[0, 0] - 114) / (220 - 114)).double().numpy()
    y, x = np.mgrid[:SIZE, :SIZE]
    area = cover.sum()
    cx, cy = (cover * x).sum() / area, (cover * y).sum() / area
    xx, yy = (cover * (x - cx) ** 2).sum() / area, (cover * (y - cy) ** 2).sum() / area
    xy = (cover * (x - cx) * (y - cy)).sum() / area
    # An ellipse's axes are four times the roots of its second moments.
    short, long = 4 * np.sqrt(np.linalg.eigvalsh([[xx, xy], [xy, yy]]))
    outline = crops.outlines[0, 0].double().numpy()
    assert outline[:2] == pytest.approx([cx, cy], abs=0.1)
    assert outline[2:4] == pytest.approx([long, short], abs=0.6)
    assert outline[4] == pytest.approx(np.rad2deg(np.arctan2(2 * xy, xx - yy)) / 2, abs=1.5)
    columns, rows = np.nonzero(cover.max(0) > 0.5)[0], np.nonzero(cover.max(1) > 0.5)[0]
    seen = [columns[0] - 0.5, rows[0] - 0.5, columns[-1] + 0.5, rows[-1] + 0.5]
    # The outermost px of a drawn ellipse ends up to half a px before the ellipse.
    assert crops.boxes[0, 0].numpy() == pytest.approx(seen, abs=0.3 + 0.5 * window.zoom)


def test_a_square_is_shown_exactly_where_its_box_is(tmp_path: Path) -> None:
    # Columns 60 to 89, rows 40 to 69.
    album = held(tmp_path, Drawn([Fruit((74.5, 54.5, 30.0, 30.0, 0.0))]))
    picture = album[0].levels[0]
    picture[:] = 114
    picture[:, 40:70, 60:90] = 255
    for mirrored in (False, True):
        crops = cut(album, [Window(20.0, 10.0, 2.0, mirrored=mirrored)], SIZE)
        # (59.5 - 20) * 2 = 79 and 60 px on; mirrored 159 less that.
        left, right = (20.0, 80.0) if mirrored else (79.0, 139.0)
        assert crops.boxes[0, 0].tolist() == [left, 59.0, right, 119.0]
        cover = ((crops.pictures[0, 0] - 114) / (255 - 114)).double()
        across, down = cover[90], cover[:, int((left + right) / 2)]
        at = torch.arange(SIZE)
        assert float(across.sum()) == pytest.approx(60, abs=0.01)
        assert float((across * at).sum() / 60) == pytest.approx((left + right) / 2, abs=0.01)
        assert float((down * at).sum() / 60) == pytest.approx(89, abs=0.01)


@pytest.mark.parametrize("window", WINDOWS)
def test_the_cells_of_a_fruit_are_those_that_show_it(tmp_path: Path, window: Window) -> None:
    other = Fruit((30.0, 120.0, 20.0, 20.0, 0.0))
    crops = crop(tmp_path, Drawn([other, TILTED]), window)
    slot = int(crops.outlines[0, :, 2].argmax())
    at = np.arange(0, SIZE, 4) + 1.5
    x, y = np.meshgrid(at, at)
    # Back in the picture, a px smaller and a px larger than the fruit.
    x = window.left + (SIZE - 1 - x if window.mirrored else x) / window.zoom
    y = window.top + y / window.zoom
    cos, sin = np.cos(np.deg2rad(30)), np.sin(np.deg2rad(30))
    along, across = (x - 95) * cos + (y - 70) * sin, (y - 70) * cos - (x - 95) * sin
    numbers = crops.numbers[0].numpy()
    surely = np.hypot(along / 21, across / 12) <= 1
    perhaps = np.hypot(along / 23, across / 14) <= 1
    assert surely.any()
    assert (numbers[surely] == slot).all()
    assert (numbers[~perhaps] != slot).all()


def test_what_lies_outside_a_picture_is_grey_and_unknown(tmp_path: Path) -> None:
    drawn = Drawn([TILTED], ground=(10, 20, 30))
    crops = crop(tmp_path, drawn, Window(-40.0, -20.0, 1.0, mirrored=False))
    assert (crops.pictures[0, :, :, :39] - 114).abs().max() < 0.01
    assert (crops.pictures[0, :, :19] - 114).abs().max() < 0.01
    assert crops.pictures[0, :, 19, 100].tolist() == pytest.approx([114] * 3, abs=0.01)
    assert crops.pictures[0, :, 20, 40].tolist() == pytest.approx([10, 20, 30], abs=0.01)
    unknown = crops.unknown[0]
    # Centres of cells at 37.5 and 41.5 px: the picture begins at 40.
    assert unknown[:, :10].all()
    assert not unknown[5:, 10:].any()
    assert (crops.numbers[0, :, :10] == -2).all()


def test_a_fruit_whose_middle_is_outside_is_ignored_and_one_beyond_is_gone(
    tmp_path: Path,
) -> None:
    drawn = Drawn([Fruit((x, 70.0, 30.0, 30.0, 0.0)) for x in (20.0, 62.0, 72.0)])
    crops = crop(tmp_path, drawn, Window(65.0, 0.0, 1.0, mirrored=False))
    assert crops.boxes[0, :, 0].tolist() == [-18.0, -8.0]
    assert crops.ignored[0].tolist() == [True, False]


def test_windows_keep_to_the_picture_and_to_the_wanted_width(tmp_path: Path) -> None:
    (picture,) = held(tmp_path, Drawn([TILTED], size=(600, 500)))
    config = TrainingConfig(packs=(PackChoice(folder=tmp_path),), crop_px=SIZE)
    windows = [choose_window(picture, np.random.default_rng(n), config) for n in range(300)]
    widths = np.array([window.zoom for window in windows]) * picture.fruit_px
    assert np.median(widths) == pytest.approx(44, rel=0.05)
    # A standard deviation of 0.3 in the logarithm.
    assert np.std(np.log(widths)) == pytest.approx(0.3, abs=0.05)
    for window in windows:
        span = SIZE / window.zoom
        assert -0.1 * span - 1e-9 <= window.left <= 600 - 0.9 * span + 1e-9
        assert -0.1 * span - 1e-9 <= window.top <= 500 - 0.9 * span + 1e-9
    assert {window.mirrored for window in windows} == {False, True}


# ---------------------------------------------------------------- targets


def test_heat_is_one_in_the_cell_of_the_centre_and_falls_off_as_stated(tmp_path: Path) -> None:
    crops = crop(tmp_path, Drawn([Fruit((50.0, 30.0, 24.0, 24.0, 0.0))]))
    targets = make_targets(crops)
    heat = targets.heat[0, 0]
    # (50 - 1.5) / 4 = 12.1 and (30 - 1.5) / 4 = 7.1.
    assert (heat == 1).nonzero().tolist() == [[7, 12]]
    # Spread: 0.15 of 24 px are 0.9 cells; exp(-1 / 0.9² / 2) = 0.5394.
    assert float(heat[7, 13]) == pytest.approx(0.5394, abs=1e-4)
    assert targets.owner[0].unique().tolist() == [-1, 0]
    assert (targets.owner[0] == 0).sum() == 5
    assert (targets.heat[0, 1] == 0).all()


def test_rows_have_a_heat_map_each(tmp_path: Path) -> None:
    near, far = Fruit((40.0, 40.0, 24.0, 24.0, 0.0)), Fruit((100.0, 80.0, 24.0, 24.0, 0.0), row=1)
    targets = make_targets(crop(tmp_path, Drawn([near, far])))
    assert (targets.heat[0, 0] == 1).nonzero().tolist() == [[10, 10]]
    assert (targets.heat[0, 1] == 1).nonzero().tolist() == [[20, 25]]
    assert targets.heat_known.all()


def test_nothing_is_known_in_an_ignored_fruit(tmp_path: Path) -> None:
    # The box reaches from 29.5 to 50.5: cells 7 (29.5) to 12 (49.5).
    drawn = Drawn([Fruit((40.0, 40.0, 21.0, 21.0, 0.0), ignore=True)])
    known = make_targets(crop(tmp_path, drawn)).heat_known[0]
    wanted = torch.ones(40, 40, dtype=torch.bool)
    wanted[7:13, 7:13] = False
    assert torch.equal(known[0], wanted)
    assert torch.equal(known[1], wanted)


def test_nothing_is_known_in_grey_areas_and_just_beside_them(tmp_path: Path) -> None:
    drawn = Drawn([TILTED], grey_areas=[(19.5, 39.5, 59.5, 79.5)])
    targets = make_targets(crop(tmp_path, drawn))
    # 6 px more: from 13.5 (cell 3) to 65.5 (cell 16), which lie on the edge itself.
    assert not targets.heat_known[0, :, 9:21, 4:16].any()
    assert not targets.pixels_known[0, 9:21, 4:16].any()
    assert targets.heat_known[0, :, :8].all()
    assert targets.heat_known[0, :, :, 18:].all()


def test_a_photo_knows_of_rows_behind_only_where_a_near_fruit_hangs(tmp_path: Path) -> None:
    drawn = Drawn([Fruit((50.0, 30.0, 24.0, 24.0, 0.0))], photo=True)
    targets = make_targets(crop(tmp_path, drawn))
    assert targets.heat_known[0, 0].all()
    assert targets.heat_known[0, 1].nonzero().tolist() == [
        [6, 12],
        [7, 11],
        [7, 12],
        [7, 13],
        [8, 12],
    ]
    assert not targets.pixels_known.any()


def test_balls_and_fallen_fruit_are_seen_and_are_no_fruit(tmp_path: Path) -> None:
    drawn = Drawn(
        [
            Fruit((40.0, 40.0, 24.0, 24.0, 0.0)),
            Fruit((100.0, 40.0, 24.0, 24.0, 0.0), kind=BALL),
            Fruit((100.0, 120.0, 24.0, 24.0, 0.0), kind=FALLEN_FRUIT),
        ]
    )
    targets = make_targets(crop(tmp_path, drawn))
    assert (targets.heat[0] == 1).sum() == 1
    assert targets.heat_known.all()
    assert targets.pixels_known.all()
    assert targets.pixel_owner[0].unique().tolist() == [-1, 0]
    # 12² pi / 16 = 28 cells.
    assert float(targets.pixels.sum()) == pytest.approx(28, abs=4)


# ---------------------------------------------------------------- losses

SEVERAL = [
    Fruit((41.0, 37.0, 40.0, 30.0, 25.0), share=0.8),
    Fruit((110.0, 50.0, 34.0, 33.0, -70.0), share=0.5),
    Fruit((60.0, 110.0, 22.0, 18.0, 80.0), row=1, share=0.9),
]
SURE = 14.0


def perfect(crops: Crops, targets: Targets) -> Tensor:
    """Cells that give exactly what the targets ask for."""
    count, _, height, width = targets.heat.shape
    cells = torch.zeros(count, CHANNELS, height, width)
    cells[:, :2] = torch.where(targets.heat == 1, SURE, -SURE)
    cells[:, 12] = torch.where(targets.pixels > 0, SURE, -SURE)
    for owner, write in ((targets.owner, write_fruit), (targets.pixel_owner, write_vote)):
        for picture, row, column in (owner >= 0).nonzero().tolist():
            slot = int(owner[picture, row, column])
            write(cells[picture, :, row, column], crops, (picture, slot), (column, row))
    # Photos have no outlines and shares.
    return cells.nan_to_num()


def write_fruit(at: Tensor, crops: Crops, which: tuple[int, int], cell: tuple[int, int]) -> None:
    x, y = cell[0] * 4 + 1.5, cell[1] * 4 + 1.5
    left, top, right, bottom = crops.boxes[which].tolist()
    at[2:6] = torch.tensor([x - left, y - top, right - x, bottom - y]).div(4).log()
    at[6:11] = outline_numbers(crops.outlines[which][None], torch.tensor([x]), torch.tensor([y]))[0]
    at[11] = torch.logit(crops.shares[which])


def write_vote(at: Tensor, crops: Crops, which: tuple[int, int], cell: tuple[int, int]) -> None:
    left, top, right, bottom = crops.boxes[which].tolist()
    at[13] = (left + right) / 8 - (cell[0] + 0.375)
    at[14] = (top + bottom) / 8 - (cell[1] + 0.375)


def test_cells_that_are_right_cost_nothing(tmp_path: Path) -> None:
    crops = crop(tmp_path, Drawn(SEVERAL))
    targets = make_targets(crops)
    right = perfect(crops, targets)
    assert losses(right, crops, targets).values().tolist() == pytest.approx([0] * 7, abs=1e-4)
    # Each loss sees its own channels, and no other's.
    channels = {
        "heat": [0],
        "behind": [1],
        "box": [2, 3, 4, 5],
        "outline": [6, 7, 8, 9, 10],
        "share": [11],
        "pixels": [12],
        "votes": [13, 14],
    }
    assert tuple(channels) == Losses.names
    for name, mine in channels.items():
        for channel in mine:
            wrong = right.clone()
            wrong[:, channel] += 1 if name not in ("heat", "behind", "pixels") else 2 * SURE
            values = losses(wrong, crops, targets).values()
            dear = [n for n, v in zip(Losses.names, values.tolist(), strict=True) if v > 0.01]
            assert dear == [name]


def test_right_cells_are_read_as_the_fruit_that_they_were_made_from(tmp_path: Path) -> None:
    crops = crop(tmp_path, Drawn(SEVERAL))
    cells = perfect(crops, make_targets(crops))
    found = decode(cells[0].numpy(), least_score=0.5)
    order = [int(np.argmin(np.abs(found.outlines[:, 0] - f.outline[0]))) for f in SEVERAL]
    assert sorted(order) == [0, 1, 2]
    for place, fruit in zip(order, SEVERAL, strict=True):
        assert found.boxes[place] == pytest.approx(fruit.box(), abs=1e-4)
        assert found.outlines[place] == pytest.approx(fruit.outline, abs=1e-3)
        assert found.outlines[place][:4] == pytest.approx(fruit.outline[:4], abs=1e-4)
        assert found.visible_shares[place] == pytest.approx(fruit.share, abs=1e-5)
        assert (found.scores[place] > found.behind_scores[place]) == (fruit.row == 0)


def test_a_box_that_is_half_as_wide_costs_what_the_overlap_lacks(tmp_path: Path) -> None:
    crops = crop(tmp_path, Drawn([Fruit((49.5, 49.5, 32.0, 32.0, 0.0))]))
    targets = make_targets(crops)
    cells = perfect(crops, targets)
    # The left side of each box is drawn to the cell itself: of the centre's cell half is left.
    centre = replace(targets, owner=torch.where(targets.heat[:, 0] == 1, targets.owner, -1))
    cells[:, 2] = np.log(0.1001)
    # 16 px and 0.4 px of 32; the hull is the true box. 1 - 16.4 / 32 = 0.4875.
    assert float(losses(cells, crops, centre).box) == pytest.approx(0.4875, abs=1e-3)


def test_unknown_cells_cost_nothing_whatever_they_say(tmp_path: Path) -> None:
    crops = crop(tmp_path, Drawn([TILTED], photo=True))
    targets = make_targets(crops)
    cells = perfect(crops, targets)
    values = losses(cells, crops, targets)
    assert values.values().tolist() == pytest.approx([0] * 7, abs=1e-4)
    cells[:, 1] = torch.where(targets.heat_known[:, 1], cells[:, 1], SURE)
    cells[:, 6:] = 3.0
    assert losses(cells, crops, targets).values().tolist() == pytest.approx([0] * 7, abs=1e-4)


# ---------------------------------------------------------------- light, camera, balls


COARSE = CoarseCrops(share=0.5, coded=0.5)
NEVER_COARSE = CoarseCrops(share=0.0)


def scene(height: int, width: int) -> Tensor:
    """(1, 3, H, W), 0 to 1: soft colours with an edge, as a photo has."""
    rng = np.random.default_rng(4)
    knots = torch.from_numpy(rng.uniform(0.1, 0.9, (1, 3, 6, 6))).float()
    picture = nn.functional.interpolate(knots, (height, width), mode="bicubic").clamp(0, 1)
    picture[:, 0, :, width // 2 :] *= 0.4
    return picture


def as_bytes(pictures: Tensor) -> Any:
    return (255 * pictures[0]).round().byte().permute(1, 2, 0).contiguous().numpy()


def as_pillow_saves(picture: Any, quality: int) -> Any:
    stream = BytesIO()
    PillowImage.fromarray(picture).save(stream, "JPEG", quality=quality, subsampling="4:2:0")
    return np.asarray(PillowImage.open(stream).convert("RGB"))


def rms(first: Any, second: Any) -> float:
    return float(np.sqrt(np.mean((first.astype(float) - second.astype(float)) ** 2)))


@pytest.mark.parametrize("quality", [40, 75, 95])
def test_small_pictures_are_coded_as_a_real_encoder_does(quality: int) -> None:
    picture = scene(96, 128)
    ours = as_bytes(colour_jpeg(picture, torch.tensor([float(quality)])))
    theirs = as_pillow_saves(as_bytes(picture), quality)
    lost = rms(theirs, as_bytes(picture))
    assert lost > 1.0
    # Rounding of tables and of colours apart, the loss is the same one.
    assert rms(ours, theirs) < 0.6 * lost + 0.4


def test_a_coded_picture_is_enlarged_as_the_detector_enlarges_it() -> None:
    picture = scene(192, 256)
    half = nn.functional.interpolate(picture, (96, 128), mode="bilinear", antialias=True)
    wanted, _ = resampled(as_bytes(colour_jpeg(half, torch.tensor([90.0]))), 2.0)
    found = as_bytes(enlarged_jpeg(picture, 0.5, torch.tensor([90.0])))
    assert found.shape == wanted.shape
    assert rms(found, wanted) < 1.0


def test_only_the_wanted_share_of_crops_gets_coarse_and_keeps_its_size() -> None:
    pictures = scene(96, 96).repeat(200, 1, 1, 1)
    seen = coarser(pictures, Chance(1, CPU), CoarseCrops(share=0.3, least=0.3, coded=0.5))
    assert seen.shape == pictures.shape
    changed = ((seen - pictures).abs().amax((1, 2, 3)) > 0.01).float().mean()
    assert float(changed) == pytest.approx(0.3, abs=0.1)
    assert torch.equal(coarser(pictures, Chance(1, CPU), NEVER_COARSE), pictures)


def test_plain_crops_keep_their_light_and_sharpness(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(augmenting, "BALL_SHARE", 0.0)
    (picture,) = held(tmp_path, Drawn(SEVERAL))
    crops = cut([picture] * 40, [WHOLE] * 40, SIZE)
    for share, spread in ((0.0, 0.01), (0.5, 0.25), (1.0, 1e-6)):
        seen = augment(crops, Chance(3, CPU), NEVER_COARSE, plain_share=share)
        same = ((seen.pictures - crops.pictures).abs().amax((1, 2, 3)) < 1e-3).float().mean()
        assert float(same) == pytest.approx(share, abs=spread)


def test_the_share_of_plain_crops_runs_in_a_line(tmp_path: Path) -> None:
    config = small_config(tmp_path, plain_share=0.1, last_plain_share=0.5)
    assert [config.plain_share_at(done) for done in (0, 0.5, 1)] == pytest.approx([0.1, 0.3, 0.5])
    assert small_config(tmp_path, plain_share=0.2).plain_share_at(0.7) == 0.2
    with pytest.raises(SettingsError, match="last_plain_share"):
        small_config(tmp_path, last_plain_share=1.5)
    with pytest.raises(SettingsError, match=r"coarse\.least"):
        CoarseCrops(least=0.0)


def test_another_light_leaves_labels_and_range_as_they_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(augmenting, "BALL_SHARE", 0.0)
    (picture,) = held(tmp_path, Drawn(SEVERAL))
    crops = cut([picture] * 12, [WHOLE] * 12, SIZE)
    seen = augment(crops, Chance(3, CPU), COARSE)
    assert unequal(seen, crops) == ["pictures"]
    assert seen.pictures.shape == crops.pictures.shape
    assert float(seen.pictures.min()) >= 0
    assert float(seen.pictures.max()) <= 255
    # Each in a light of its own.
    assert len({round(float(one.mean()), 2) for one in seen.pictures}) == 12
    assert unequal(seen, augment(crops, Chance(3, CPU), COARSE)) == []
    assert unequal(seen, augment(crops, Chance(4, CPU), COARSE)) == ["pictures"]


def test_fruit_behind_a_hung_ball_are_ignored_and_its_cells_are_no_fruit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(augmenting, "BALL_SHARE", 1.0)
    fruit = [Fruit((x, y, 20.0, 20.0, 0.0)) for y in range(12, 160, 22) for x in range(12, 160, 22)]
    (picture,) = held(tmp_path, Drawn(fruit, size=(SIZE, SIZE), ground=(0, 0, 1), paint=(1, 0, 0)))
    crops = cut([picture] * 8, [WHOLE] * 8, SIZE)
    hung = hang_balls(crops, Chance(1, CPU))
    changed = (hung.pictures - crops.pictures).abs().amax(1) > 1
    assert changed.flatten(1).any(1).all()
    for number in range(8):
        for slot in range(len(fruit)):
            left, top, right, bottom = (int(v + 0.5) for v in crops.boxes[number, slot])
            covered = float(changed[number, top:bottom, left:right].float().mean())
            if covered < 0.02:
                assert not hung.ignored[number, slot]
            if covered > 0.7:
                assert hung.ignored[number, slot]
        # Cells whose four middle px, and so their centres, are painted.
        cells = changed[number].reshape(40, 4, 40, 4)[:, 1:3, :, 1:3].all(3).all(1)
        assert (hung.numbers[number][cells] == -1).float().mean() > 0.97
    assert hung.ignored.any()
    assert unequal(hung, crops) == ["pictures", "numbers", "ignored"]


# ---------------------------------------------------------------- training


@pytest.mark.parametrize(
    ("progress", "share"), [(0.0, 0.01), (0.05, 0.5), (0.1, 1.0), (0.55, 0.505), (1.0, 0.01)]
)
def test_the_rate_rises_in_a_line_and_falls_in_half_a_cosine(progress: float, share: float) -> None:
    assert rate_share(progress, 0.1) == pytest.approx(share)


def test_the_running_mean_forgets_early_steps_soon_and_late_ones_slowly() -> None:
    network = nn.BatchNorm1d(1)
    averaged = Averaged(network, 0.999)
    with torch.no_grad():
        network.weight.fill_(11.0)
        network.num_batches_tracked.fill_(7)
    # From 1: (1 + 0) / (10 + 0) is kept of it; then 0.999.
    averaged.update(network, 0)
    assert float(averaged.state["weight"]) == pytest.approx(10.0)
    averaged.update(network, 1_000_000)
    assert float(averaged.state["weight"]) == pytest.approx(10.001)
    assert int(averaged.state["num_batches_tracked"]) == 7


def small_config(folder: Path, **values: Any) -> TrainingConfig:
    given = {
        "packs": (PackChoice(folder=folder),),
        "batch": 2,
        "crop_px": 64,
        "decoder_channels": (24, 16, 16),
        "head_layers": 1,
        "workers": 1,
        **values,
    }
    return TrainingConfig(**given)


def test_thirty_steps_halve_the_heat_loss_on_two_pictures(tmp_path: Path) -> None:
    drawn = [
        Drawn([Fruit((18.0, 20.0, 30.0, 26.0, 10.0)), Fruit((46.0, 44.0, 30.0, 26.0, 70.0))]),
        Drawn([Fruit((44.0, 22.0, 34.0, 30.0, 40.0))], ground=(60, 90, 40)),
    ]
    album = held(tmp_path, *drawn)
    crops = cut(album, [WHOLE, WHOLE], 64)
    targets = make_targets(crops)
    learner = Learner(small_config(tmp_path, learning_rate=4e-3), CPU)
    values = torch.stack([learner.learn(crops, targets, step=n, steps=30) for n in range(30)])
    first, last = values[:3].mean(0), values[-3:].mean(0)
    assert float(last[0]) < float(first[0]) / 2
    assert float(last.sum()) < float(first.sum()) / 2
    assert torch.isfinite(values).all()


def test_a_training_that_was_stopped_goes_on_as_if_it_was_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pack = write_pack(tmp_path / "pack", [Drawn(SEVERAL), Drawn([TILTED], photo=True)])
    config = small_config(pack, steps=4, checkpoint_steps=2)
    out = tmp_path / "run"

    def keep_early(name: Path, content: bytes) -> None:
        if name.name == "weights.pt" and not name.exists():
            write_whole(name.with_name("early.pt"), content)
        write_whole(name, content)

    monkeypatch.setattr(looping, "write_whole", keep_early)
    whole = train(config, out, device="cpu", say=lambda _: None)
    wanted = torch.load(whole.weights, weights_only=True)
    # As after a kill in step 3 or 4: there are weights, but not those.
    checkpoints_in(out)[-1].unlink()
    early = torch.load(whole.weights.with_name("early.pt"), weights_only=True)
    assert early.keys() == wanted.keys()
    assert any(not torch.equal(early[name], wanted[name]) for name in wanted)
    whole.weights.unlink()
    again = train(config, out, device="cpu", resume=True, say=lambda _: None)
    found = torch.load(again.weights, weights_only=True)
    assert again.steps == 4
    for name, value in wanted.items():
        torch.testing.assert_close(found[name], value, rtol=1e-4, atol=1e-6, msg=name)


def test_a_steps_batch_is_the_same_whatever_came_before(tmp_path: Path) -> None:
    album = held(tmp_path, Drawn(SEVERAL), Drawn([TILTED], photo=True))
    config = small_config(tmp_path)
    crops, targets = make_batch([album], config, step=7, steps=20)
    make_batch([album], config, step=8, steps=20)
    torch.rand(3)
    again, targets_again = make_batch([album], config, step=7, steps=20)
    assert unequal(crops, again) + unequal(targets, targets_again) == []
    other, _ = make_batch([album], replace(config, seed=2), step=7, steps=20)
    assert not torch.equal(crops.pictures, other.pictures)


# ---------------------------------------------------------------- encoder


def published(encoder: Encoder) -> dict[str, Tensor]:
    """An encoder's layers under other names, and a classifier, as in the published file."""
    named = {}
    for number, (name, value) in enumerate(encoder.state_dict().items()):
        ending = name.split(".")[-1]
        whole = value if ending == "num_batches_tracked" else torch.randn(value.shape)
        named[f"_blocks.{number}.{ending}"] = whole
    return {
        **named,
        "_conv_head.weight": torch.zeros(1280, 320, 1, 1),
        "_bn1.weight": torch.zeros(1280),
        "_fc.weight": torch.zeros(1000, 1280),
    }


def test_the_encoder_has_the_published_layout_and_takes_its_weights(tmp_path: Path) -> None:
    encoder = Encoder()
    # 4 652 008 weights are published; 1 692 160 + 1 000 of them in the classifier:
    # 320 x 1280 + 2 x 1280 + 1280 x 1000 + 1000.
    assert sum(p.numel() for p in encoder.parameters()) == 4_652_008 - 1_693_160
    taken = published(encoder)
    torch.save(taken, tmp_path / "weights.pth")
    load_published(encoder, tmp_path / "weights.pth")
    for value, wanted in zip(encoder.state_dict().values(), taken.values(), strict=False):
        assert torch.equal(value, wanted)
    maps = encoder(torch.zeros(1, 3, 64, 96))
    assert [tuple(one.shape[1:]) for one in maps] == [
        (24, 16, 24),
        (40, 8, 12),
        (112, 4, 6),
        (320, 2, 3),
    ]


def test_the_larger_encoder_has_the_published_layout() -> None:
    encoder = Encoder("lite2")
    # 6 092 072 weights are published; in the classifier 352 x 1280 + 2 x 1280 + 1280 x 1000 + 1000.
    assert sum(p.numel() for p in encoder.parameters()) == 6_092_072 - 1_734_120
    maps = encoder(torch.zeros(1, 3, 64, 64))
    assert [tuple(one.shape[1:]) for one in maps] == [
        (24, 16, 16),
        (48, 8, 8),
        (120, 4, 4),
        (352, 2, 2),
    ]
    network = FruitNetwork((24, 16, 16), 1, "lite2").eval()
    assert network(torch.zeros(1, 3, 64, 64)).shape == (1, CHANNELS, 16, 16)


def test_weights_of_another_encoder_are_refused(tmp_path: Path) -> None:
    encoder = Encoder()
    taken = published(encoder)
    taken.pop(next(iter(taken)))
    torch.save(taken, tmp_path / "other.pth")
    with pytest.raises(TrainingError, match=r"other\.pth does not hold the layers"):
        load_published(encoder, tmp_path / "other.pth")


# ---------------------------------------------------------------- figures


class Reads(nn.Module):
    """Gives the same cells for every picture."""

    def __init__(self, cells: Tensor) -> None:
        super().__init__()
        self.given = cells

    def forward(self, picture: Tensor) -> Tensor:
        assert picture.shape[2:] == (160, 224)
        return self.given


def test_a_network_that_sees_all_is_judged_perfect_and_one_that_misses_a_fruit_is_not(
    tmp_path: Path,
) -> None:
    (picture,) = held(tmp_path, Drawn(SEVERAL, size=(224, 160)))
    crops = cut([picture], [WHOLE], 224)
    cells = perfect(crops, make_targets(crops))[:, :, :40]
    # 40 and 34 px wide: at 37 px the picture keeps its size.
    boxes = picture.boxes[picture.rows == 0]
    assert float((boxes[:, 2:] - boxes[:, :2]).amax(1).median()) <= picture.fruit_px
    network: Any = Reads(cells)
    found = judge(network, [picture], picture.fruit_px)
    assert (found.ap50, found.ap75, found.f1_50, found.f1_20) == pytest.approx((1, 1, 1, 1))
    assert (found.count_bias, found.count_error) == (0, 0)
    cells[:, 0, :, :20] = -SURE
    found = judge(network, [picture], picture.fruit_px)
    # One of two, none wrong: 2 / (2 + 1) is F1; recalls up to 0.5 are 51 of 101.
    assert found.f1_50 == pytest.approx(2 / 3)
    assert found.ap50 == pytest.approx(51 / 101)
    assert (found.count_bias, found.count_error) == (-50, 50)


def test_what_is_rather_of_a_row_behind_is_neither_counted_nor_wrong(tmp_path: Path) -> None:
    (picture,) = held(tmp_path, Drawn(SEVERAL, size=(224, 160)))
    crops = cut([picture], [WHOLE], 224)
    cells = perfect(crops, make_targets(crops))[:, :, :40]
    # A fruit that nobody boxed, 32 px wide, away from the others: likelier than not of this row,
    # and still likelier of one behind.
    cells[0, [THIS_ROW, ROW_BEHIND], 30, 46] = torch.tensor([SURE + 1.0, SURE + 2.0])
    cells[0, BOX, 30, 46] = float(np.log(4.0))
    network: Any = Reads(cells)
    found = judge(network, [picture], picture.fruit_px)
    assert (found.ap50, found.f1_50, found.f1_20) == pytest.approx((1, 1, 1))
    assert found.count_bias == 0
    # Rather of this row, it counts: two of three right, 2 * 2 / (2 + 3); one too many of 2.
    cells[0, ROW_BEHIND, 30, 46] = SURE
    found = judge(network, [picture], picture.fruit_px)
    assert found.f1_50 == pytest.approx(4 / 5)
    assert found.count_bias == 50


def test_figures_of_a_run_are_added_to_its_folder(tmp_path: Path) -> None:
    pack = write_pack(tmp_path / "val", [Drawn([TILTED])])
    run = tmp_path / "run"
    run.mkdir()
    (run / "config.toml").write_text(
        'decoder_channels = [8, 8, 8]\nhead_layers = 0\n[[packs]]\nfolder = "p"\n'
    )
    config = small_config(pack, decoder_channels=(8, 8, 8), head_layers=0)
    torch.save(Learner(config, CPU).network.state_dict(), run / "weights.pt")
    said: list[str] = []
    for _ in range(2):
        evaluate_run(run, [pack], device="cpu", say=said.append, widths_px=(20.0, 44.0))
    lines = (run / "evaluations.csv").read_text().splitlines()
    assert lines[0].startswith("step,pack,fruit_px,ap50,")
    assert [line.split(",")[:3] for line in lines[1:]] == [
        ["0", "val", "20"],
        ["0", "val", "44"],
    ] * 2
    assert said[0] == "val"
    with pytest.raises(TrainingError, match=r"Can't read .*no"):
        evaluate_run(run, [tmp_path / "no"], device="cpu", say=said.append)
