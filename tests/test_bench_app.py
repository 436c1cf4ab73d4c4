"""The bench of the app: the farm that it invents, its rows, its table, what it refuses."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from fruitvision.bench_app import run
from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.bench_app.pages import page_names
from fruitvision.bench_app.timing import Row, table_lines
from fruitvision.domain import Doubt
from fruitvision.errors import FruitVisionError, StoreError
from fruitvision.photo import read_photo
from fruitvision.pipeline import estimate_blocks
from fruitvision.settings import Settings

SMALL = FarmSize(blocks=2, trees=9, fruit_a_photo=30, forecasts=1, large_blocks=0)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench") / "farm"
    bench_farm(folder, SMALL).close()
    return folder


def test_the_farm_is_as_large_as_it_says() -> None:
    size = FarmSize()
    assert (size.blocks, size.photos) == (60, 5040)
    assert size.photos * size.fruit_a_photo == 201_600


def test_the_farm_holds_what_a_season_leaves_behind(farm: Path) -> None:
    with bench_farm(farm, SMALL) as store:
        blocks = store.blocks()
        assert len(blocks) == 2
        assert len(store.tree_photos()) == SMALL.photos == 72
        fruit = sum(len(one.fruit) for one in store.measured_photos())
        assert fruit == pytest.approx(72 * 30, rel=0.15)
        assert len(store.register()) == 1000
        assert len(store.forecasts()) == 1
        walks, refused = estimate_blocks(store, Settings())
        assert not refused
        now = walks[0].estimate
        # Counts are half as many again as the fruit seen; 68 mm at the second walk.
        assert now.factor is not None
        assert now.factor.factor == pytest.approx(1.5, abs=0.25)
        assert now.sizes is not None
        assert now.sizes.mean_mm == pytest.approx(68, abs=2)
        assert Doubt.NO_CALIPERS not in now.sizes.doubts


def test_every_photo_is_a_file_of_its_own(farm: Path) -> None:
    with bench_farm(farm, SMALL) as store:
        ids = {placed.photo_id for placed in store.tree_photos()}
        assert len(ids) == 72
        kept = [store.photo_path(photo_id) for photo_id in ids]
    for path in kept[:3]:
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
        assert read_photo(path)[0].shape[2] == 3


def test_a_folder_that_holds_something_else_is_not_touched(farm: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(StoreError, match="no farm"):
        bench_farm(tmp_path, SMALL)
    with pytest.raises(StoreError, match="no invented farm of this size"):
        bench_farm(farm, FarmSize(blocks=2, trees=8))
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_every_page_is_timed_after_a_write_and_again_and_none_loads_torch(farm: Path) -> None:
    found = run.time_pages(farm, again=1)
    names = {row.what for row in found.rows}
    for page in page_names():
        assert {f"{page}: after a write", f"{page}: again"} <= names
    assert all(row.wall_s > 0 for row in found.rows)
    assert "streamlit" in found.loaded
    run.refuse_heavy("A page", found.loaded)


def test_torch_is_refused_loudly() -> None:
    with pytest.raises(FruitVisionError, match="The server loads torch"):
        run.refuse_heavy("The server", ["numpy", "torch.nn"])
    run.refuse_heavy("The server", ["torchlight"])


def test_a_missed_target_is_said() -> None:
    rows = [
        Row(what="quick", wall_s=1.0, processor_s=0.9, target_s=1.5),
        Row(what="slow", wall_s=1.6, processor_s=None, target_s=1.5),
        Row(what="never mind", wall_s=9.0, processor_s=None, target_s=None),
    ]
    assert [row.met for row in rows] == [True, False, True]
    missed = [line for line in table_lines(rows) if "MISSED" in line]
    assert len(missed) == 1
    assert missed[0].startswith("slow")
