"""Ranges come true on simulated seasons: a few here, a thousand by `fruitvision bench coverage`."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fruitvision.domain import TreeKind
from fruitvision.errors import SimulationError
from fruitvision.forecast.shared import draw_shared
from fruitvision.settings import Settings
from fruitvision.simulate.coverage import (
    CLASS_CARTONS,
    CLASS_SHARE,
    FARM,
    FARM_CARTONS,
    FRUIT_TODAY,
    UNITS,
    Key,
    forecast_block,
    season_tallies,
    visited_places,
)
from fruitvision.simulate.coverage_table import CoverageRow, coverage_lines, run_coverage
from fruitvision.simulate.season.draw import draw_season
from fruitvision.simulate.season.harvest import cartons_by_class
from fruitvision.simulate.season.seasons import USUAL_TABLE
from fruitvision.simulate.season.walk import office_block, walk
from fruitvision.simulate.worlds import World, world_of
from fruitvision.size_table import load_size_table
from tests.test_bad_input import run

FEW_DRAWS = Settings(draws=400)
FRIENDLY = world_of("friendly")


@pytest.fixture(scope="module")
def rows() -> dict[str, CoverageRow]:
    """30 friendly seasons of three blocks."""
    found = run_coverage(FRIENDLY, 30, 2000, settings=FEW_DRAWS)
    return {row.quantity: row for row in found}


def test_ranges_hold_the_truth_eight_times_in_ten(rows: dict[str, CoverageRow]) -> None:
    # Of 90 numbers, 80 ± 4.2 % by chance alone; the blocks of a season err together. Ranges that
    # are a third too narrow hold 61 % of a normal truth, ranges twice too wide 99 %.
    for row in rows.values():
        if row.number >= 90:
            assert 0.66 <= row.coverage <= 0.93, row
    kinds = ("block count, fruit today", "mean size today", "cartons per block")
    together = np.mean([rows[kind].coverage for kind in kinds])
    assert 0.72 <= together <= 0.88
    # What is picked is the count of today but for a few per cent that fall: ranges alike.
    picked, today = rows["fruit picked"], rows["block count, fruit today"]
    assert picked.coverage == pytest.approx(today.coverage, abs=0.1)
    assert 1.0 < picked.width / today.width < 1.15


def test_the_middle_of_the_range_is_not_biased(rows: dict[str, CoverageRow]) -> None:
    # The mean of 90 errors of 6.7 % (P10-P90 of 17 %) is known to 0.7 %, of 0.9 mm to 0.1 mm.
    assert abs(rows["block count, fruit today"].bias) < 2.0
    assert abs(rows["mean size today"].bias) < 0.3
    # The season is shared: 30 errors of 0.5 to 1.25 mm.
    assert abs(rows["mean size at pick"].bias) < 0.6


def test_the_table_has_every_quantity_and_the_main_classes(rows: dict[str, CoverageRow]) -> None:
    plain = [what for what in UNITS if what not in (CLASS_SHARE, CLASS_CARTONS)]
    assert all(what in rows for what in plain)
    shares = [name.removeprefix(CLASS_SHARE).strip() for name in rows if CLASS_SHARE in name]
    cartons = [name.removeprefix(CLASS_CARTONS).strip() for name in rows if CLASS_CARTONS in name]
    # Gala picked at 72 mm packs 125 and 138 (about 145 g), Fuji at 81 mm 88 and 100 (about 205 g).
    assert {"138", "125", "100", "88"} <= set(shares)
    assert not {"216", "198", "48"} & set(shares)
    assert shares == cartons == sorted(shares, key=int, reverse=True)
    assert rows["farm total, cartons"].number == 30
    assert all(row.nominal == 0.80 and row.world == "friendly" for row in rows.values())


def test_a_single_season_is_what_its_truth_and_its_range_are() -> None:
    table = load_size_table(USUAL_TABLE)
    found = season_tallies(FRIENDLY, 7, table, FEW_DRAWS)[Key(FARM, FARM_CARTONS)]
    season = draw_season(7, FRIENDLY.season_plans(7, FEW_DRAWS))
    truth = sum(cartons_by_class(block, table, block.pick > 0).sum() for block in season)
    assert (found.number, found.truth) == (1, pytest.approx(truth))
    (row,) = [
        row
        for row in run_coverage(FRIENDLY, 1, 7, settings=FEW_DRAWS)
        if row.quantity == FARM_CARTONS
    ]
    assert row.bias == pytest.approx(100 * found.error / truth)
    assert row.width == pytest.approx(100 * found.width / truth)
    assert row.coverage == found.inside
    assert (row.unit, row.number) == ("%", 1)


def test_the_table_is_the_same_for_any_number_of_processes() -> None:
    few = Settings(draws=100)
    done: list[tuple[int, int]] = []
    alone = run_coverage(
        FRIENDLY, 9, 40, settings=few, on_progress=lambda at, of: done.append((at, of))
    )
    assert run_coverage(FRIENDLY, 9, 40, settings=few, workers=2) == alone
    assert done == [(8, 9), (9, 9)]


def test_the_walk_meets_gaps_as_often_as_trees() -> None:
    world = world_of("wrong-register")
    met, gaps = 0, 0
    for seed in range(40):
        for block in draw_season(seed, world.season_plans(seed, FEW_DRAWS)):
            places = visited_places(block, seed)
            assert len({place.tree for place in places}) == len(places)
            trees = [place for place in places if place.found is TreeKind.BEARING]
            assert len(trees) == len(block.photographed)
            met += sum(place.found is TreeKind.MISSING for place in places)
            gaps += block.plan.missing * len(trees) / len(block.places)
    # About 300 gaps expected, give or take their root.
    assert met == pytest.approx(gaps, abs=3 * gaps**0.5)


def test_a_world_that_breaks_an_assumption_is_seen_in_the_table() -> None:
    dry = run_coverage(world_of("drought"), 8, 0, settings=Settings(draws=200))
    found = {row.quantity: row for row in dry}
    # A week of 0.25 mm a day is not there.
    assert found["mean size at pick"].bias > 1.0
    assert found["mean size at pick"].coverage < 0.7
    assert abs(found["mean size today"].bias) < 0.6


def test_like_blocks_lend_their_counts_where_the_world_says_so() -> None:
    few = Settings(draws=100)
    lending = world_of("like-blocks")
    alone = replace(lending, lending=False)
    table = load_size_table(USUAL_TABLE)

    def width(world: World) -> float:
        tallies = [season_tallies(world, seed, table, few) for seed in range(6)]
        found = [t for one in tallies for key, t in one.items() if key.what == FRUIT_TODAY]
        return sum(tally.width for tally in found)

    # Three counts of a block tell a factor poorly; nine of three blocks tell it better.
    assert width(lending) < 0.8 * width(alone)


def test_a_line_is_taken_where_light_trees_hide_more_and_counts_are_enough() -> None:
    few, table = Settings(draws=100), load_size_table(USUAL_TABLE)

    def models(name: str) -> list[str]:
        world, found = world_of(name), []
        for seed in range(4):
            (block,) = draw_season(seed, world.season_plans(seed, few)[:1])
            seen = walk(block, seed, world.walk_errors(block.plan, seed, few))
            inputs, _ = forecast_block(office_block(block), seen, table, few, draw_shared(few))
            assert inputs.estimate.factor is not None
            found.append(inputs.estimate.factor.model)
        return found

    assert models("light-hide") == ["line"] * 4
    # Ten counts are too few for a line.
    assert models("friendly") == ["ratio"] * 4


def test_lines_give_the_numbers_in_their_units() -> None:
    row = CoverageRow(
        world="friendly",
        quantity="mean size today",
        nominal=0.8,
        coverage=0.8125,
        bias=-0.125,
        width=2.5,
        unit="mm",
        number=1200,
    )
    (mm,) = coverage_lines([row])
    assert " ".join(mm.split()) == "friendly mean size today 80% 81.2% -0.12 mm 2.50 1,200"
    (percent,) = coverage_lines([replace(row, unit="%", bias=1.26, width=17.31)])
    assert percent.split()[-5:] == ["81.2%", "+1.3", "%", "17.3", "1,200"]


def test_numbers_out_of_range_are_refused() -> None:
    with pytest.raises(SimulationError, match=r"number of seasons is 0\. Give 1 or more"):
        run_coverage(FRIENDLY, 0, 1)
    with pytest.raises(SimulationError, match="number of workers is 0"):
        run_coverage(FRIENDLY, 1, 1, workers=0)
    with pytest.raises(SimulationError, match="seed is -1"):
        run_coverage(FRIENDLY, 1, -1)


def test_the_command_prints_a_table_and_writes_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "new" / "coverage.json"
    status, text = run(
        *("bench", "coverage", "--seasons", "1", "--seed", "3", "--workers", "1"),
        *("--world", "usual", "--world", "five-counts", "--json", str(path)),
    )
    assert status == 0, text
    assert "five-counts: Only five trees of a block are counted by hand." in text
    assert "coverage" in text
    assert "bias of P50" in text
    written = json.loads(path.read_text(encoding="utf-8"))
    assert (written["seasons"], written["first_seed"]) == (1, 3)
    assert {row["world"] for row in written["rows"]} == {"usual", "five-counts"}
    first = written["rows"][0]
    assert first["quantity"] == "block count, fruit today"
    assert (first["nominal"], first["number"]) == (0.8, 3)


def test_the_command_refuses_an_unknown_world_with_the_names() -> None:
    status, text = run("bench", "coverage", "--seasons", "1", "--world", "sunny")
    assert status == 2
    assert "no world 'sunny'" in text
    assert "Known: drought, five-counts, friendly" in text
