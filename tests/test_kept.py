"""What is kept equals what is worked out anew, after each kind of write; and it is kept."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from fruitvision.domain import (
    CaliperedFruit,
    Pick,
    PickPlan,
    RemovedFruit,
    TreeKind,
    VisitedPlace,
)
from fruitvision.pipeline import blocks as blocks_module
from fruitvision.pipeline import estimate_blocks
from fruitvision.pipeline.blocks import Estimated
from fruitvision.pipeline.kept import FOLDER, forget_memory, keep_on_disk, on_disk
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests.records import WALK
from tests.walked_farm import (
    SETTINGS,
    add_calipers,
    add_good_block,
    add_hand_counts,
    add_register,
    add_walk,
    trees_of,
)

EARLIER = date(2026, 7, 15)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two blocks that are alike, and one of another variety."""
    folder = tmp_path_factory.mktemp("filled") / "farm"
    with open_farm(folder) as store:
        add_good_block(store, "Hill")
        add_good_block(store, "Mill")
        add_good_block(store, "Brook", variety="Fuji")
    return folder


@pytest.fixture
def farm(filled: Path, tmp_path: Path) -> Iterator[FarmStore]:
    """A copy of it, of which nothing is kept."""
    forget_memory()
    shutil.copytree(filled, tmp_path / "farm")
    with open_farm(tmp_path / "farm") as store:
        yield store
    forget_memory()


def anew(store: FarmStore, settings: Settings) -> Estimated:
    """As a farm of the same rows gives where nothing is kept."""
    shutil.rmtree(store.folder / FOLDER, ignore_errors=True)
    forget_memory()
    return estimate_blocks(store, settings)


def _a_photo(store: FarmStore) -> None:
    add_walk(store, "Hill", day=date(2026, 8, 19), mean_mm=71.0)


def _a_photo_again(store: FarmStore) -> None:
    add_walk(store, "Hill", loads=lambda index: 60 + index)


def _hand_counts(store: FarmStore) -> None:
    add_hand_counts(store, trees_of("Hill"), factor=2.0)


def _calipers(store: FarmStore) -> None:
    add_calipers(store, trees_of("Hill"), mean_mm=66.0, day=WALK)


def _calipered_fruit(store: FarmStore) -> None:
    photo = store.tree_photos("Hill")[0].photo_id
    store.save_calipered_fruit(
        CaliperedFruit(photo_id=photo, x_px=100.0 * n, y_px=200.0, diameter_mm=70.0 + n)
        for n in range(1, 9)
    )


def _an_edit(store: FarmStore) -> None:
    photo = store.tree_photos("Hill")[0].photo_id
    store.save_photo_edits(
        photo,
        [RemovedFruit(x_px=300.0, y_px=200.0)],
        made_by="Ann",
        made_at=datetime(2026, 8, 20, tzinfo=UTC),
    )


def _an_edit_undone(store: FarmStore) -> None:
    _an_edit(store)
    estimate_blocks(store, SETTINGS)
    (edit,) = store.photo_edits_of("Hill")
    store.undo_photo_edit(edit.number, undone_by="Ben", undone_at=datetime(2026, 8, 21, tzinfo=UTC))


def _a_register(store: FarmStore) -> None:
    gaps = dict.fromkeys(trees_of("Hill", 60)[40:], TreeKind.MISSING)
    add_register(store, "Hill", kinds=gaps, stratum=lambda tree: "low" if tree.row > 5 else "")


def _a_place(store: FarmStore) -> None:
    tree = trees_of("Hill", 14)[13]
    store.save_visited_places([VisitedPlace(tree=tree, visited_on=WALK, found=TreeKind.MISSING)])


def _a_group(store: FarmStore) -> None:
    store.save_blocks(replace(block, group="old") for block in store.blocks()[:2])


def _a_pick_date(store: FarmStore) -> None:
    store.save_blocks([replace(store.blocks()[1], pick_date=date(2026, 9, 20))])


def _a_pick_plan(store: FarmStore) -> None:
    picks = (
        Pick(pick_date=date(2026, 8, 25), share=0.4),
        Pick(pick_date=date(2026, 9, 9), share=0.6),
    )
    store.save_pick_plan("Hill", PickPlan(picks=picks, doubling_g=20.0))


def _an_earlier_walk(store: FarmStore) -> None:
    add_walk(store, "Hill", day=EARLIER, mean_mm=58.0)


WRITES: tuple[Callable[[FarmStore], None], ...] = (
    _a_photo, _a_photo_again, _hand_counts, _calipers, _calipered_fruit, _an_edit, _an_edit_undone,
    _a_register, _a_place, _a_group, _a_pick_date, _a_pick_plan, _an_earlier_walk,
)  # fmt: skip
# These change what is shown, so that a stale result would be seen.
SEEN = set(WRITES) - {_an_edit_undone, _a_pick_plan}


@pytest.mark.parametrize("write", WRITES, ids=lambda write: write.__name__.strip("_"))
def test_what_is_kept_equals_what_is_worked_out_anew(
    farm: FarmStore, write: Callable[[FarmStore], None]
) -> None:
    before = estimate_blocks(farm, SETTINGS)
    write(farm)
    after = estimate_blocks(farm, SETTINGS)
    forget_memory()
    of_disk = estimate_blocks(farm, SETTINGS)
    fresh = anew(farm, SETTINGS)
    assert after == of_disk == fresh
    assert (before != after) == (write in SEEN)


@pytest.mark.parametrize(
    "settings",
    [
        replace(SETTINGS, seed=SETTINGS.seed + 1),
        replace(SETTINGS, ruler_measured_mm=147.5),
    ],
    ids=["seed", "ruler"],
)
def test_other_settings_are_another_result(farm: FarmStore, settings: Settings) -> None:
    before = estimate_blocks(farm, SETTINGS)
    after = estimate_blocks(farm, settings)
    assert after == anew(farm, settings)
    assert after != before
    assert estimate_blocks(farm, SETTINGS) == before


def test_a_hand_count_moves_the_like_block_and_nothing_else_is_read_again(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {walk.estimate.block.block_id: walk for walk in estimate_blocks(farm, SETTINGS)[0]}
    again: list[str] = []
    estimate = blocks_module._estimate

    def counted(record: blocks_module.BlockRecord, *rest: object) -> object:
        again.append(record.block.block_id)
        return estimate(record, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(blocks_module, "_estimate", counted)
    _hand_counts(farm)
    after = {walk.estimate.block.block_id: walk for walk in estimate_blocks(farm, SETTINGS)[0]}
    assert again == ["Hill", "Mill"]
    assert after["Mill"].estimate.factor != before["Mill"].estimate.factor
    assert after["Brook"].record is before["Brook"].record
    estimate_blocks(farm, SETTINGS)
    assert again == ["Hill", "Mill"]


def test_nothing_is_worked_out_again_after_a_restart(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = estimate_blocks(farm, SETTINGS)
    forget_memory()
    monkeypatch.delattr(blocks_module, "_estimate")
    assert estimate_blocks(farm, SETTINGS) == before


def test_a_result_is_of_its_program(farm: FarmStore, monkeypatch: pytest.MonkeyPatch) -> None:
    estimate_blocks(farm, SETTINGS)
    forget_memory()
    monkeypatch.setattr("fruitvision.pipeline.kept.program_sha256", lambda: "another version")
    monkeypatch.delattr(blocks_module, "_estimate")
    with pytest.raises(NameError):
        estimate_blocks(farm, SETTINGS)


@pytest.mark.parametrize("content", [b"", b"{", b"{}", b'{"key": "k", "record": 1}', b"[1]"])
def test_a_damaged_file_is_worked_out_again(farm: FarmStore, content: bytes) -> None:
    before = estimate_blocks(farm, SETTINGS)
    files = list((farm.folder / FOLDER).iterdir())
    # Walks, their fruit and sizes, estimate and growth of three blocks.
    assert len(files) == 15
    for file in files:
        file.write_bytes(content)
    forget_memory()
    assert estimate_blocks(farm, SETTINGS) == before
    assert all(file.read_bytes() != content for file in files)


def test_a_folder_that_cannot_be_written_costs_no_result(farm: FarmStore) -> None:
    (farm.folder / FOLDER).write_bytes(b"a file")
    keep_on_disk(farm.folder, "x", "key", farm.blocks()[0])
    assert on_disk(farm.folder, "x", "key", object) is None
    assert len(estimate_blocks(farm, SETTINGS)[0]) == 3
