"""Sizes of walks: worked out while one block's fruit are in hand, kept, and made anew of them."""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from fruitvision.domain import Reference, RemovedFruit, TreeKind, TreeSample
from fruitvision.pipeline import BlockWalks, attention_of, block_record, estimate_blocks
from fruitvision.pipeline.block_growth import past_years
from fruitvision.pipeline.kept import FOLDER, forget_memory
from fruitvision.pipeline.walk_sizes import KeptSizes, are_right, size_rows, sizes_of
from fruitvision.sizes import mean_size, size_distribution
from fruitvision.store import FarmStore, open_farm
from tests.records import WALK
from tests.walked_farm import (
    SETTINGS,
    add_calipers,
    add_good_block,
    add_register,
    add_walk,
    present,
    trees_of,
)

LAST_YEAR = date(2025, 8, 12)
BLOCKS = ("Hill", "Mill", "Brook")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three blocks, one of them with a register of two strata and with a walk of last year."""
    folder = tmp_path_factory.mktemp("filled") / "farm"
    with open_farm(folder) as store:
        for name in BLOCKS:
            add_good_block(store, name)
        add_walk(store, "Hill", day=LAST_YEAR, mean_mm=60.0, loads=lambda index: 20 + 6 * index)
        add_register(store, "Hill", stratum=lambda tree: "low" if tree.row > 7 else "")
    return folder


@pytest.fixture
def farm(filled: Path, tmp_path: Path) -> Iterator[FarmStore]:
    forget_memory()
    shutil.copytree(filled, tmp_path / "farm")
    with open_farm(tmp_path / "farm") as store:
        yield store
    forget_memory()


def by_name(store: FarmStore) -> dict[str, BlockWalks]:
    found, refused = estimate_blocks(store, SETTINGS)
    assert not refused
    return {one.estimate.block.block_id: one for one in found}


def held() -> int:
    """Trees with fruit that are in memory, those too that only a collection would free."""
    return sum(type(one) is TreeSample for one in gc.get_objects())


def test_no_fruit_of_a_block_are_held_when_the_next_one_is_read_or_later(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    gc.collect()
    read, at_start, while_read, before = block_record.read_walks, [], [], held()

    def counted(*given: Any) -> Any:
        at_start.append(held() - before)
        found = read(*given)
        while_read.append(held() - before)
        return found

    monkeypatch.setattr(block_record, "read_walks", counted)
    found = estimate_blocks(farm, SETTINGS)
    assert at_start == [0, 0, 0]
    assert min(while_read) >= 12
    assert held() == before
    attention_of(found[0], SETTINGS)
    assert held() == before


def test_sizes_are_those_of_the_trees_with_their_strata_and_of_past_seasons_without(
    farm: FarmStore,
) -> None:
    walks, fruit = block_record.read_walks(farm.blocks()[1], farm, present(), SETTINGS)
    block, register = farm.blocks()[1], farm.register("Hill")
    assert (block.block_id, len(walks.walks)) == ("Hill", 2)
    rows = [size_rows(block, register, (), walk) for walk in walks.walks]
    # 7 rows of 30 trees with 9 photographed, 3 rows with 3.
    assert set((rows[0].weights or {}).values()) == {210 / 9, 90 / 3}
    kept = sizes_of(walks.walks, fruit.of_walks, rows, SETTINGS, kept=KeptSizes())
    for row, sizes, trees in zip(rows, kept.of_walks, fruit.of_walks, strict=True):
        given = {"walked_on": trees[0].walked_on, "settings": SETTINGS}
        assert sizes.alike == mean_size(trees, (), **given)
        assert sizes.weighted == mean_size(trees, (), weights=row.weights, **given)
    assert kept.of_walks[0].alike != kept.of_walks[0].weighted
    last, standing = kept.of_walks
    assert last.standing is None
    assert standing.standing == size_distribution(
        fruit.of_walks[1], (), walked_on=WALK, settings=SETTINGS, weights=rows[1].weights
    )


def test_the_mean_alone_is_that_of_the_distribution(farm: FarmStore) -> None:
    _, fruit = block_record.read_walks(farm.blocks()[0], farm, present(), SETTINGS)
    add_calipers(farm, trees_of("Brook"), mean_mm=66.0, day=WALK)
    given = fruit.of_walks[0], farm.caliper_readings("Brook")
    whole = size_distribution(*given, walked_on=WALK, settings=SETTINGS)
    mean = mean_size(*given, walked_on=WALK, settings=SETTINGS)
    assert whole is not None
    assert mean is not None
    for name in ("measured_on", "mean_mm", "sd_mm", "mean_error_mm", "shared_error"):
        assert getattr(mean, name) == getattr(whole, name)
    assert mean_size([], (), walked_on=WALK, settings=SETTINGS) is None


def test_a_walk_of_last_year_is_told_by_all_its_trees_alike(farm: FarmStore) -> None:
    hill = by_name(farm)["Hill"].record
    ((cube,),) = past_years(hill, WALK)
    alike = hill.sizes[0].alike
    assert alike is not None
    assert cube.day == LAST_YEAR.toordinal()
    assert cube.mean_mm3 == pytest.approx(alike.mean_mm**3 + 3 * alike.mean_mm * alike.sd_mm**2)


def test_calipers_change_the_sizes_of_their_walk_and_no_photo_is_read_for_it(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = by_name(farm)["Hill"].record
    add_calipers(farm, trees_of("Hill"), mean_mm=63.0, day=WALK)
    monkeypatch.setattr(block_record, "read_walks", None)
    after = by_name(farm)["Hill"].record
    assert after.sizes[0] == before.sizes[0]
    assert after.standing_sizes != before.standing_sizes
    forget_memory()
    assert by_name(farm)["Hill"].record == after


def test_what_moves_no_size_asks_for_no_fruit(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = by_name(farm)
    monkeypatch.setattr(block_record, "sizes_of", None)
    farm.save_blocks([replace(farm.blocks()[1], pick_date=date(2026, 9, 20))])
    after = by_name(farm)
    assert after["Hill"].record.sizes == before["Hill"].record.sizes
    assert after["Hill"].estimate != before["Hill"].estimate


def test_fruit_that_are_gone_from_the_folder_are_read_again(farm: FarmStore) -> None:
    by_name(farm)
    for file in (farm.folder / FOLDER).iterdir():
        if b"of_walks" in file.read_bytes():
            file.unlink()
    add_calipers(farm, trees_of("Hill"), mean_mm=63.0, day=WALK)
    after = by_name(farm)
    shutil.rmtree(farm.folder / FOLDER)
    forget_memory()
    assert by_name(farm) == after


def test_fruit_that_changed_while_they_were_read_are_not_kept(
    farm: FarmStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = block_record.read_walks

    def disturbed(*given: Any) -> Any:
        """Somebody takes a fruit out of a photo of the block right after it was read."""
        found, name = read(*given), given[0].block_id
        photo = farm.tree_photos(name)[0].photo_id
        edit = RemovedFruit(x_px=300.0, y_px=200.0)
        farm.save_photo_edits(photo, [edit], made_by="Ann", made_at=datetime.now(UTC))
        return found

    monkeypatch.setattr(block_record, "read_walks", disturbed)
    before = by_name(farm)
    assert list((farm.folder / FOLDER).glob("*")) == []
    monkeypatch.setattr(block_record, "read_walks", read)
    after = by_name(farm)
    for name in BLOCKS:
        seen = [sum(t.visible_count for t in one[name].trees) for one in (before, after)]
        assert seen[0] - seen[1] == 1


def test_a_tree_that_the_register_denies_leaves_the_walk_without_weights(farm: FarmStore) -> None:
    block = farm.blocks()[1]
    walks, fruit = block_record.read_walks(block, farm, present(), SETTINGS)
    gap = {trees_of("Hill")[0]: TreeKind.MISSING}
    add_register(farm, "Hill", kinds=gap)
    rows = [size_rows(block, farm.register("Hill"), (), walk) for walk in walks.walks]
    kept = sizes_of(walks.walks, fruit.of_walks, rows, SETTINGS, kept=KeptSizes())
    assert [(one.standing, one.weighted) for one in kept.of_walks] == [(None, None)] * 2
    assert all(one.alike is not None for one in kept.of_walks)
    _, refused = estimate_blocks(farm, SETTINGS)
    assert [one.name for one in refused] == ["Hill"]
    assert "is missing in the register" in refused[0].what
    assert are_right(kept, rows)
    assert not are_right(kept, rows[1:])


def with_markers(store: FarmStore, name: str) -> None:
    """A marker at a height of 1,000 px in every photo of a block."""
    marker = Reference(
        marker_id=7,
        side_mm=150.0,
        corners_px=((0.0, 950.0), (100.0, 950.0), (100.0, 1050.0), (0.0, 1050.0)),
        side_px=100.0,
        tilt_deg=0.0,
        mm_per_px=1.5,
        mm_per_px_error=0.01,
    )
    photos = store.measured_photos_of(name, present())
    store.save_measured_photos([replace(one, references=(marker,)) for one in photos])


def test_heights_are_held_only_where_the_height_of_the_marker_is_known(farm: FarmStore) -> None:
    with_markers(farm, "Brook")
    assert by_name(farm)["Brook"].record.heights == ()
    known = replace(SETTINGS, marker_height_mm=1200.0)
    found = {one.estimate.block.block_id: one for one in estimate_blocks(farm, known)[0]}
    assert found["Mill"].record.heights == ()
    brook = found["Brook"].record
    # Fruit lie at 200 px, the marker at 1,000 px, at 1.4 mm a px.
    assert {mm for one in brook.heights for mm in one.above_marker_mm.values} == {1120.0}
    assert [len(one.diameters_mm) for one in brook.heights] == [
        one.sized for one in brook.standing.trees
    ]
    forget_memory()
    assert estimate_blocks(farm, known)[0] == tuple(found.values())
