"""A farm's own detector: from the shipped network, by tree, tried on what it did not learn from."""

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from fruitvision.cli import main
from fruitvision.commands.models import next_folder, own_lines
from fruitvision.domain import CheckedPhoto, HandCount, TreeId
from fruitvision.errors import DetectorDamaged, DetectorUnknown, FieldDataError, TrainingError
from fruitvision.evaluate.average_precision import threshold_for_count
from fruitvision.evaluate.tree_trial import TreeTrial, Trial, tree_trial, verdict
from fruitvision.fruit.cells import BOX, ROW_BEHIND, THIS_ROW
from fruitvision.fruit.detector import choose_detector
from fruitvision.fruit.learned import LearnedDetector, detector_in
from fruitvision.pipeline import own_detector, own_plan
from fruitvision.pipeline.own_detector import HowToTeach, OwnDetector, make_own_detector
from fruitvision.pipeline.own_plan import Enough, OwnPlan, part_of, part_trees, plan_own
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.train import fine_tune as tuning
from fruitvision.train.album import Held, hold
from fruitvision.train.card_facts import CardFacts
from fruitvision.train.export import cells_of, write_version
from fruitvision.train.fine_tune import Taught, Teaching, as_seen, away, fine_tune
from fruitvision.train.from_onnx import network_from
from fruitvision.train.judge import Judgement
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import body_of, folded, with_picture
from fruitvision.train.own import write_own
from fruitvision.train.pack import read_pack
from fruitvision.train.probe import odd_picture
from tests import records
from tests.disc_network import disc_model, picture_of, write_model
from tests.drawn_packs import Drawn, Fruit, write_pack

pytestmark = pytest.mark.usefixtures("one_thread")

DAY = date(2026, 8, 14)
CPU = torch.device("cpu")


def small_network(head_layers: int = 1) -> FruitNetwork:
    """One that was never trained; its norms have seen a picture."""
    torch.manual_seed(5)
    made = FruitNetwork((16, 12, 8), head_layers)
    torch.nn.init.normal_(made.out.weight, std=0.3)
    for module in made.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.momentum = None
    made.train()
    with torch.no_grad():
        made(torch.from_numpy(odd_picture()).permute(2, 0, 1)[None].float())
    return made.eval()


# ---------------------------------------------------------------- the network again


@pytest.mark.parametrize("head_layers", [0, 2])
def test_a_shipped_network_is_the_same_one_in_torch(head_layers: int) -> None:
    network = small_network(head_layers)
    again = network_from(with_picture(body_of(network)).SerializeToString())
    picture = odd_picture()[:64, :96]
    assert np.abs(cells_of(again, picture) - cells_of(network, picture)).max() < 1e-3
    assert all(parameter.requires_grad for parameter in again.parameters())
    assert not any(isinstance(one, torch.nn.BatchNorm2d) for one in again.modules())


def test_other_networks_are_refused() -> None:
    with pytest.raises(TrainingError, match="other layers"):
        network_from(disc_model())
    with pytest.raises(TrainingError, match="no ONNX"):
        network_from(b"no network")


# ---------------------------------------------------------------- teaching

TEACHING = Teaching(rounds=2, crops=4, batch=2, crop_px=96, learning_rate=4e-3, patience=9)


def album(folder: Path, photos: int) -> list[Held]:
    """Photos with two red fruit each, and a blue thing that is none."""
    rng = np.random.default_rng(photos)
    drawn = []
    for _ in range(photos):
        x, y = rng.uniform(25, 60, 2)
        fruit = [Fruit((x, y, 26.0, 26.0, 0.0)), Fruit((x + 45, y + 40, 26.0, 26.0, 0.0))]
        drawn.append(Drawn(fruit, (128, 128), photo=True))
    (held,) = hold([read_pack(write_pack(folder, drawn))], CPU, threads=1)
    return held


def test_it_learns_what_is_a_fruit_and_keeps_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    start = folded(small_network())
    learn = album(tmp_path / "learn", 2)
    rising = iter(range(100))
    monkeypatch.setattr(
        tuning,
        "judge",
        lambda *_: Judgement(26.0, 0.0, 0.0, float(next(rising)), 0.0, 0.5, 0.0, 0.0),
    )
    said: list[str] = []

    def taught(keeping: float) -> Taught:
        teaching = replace(TEACHING, keeping=keeping)
        return fine_tune(start, learn, learn, teaching, fruit_px=26.0, say=said.append)

    held, loose = taught(1.0), taught(0.0)
    picture = learn[0].levels[0].permute(1, 2, 0).numpy()
    before, after, free = (
        torch.from_numpy(cells_of(one, picture))[None]
        for one in (start, held.network, loose.network)
    )
    assert held.best == TEACHING.rounds
    assert fruit_stand_out(after, learn[0]) > fruit_stand_out(before, learn[0]) + 1.0
    assert away(after, before) < 0.75 * away(free, before)
    assert said[0].startswith("before")
    assert "round 1 of 2" in said[1]


def fruit_stand_out(cells: torch.Tensor, held: Held) -> float:
    """Mean heat in the cells of fruit, less that of all cells."""
    heat = cells[0, THIS_ROW]
    x, y = ((held.boxes[:, :2] + held.boxes[:, 2:]) / 2 / 4).long().T
    return float(heat[y, x].mean() - heat.mean())


def test_where_no_round_is_better_the_untaught_network_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    start = folded(small_network())
    learn = album(tmp_path / "learn", 1)
    figures = iter([0.8, 0.7, 0.801, 0.5, 0.9])

    def told(*_: object) -> Judgement:
        return Judgement(26.0, 0.0, 0.0, next(figures), 0.0, 0.5, 0.0, 0.0)

    monkeypatch.setattr(tuning, "judge", told)
    teaching = replace(TEACHING, rounds=4, crops=1, patience=3)
    taught = fine_tune(start, learn, learn, teaching, fruit_px=26.0, say=str)
    # 0.801 is no gain, and after three rounds without one it ends.
    assert (taught.best, len(taught.tries)) == (0, 4)
    unlike = [
        name
        for name, value in taught.network.state_dict().items()
        if not torch.equal(value, start.state_dict()[name])
    ]
    assert not unlike


def test_a_fruit_that_the_network_finds_keeps_the_box_of_what_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (held,) = album(tmp_path, 1)
    full = held.boxes.double().numpy()
    outline = np.array([[*(full[0, :2] + 13), 26.0, 26.0, 0.0]])
    half = full[:1] - [0, 0, 13, 0]

    class Found:
        outlines, boxes = outline, half

    monkeypatch.setattr(tuning, "look", lambda *_: Found)
    seen = as_seen(FruitNetwork((8, 8, 8), 0), held, 26.0).boxes.double().numpy()
    assert seen[0] == pytest.approx(half[0], abs=1e-3)
    assert seen[1] == pytest.approx(full[1], abs=1e-3)


def test_what_moved_counts_where_fruit_were_seen() -> None:
    before = torch.full((1, 15, 2, 2), -9.0)
    before[0, THIS_ROW, 0, 0] = 9.0
    cells = before.clone()
    cells[:, ROW_BEHIND] += 3.0
    assert away(cells, before) == 0
    cells = before.clone()
    cells[0, BOX, 1, 1] += 5.0
    elsewhere = away(cells, before)
    cells = before.clone()
    cells[0, BOX, 0, 0] += 5.0
    # 4 of 10 channels, all of the one centre.
    assert away(cells, before) == pytest.approx(2.0, abs=0.01)
    assert elsewhere < 0.01


# ---------------------------------------------------------------- which photos


def trees(*positions: int) -> list[TreeId]:
    return [TreeId(block_id="North", row=1, position=number) for number in positions]


def test_parts_share_no_tree_and_hand_counted_trees_are_only_tried_on() -> None:
    placed = {f"{tree.position}{face}": tree for tree in trees(*range(1, 21)) for face in "AB"}
    counted = trees(3, 4, 90)
    learn, choose, tried = part_trees(placed, counted, Enough())
    assert not learn & choose
    assert not (learn | choose) & tried
    assert learn | choose | tried == set(placed.values())
    assert set(trees(3, 4)) <= tried
    # A quarter of 40 photos is 5 trees; a fifth of the other 15 chooses.
    assert (len(learn), len(choose), len(tried)) == (12, 3, 5)
    assert part_trees(placed, counted, Enough()) == (learn, choose, tried)
    # Many hand-counted trees are enough to try it on.
    many = part_trees(placed, trees(*range(1, 13)), Enough())
    assert many[2] == set(trees(*range(1, 13)))


@pytest.mark.parametrize(
    ("photos", "counted", "fix"),
    [
        (10, 0, "Check 14 more photos on"),
        (24, 20, "Check photos of 4 more trees not counted by hand on"),
        (7, 0, "Check 17 more photos and photos of 1 more tree not"),
    ],
)
def test_too_few_photos_are_refused_with_the_number_needed(
    photos: int, counted: int, fix: str
) -> None:
    placed = {str(tree.position): tree for tree in trees(*range(photos))}
    with pytest.raises(FieldDataError, match=f"^Photos checked: {photos}, ") as refused:
        part_trees(placed, trees(*range(counted)), Enough())
    assert fix in refused.value.fix


def test_a_part_of_the_document_has_its_photos_and_their_fruit_only() -> None:
    coco = (
        b'{"images": [{"id": 1, "file_name": "a"}, {"id": 2, "file_name": "b"}], "categories": '
        b'[{"id": 1}], "annotations": [{"id": 7, "image_id": 1}, {"id": 8, "image_id": 2}]}'
    )
    part = part_of(coco, ["b"])
    assert [one["id"] for one in part["images"]] == [2]
    assert [one["id"] for one in part["annotations"]] == [8]
    assert part["categories"] == [{"id": 1}]


# ---------------------------------------------------------------- figures


def test_a_tree_is_told_by_the_ratio_of_its_blocks_other_trees() -> None:
    north = [(40.0, 80.0), (50.0, 100.0), (60.0, 120.0), (0.0, 9.0)]
    south = [(20.0, 20.0), (10.0, 10.0), (10.0, 20.0)]
    trial = tree_trial([north, south, [(5.0, 50.0)]])
    assert trial is not None
    # North is even; South's trees are told as 20 x 30/20, 10 x 40/30 and 10 x 30/30.
    assert trial.trees == 6
    assert trial.ratio == pytest.approx(350 / 190)
    assert trial.error == pytest.approx((0 + 0 + 0 + 10 / 20 + (40 / 3 - 10) / 10 + 0.5) / 6)
    # Around 50/40: 0.8, 0.8 and 1.6 of what is told; two ratios were fitted.
    assert trial.scatter == pytest.approx(((0.2**2 + 0.2**2 + 0.6**2) / 4) ** 0.5)


def test_too_few_trees_tell_nothing() -> None:
    assert tree_trial([[(40.0, 80.0)] * 4]) is None
    assert tree_trial([[(40.0, 80.0)] * 2] * 3) is None
    assert tree_trial([]) is None


def trial(f1: float | None, error: float | None) -> Trial:
    on = None if error is None else TreeTrial(trees=8, ratio=1.6, scatter=0.1, error=error)
    return Trial(photos=8, fruit=300, ap50=f1, f1=f1, f1_there=f1, count_error=0.1, trees=on)


@pytest.mark.parametrize(
    ("before", "after", "advised", "worse"),
    [
        ((0.80, 0.10), (0.85, 0.08), True, 0),
        ((0.80, None), (0.85, None), True, 0),
        ((0.80, 0.10), (0.85, 0.12), False, 1),
        ((0.80, 0.10), (0.75, 0.08), False, 1),
        ((0.80, 0.10), (0.804, 0.097), False, 0),
        ((None, None), (None, None), False, 0),
    ],
)
def test_worse_in_anything_is_not_advised(
    before: tuple[float | None, float | None],
    after: tuple[float | None, float | None],
    advised: bool,
    worse: int,
) -> None:
    found = verdict(trial(*before), trial(*after))
    assert (found.is_advised, len(found.worse)) == (advised, worse)
    lines = "\n".join(
        own_lines(
            OwnDetector(
                folder=Path("detectors/1"),
                rounds=3,
                before=trial(*before),
                after=trial(*after),
                verdict=found,
            )
        )
    )
    assert ("Do not use it" in lines) == bool(worse)
    assert ("--detector detectors/1" in lines) == advised


def test_as_many_are_found_as_there_are() -> None:
    scores = np.array([0.2, 0.9, 0.5, 0.7])
    assert threshold_for_count(scores, 3) == 0.5
    assert threshold_for_count(scores, 9) == 0.2


# ---------------------------------------------------------------- as a detector


def test_a_folder_is_a_detector_by_its_path(tmp_path: Path) -> None:
    folder = write_model(tmp_path, name="own", version="7")
    found = choose_detector(str(folder))
    assert (found.name, found.version) == ("own", "7")
    (folder / "model.onnx").write_bytes(b"damaged")
    with pytest.raises(DetectorDamaged):
        choose_detector(str(folder))
    with pytest.raises(DetectorUnknown, match="no folder"):
        choose_detector(str(tmp_path / "none"))
    assert choose_detector().name == "learned"


def test_its_version_is_that_of_its_weights(tmp_path: Path) -> None:
    taught = Taught(folded(small_network()), (), 1)
    write_own(
        tmp_path / "1", taught, CardFacts(name="own", source="s", trained_on="t"), day="d", say=str
    )
    found = detector_in(tmp_path / "1")
    sha256 = hashlib.sha256((tmp_path / "1" / "model.onnx").read_bytes()).hexdigest()
    assert (found.name, found.version) == ("own", f"d {sha256[:8]}")
    assert next_folder(tmp_path) == tmp_path / "2"


# ---------------------------------------------------------------- a farm's, from first to last

ENOUGH = Enough(photos=5, trees=4)
CHECKED = CheckedPhoto(detector=made_with(choose_detector(), Settings()).detector)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    """Six trees, one photo each, all checked; tree 6 is counted by hand."""
    with open_farm(tmp_path / "farm") as opened:
        opened.save_blocks([records.block()])
        for position in range(1, 7):
            _keep(opened, tmp_path / f"IMG_{position}.png", position)
        tree = records.tree_photo(6, "A", "x").tree
        opened.save_hand_counts([HandCount(tree=tree, fruit_count=9, counted_on=DAY)])
        yield opened


def _keep(store: FarmStore, file: Path, position: int) -> None:
    discs = [(35.0 + 60 * number, 60.0 + 20 * position, 14.0) for number in range(5)]
    picture = picture_of(320, 240, discs)
    cv2.imwrite(str(file), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
    photo_id = hashlib.sha256(file.read_bytes()).hexdigest()
    fruit = [
        replace(
            records.fruit(number + 1, photo_id=photo_id),
            centre_x_px=x,
            centre_y_px=y,
            width_px=2 * r,
            height_px=2 * r,
            angle_deg=0.0,
        )
        for number, (x, y, r) in enumerate(discs)
    ]
    measured = records.measured(photo_id, fruit)
    photo = replace(measured.photo, name=file.name, width_px=320, height_px=240)
    origin = made_with(choose_detector(), Settings())
    store.keep_photo(file, photo_id)
    store.save_measured_photo(replace(measured, photo=photo, made_with=origin))
    store.save_tree_photos([records.tree_photo(position, "A", photo_id)])
    when = datetime(2026, 8, 14, 9, tzinfo=UTC)
    store.save_photo_edits(photo_id, [CHECKED], made_by="Ana Ruiz", made_at=when)


@pytest.fixture
def small_shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> LearnedDetector:
    """A small network in the place of the shipped one."""
    facts = CardFacts(source="s", trained_on="old photos", version="2", fruit_width_px=48.0)
    network = small_network()
    # Of what it never learned it sees little: hundreds of fruit would take their time.
    network.out.weight.data[:2] *= 0.05
    write_version(tmp_path / "shipped", facts, network, str)
    shipped = detector_in(tmp_path / "shipped")
    monkeypatch.setattr(own_detector, "learned_detector", lambda: shipped)
    return shipped


def made(store: FarmStore, out: Path, *, gain: float) -> tuple[OwnPlan, OwnDetector]:
    plan = plan_own(store, Settings(), made_on=DAY, enough=ENOUGH)
    teaching = Teaching(rounds=1, crops=1, batch=1, crop_px=96, gain=gain)
    how = HowToTeach(teaching=teaching, say=str)
    return plan, make_own_detector(store, Settings(), plan, out, made_on=DAY, how=how)


def test_a_farm_gets_a_detector_with_its_figures_in_a_folder_of_its_own(
    store: FarmStore, small_shipped: LearnedDetector, tmp_path: Path
) -> None:
    plan, own = made(store, tmp_path / "own" / "1", gain=-2.0)
    (counted,) = plan.counted
    assert counted.position == 6
    assert (len(plan.learn), len(plan.choose), len(plan.tried)) == (3, 1, 2)
    assert plan.fruit == 15
    assert own.before is not None
    assert own.after is not None
    assert (own.after.photos, own.after.fruit, own.after.trees) == (2, 10, None)
    found = choose_detector(str(tmp_path / "own" / "1"))
    assert found.name == "own"
    facts = "\n".join(found.facts)
    assert "3 photos of one farm that its people checked (15 fruit)" in facts
    assert "before that: old photos" in facts
    assert "F1 at overlap 0.5" in facts
    assert "one farm's photos" in found.limits
    # Nothing else is left, and a folder is never written again.
    assert [path.name for path in (tmp_path / "own").iterdir()] == ["1"]
    with pytest.raises(TrainingError, match="is there already"):
        made(store, tmp_path / "own" / "1", gain=-2.0)


def test_without_a_gain_nothing_is_written(
    store: FarmStore, small_shipped: LearnedDetector, tmp_path: Path
) -> None:
    _, own = made(store, tmp_path / "own" / "1", gain=2.0)
    assert own.folder is None
    assert not list((tmp_path / "own").iterdir())
    assert "Nothing was written" in own_lines(own)[0]


def test_the_command_says_what_it_would_do_and_does_it_only_with_yes(
    store: FarmStore, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(own_plan, "Enough", lambda: ENOUGH)
    assert main(["models", "train", "--farm", str(store.folder)]) == 2
    told = capsys.readouterr().out
    assert "To learn from: 3 checked photos of 3 trees, 15 fruit." in told
    assert "Nothing is done yet" in told
    assert not (store.folder / "detectors").exists()
