"""The Blocks page: all blocks on one page, and one block."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from html import unescape
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import session
from app.blocks import data, words
from app.blocks.ranges import range_picture
from app.charts_curve import size_curve as curve_chart
from app.charts_map import Shown, block_map, legend
from app.wording import day_span
from fruitvision.domain import (
    Attention,
    Doubt,
    Estimate,
    Pick,
    PickPlan,
    RegisteredTree,
    TreeId,
    TreeKind,
    VisitedPlace,
)
from fruitvision.field_map import FieldMap, field_map
from fruitvision.pipeline.standing import NextWork, Todo, standings
from fruitvision.pipeline.walking import WalkSize, start_walk
from fruitvision.serve import DAY_VARIABLE
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.target import SizeAgainstTarget, Standing, size_curve
from fruitvision.trust import Grade, Reason, Why
from fruitvision.unit_system import METRIC, US
from tests import records, walked_farm
from tests.app import pseudo
from tests.app.pages import MAIN, TREES, block_page, page, press, radio, text
from tests.records import BLOCK_ID, WALK


@pytest.fixture(autouse=True)
def _in_the_season(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages of the days between walk and pick, whatever the clock says."""
    monkeypatch.setenv(DAY_VARIABLE, "2026-08-20")


MM = METRIC.diameter


def tables(app: AppTest) -> str:
    """The HTML of all blocks."""
    found = [str(item.proto.body) for item in app.get("html")]  # type: ignore[attr-defined]
    return "\n".join(body for body in found if '<table class="fv-blocks">' in body)


def cell_texts(html: str) -> str:
    return unescape(" ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S).split()))


def box(app: AppTest, label: str):
    (found,) = (item for item in app.selectbox if item.label == label)
    return found


def test_a_block_with_odd_hand_counts_is_not_told_that_there_is_nothing_to_do(
    filled: Path,
) -> None:
    with open_farm(filled) as store:
        (found,) = standings(store, Settings())
    assert found.trust is not None
    odd = Reason(why=Why.SUSPECT_PAIRS, allows=Grade.CARE, number=2)
    nothing = replace(
        found,
        work=NextWork(todo=Todo.NOTHING),
        load=None,
        size=None,
        trust=replace(found.trust, reasons=()),
    )
    assert words.todo(nothing) == "Nothing to measure"
    odd_ones = replace(nothing, trust=replace(found.trust, reasons=(odd,)))
    assert words.todo(odd_ones) == "Look at 2 odd hand counts"


# ---------------------------------------------------------------- all blocks


@pytest.fixture(scope="module")
def four_blocks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One block with everything, one with too many fruit, one uncounted, one not walked."""
    folder = tmp_path_factory.mktemp("four") / "farm"
    with open_farm(folder) as store:
        walked_farm.add_good_block(store, "Good")
        walked_farm.add_good_block(store, "Heavy", variety="Fuji")
        walked_farm.add_block(store, "Bare", variety="Braeburn")
        walked_farm.add_block(store, "Un<i>counted", variety="Braeburn")
        walked_farm.add_walk(store, "Un<i>counted")
        heavy = next(block for block in store.blocks() if block.block_id == "Heavy")
        # 40 seen, times 1.5.
        store.save_blocks([replace(heavy, target_fruit_per_tree=45.0, target_diameter_mm=76.0)])
    return folder


@pytest.fixture
def farm(folder: Path, four_blocks: Path) -> Path:
    shutil.copytree(four_blocks, folder)
    return folder


def test_all_blocks_stand_on_one_page_with_what_needs_somebody_on_top(farm: Path) -> None:
    app = page("blocks")
    assert not app.exception
    html = tables(app)
    shown = cell_texts(html)
    order = [shown.index(name) for name in ("counted", "Heavy", "Bare", "Good")]
    assert order == sorted(order)
    assert "Needs you (2)" in shown
    assert "Not walked yet (1)" in shown
    # Names of the farm are no HTML.
    assert "<i>" not in html
    assert "Un&lt;i&gt;counted" in html
    # The target, the number of fruit above it, and the reason why to trust it how far.
    assert "▲ 15 too many, target 45" in shown
    assert "no hand counts: hidden fruit not in" in shown
    assert "●○○ First look only" in shown
    assert "Count 5 trees by hand" in shown
    assert "Walk 10 trees" in shown
    # Blocks without a target are said, with the way to Set-up.
    assert "3 blocks have no target" in text(app)


def test_bins_are_of_the_latest_forecast_and_it_is_named(farm: Path) -> None:
    assert "No forecast is made yet" in text(page("blocks"))
    press(page("forecast"), "Make forecast")
    app = page("blocks")
    assert "Bins of forecast no. 1, made on" in text(app)
    with open_farm(farm) as store:
        (forecast,) = store.forecasts()
    good = next(crop for crop in forecast.blocks if crop.name == "Good")
    assert good.bins is not None
    assert f"{good.bins.p50:.1f} {good.bins.p10:.1f}–{good.bins.p90:.1f}" in cell_texts(tables(app))


def test_a_block_is_opened_from_the_list_and_the_choice_is_in_the_address(farm: Path) -> None:
    app = page("blocks")
    assert re.search(r'<a href="\?[^"]*block=Good"', tables(app))
    box(app, "Look at one block").set_value("Good").run()
    assert not app.exception
    assert app.title[0].value == "Good"
    assert app.query_params[data.BLOCK_IN_ADDRESS] in ("Good", ["Good"])
    box(app, "Block").set_value("Heavy").run()
    assert app.title[0].value == "Heavy"
    app = press(app, "All blocks")
    assert app.title[0].value == "Blocks"
    assert data.BLOCK_IN_ADDRESS not in app.query_params
    # A block that is gone, or never was, is no error: all blocks are shown.
    assert block_page("Nowhere").title[0].value == "Blocks"


def test_many_blocks_can_be_narrowed_down_by_variety_and_by_what_they_need(folder: Path) -> None:
    with open_farm(folder) as store:
        for number in range(9):
            walked_farm.add_block(store, f"Hill {number}", variety="Fuji" if number else "Gala")
    app = page("blocks")
    assert "Hill 0" in tables(app)
    box(app, "Variety").set_value("Fuji").run()
    assert "Hill 0" not in tables(app)
    assert "Hill 8" in tables(app)
    assert app.query_params["variety"] in ("Fuji", ["Fuji"])
    box(app, "Show").set_value("act").run()
    assert tables(app) == ""
    assert "No block is like that." in text(app)


def test_links_of_the_list_keep_language_and_units(farm: Path) -> None:
    app = AppTest.from_file(str(MAIN), default_timeout=30)
    app.query_params["units"] = "us"
    app.query_params["lang"] = "es"
    html = tables(app.run())
    assert "lang=es" in html
    assert "units=us" in html
    assert "Cuente 5 árboles a mano" in cell_texts(html)


def test_a_block_whose_photos_give_no_estimate_says_why(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block()])
        store.save_tree_photos([records.tree_photo(1, "A", "b" * 64)])
    shown = cell_texts(tables(page("blocks")))
    assert "Look: it can't be estimated" in shown
    assert "has no tree with a complete set of usable photos" in shown
    app = block_page()
    assert not app.exception
    assert "has no tree with a complete set of usable photos" in text(app)


def test_a_range_is_drawn_between_its_ends_with_its_target() -> None:
    picture = range_picture(Estimate(20, 30, 40), between=(0, 200), mark=50, label="<30>")
    assert 'aria-label="&lt;30&gt;"' in picture
    # 20 of 200 is 10 %, 40 is 20 %: a bar of 10 %; the target is at 25 %.
    assert '<i class="bar" style="left:10.0%;width:10.0%">' in picture
    assert '<i class="mark" style="left:25.0%">' in picture
    arrows = [
        range_picture(found, between=(0, 100), label="").count(f'class="{end}"')
        for found in (Estimate(-5, 30, 40), Estimate(5, 30, 40), Estimate(5, 30, 140))
        for end in ("first", "last")
    ]
    assert arrows == [1, 0, 0, 0, 0, 1]


def test_an_empty_farm_offers_a_start(folder: Path) -> None:
    app = page("blocks")
    assert not app.exception
    assert any("Larkhill" in button.label for button in app.button)
    # Own blocks can be put in from here too.
    links = [one.proto.page for one in app.get("page_link")]
    assert [name for name in ("setup", "papers") if any(name in one for one in links)] == [
        "setup",
        "papers",
    ]


# ---------------------------------------------------------------- words


def size_of(low: float, middle: float, high: float, standing: Standing) -> SizeAgainstTarget:
    return SizeAgainstTarget(
        measured_on=WALK,
        pick_day=records.PICK,
        mean_mm=Estimate(65, 66, 67),
        needed_mm=67.94,
        target_mm=76.0,
        expected_mm=74.0,
        behind_days=Estimate(low, middle, high),
        standing=standing,
    )


def test_days_are_said_with_their_side() -> None:
    behind = size_of(2, 6, 11, Standing.BELOW)
    assert words.size_standing(behind) == "▼ 6 days behind"
    assert words.days_range(behind) == "2 to 11 days behind"
    assert words.size_needs(behind, MM) == "66.0 mm, needs 67.9 mm"
    ahead = size_of(-11.4, -1.2, -0.6, Standing.ABOVE)
    assert words.size_standing(ahead) == "▲ 1 day ahead"
    assert words.days_range(ahead) == "1 to 11 days ahead"
    assert words.size_standing(size_of(-3, 1, 4, Standing.ON_TARGET)) == "● on time"
    wide = size_of(-9, 6, 20, Standing.CANT_TELL)
    assert words.size_standing(wide) == "? can't tell yet"
    assert words.days_range(wide) == "9 days ahead to 20 behind"
    assert "not known well enough" in words.days_range(replace(wide, behind_days=None))


def test_every_reason_has_its_words() -> None:
    for why in Why:
        said = words.reason(Reason(why=why, allows=Grade.CARE, number=3, names=("Hill", "Mill")))
        assert said
        assert "{" not in said
    pooled = Reason(why=Why.POOLED_FACTOR, allows=Grade.CARE, number=1, names=("Hill",))
    assert words.reason(pooled) == "hidden fruit told by counts of Hill too"
    many = replace(pooled, number=3, names=("Hill", "Mill", "Rill"))
    assert words.reason(many) == "hidden fruit told by counts of 3 other blocks too"


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("Mill", "Mill"),
        ("Mill row 3", "Mill, row 3"),
        ("Mill, rest of the block", "Mill, rest of the block"),
        ("Mill, top third", "Mill, top third of the trees"),
        ("Mill, low_ground", "Mill, low\\_ground"),
    ],
)
def test_what_stands_out_is_said_with_its_place(where: str, said: str) -> None:
    found = Attention(
        block_id="Mill",
        where=where,
        what="load",
        effect=Estimate(-0.4, -0.25, -0.1),
        noise_chance=0.004,
    )
    assert words.attention(found) == (
        f"**{said}**: load 25% below its like (−40% to −10%; chance of noise under 1%)."
    )


# ---------------------------------------------------------------- one block


def test_a_block_shows_fruit_per_tree_and_the_factor(filled: Path) -> None:
    # Each photographed tree shows 2 (6 + n) fruit; hand counts are 3 (6 + n): the factor is 1.5,
    # and (6 + n) is 11.5 in the mean of n = 1 … 10: 1.5 · 2 · 11.5 = 34.5 fruit per tree.
    shown = text(block_page())
    assert ">1.50<" in shown
    assert ">34<" in shown or ">35<" in shown
    assert Doubt.NO_CALIPERS.words in shown


def test_a_block_follows_what_another_program_writes(filled: Path) -> None:
    app = block_page()
    assert ">1.50<" in text(app)
    with open_farm(filled) as store:
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
    app.run()
    assert ">2.00<" in text(app)


def test_a_block_lists_trees_with_their_hand_counts(filled: Path) -> None:
    trees = next(item.value for item in block_page().table if "A + B" in item.value)
    # Each side alone: fruit seen from both are in the sum twice.
    assert trees["A + B"].tolist() == [f"{6 + n} + {6 + n}" for n in range(1, TREES + 1)]
    assert trees["Hand count"].tolist()[4:6] == ["33", "–"]


def test_panels_are_called_so_with_their_trees(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_tree_photos(replace(photo, trees=4) for photo in store.tree_photos())
    app = block_page()
    assert not app.exception
    trees = next(item.value for item in app.table if "A + B" in item.value)
    assert trees["Tree"].tolist()[:2] == ["1, panel of 4", "2, panel of 4"]
    assert trees["Hand count"].tolist() == ["–"] * TREES
    assert "Hand counts belong to another way of taking photos" in text(app)


def test_a_walk_under_way_is_printed_and_no_other_drawn(filled: Path) -> None:
    with open_farm(filled) as store:
        walk = start_walk(
            store,
            BLOCK_ID,
            WalkSize(trees=7, hand_counts=2),
            on=session.today(),
            who="Ana",
            row_lengths=(500, 500),
        )
    app = block_page()
    assert f"this is its list, {len(walk.plan.places)} stops" in text(app)
    assert "Trees to walk to" not in [item.label for item in app.number_input]
    listed = next(item.value for item in app.table if "Stop" in item.value)
    assert listed["Tree"].tolist() == [str(place.tree.position) for place in walk.plan.places]


def test_the_next_walk_is_planned_from_the_page_of_a_block(filled: Path) -> None:
    app = block_page()
    assert not app.download_button
    rows = next(item for item in app.text_input if item.label == "Positions of each row")
    rows.set_value("500, 500").run()
    assert not app.exception
    assert [item.label for item in app.download_button] == ["Walk list, A4", "Walk list, Letter"]
    stops = next(item.value for item in app.table if "Stop" in item.value)
    assert len(stops) == 12
    assert sum("count by hand" in note for note in stops["Note"]) == 5


def test_load_and_size_stand_against_the_targets_of_the_block(filled: Path) -> None:
    assert "No target is set for this block." in text(block_page())
    with open_farm(filled) as store:
        store.save_blocks(
            [replace(records.block(), target_fruit_per_tree=25.0, target_diameter_mm=74.0)]
        )
    app = block_page()
    assert not app.exception
    shown = text(app)
    assert re.search(r"target 25: ▲ \d+ too many\.", shown)
    assert re.search(r"To reach 74\.0 mm on 3 Sep 2026 it needs \d\d\.\d mm: ", shown)


def test_the_units_of_a_visitor_reach_targets_and_charts(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_blocks([replace(records.block(), target_diameter_mm=74.0)])
    app = block_page()
    app.query_params["units"] = "us"
    app = app.run()
    radio(app, "Units").set_value("us").run()
    assert "To reach 2.91 in on" in text(app)
    assert not re.search(r"\d mm\b", text(app))


def test_the_trust_of_a_block_comes_with_all_reasons(farm: Path) -> None:
    shown = text(block_page("Un<i>counted"))
    assert "●○○ **First look only**" in shown
    assert "- no hand counts: hidden fruit not in" in shown
    assert "- no calipers: millimetres unchecked" in shown
    assert "Count every fruit on 5 of the photographed trees by hand." in shown


@pytest.mark.usefixtures("farm")
@pytest.mark.parametrize("language", ["es", "fr"])
def test_every_block_is_read_in_every_language(language: str) -> None:
    for name in ("Good", "Heavy", "Bare", "Un<i>counted"):
        app = AppTest.from_file(str(MAIN), default_timeout=30)
        app.query_params["lang"] = language
        app.query_params[data.BLOCK_IN_ADDRESS] = name
        assert not app.run().exception
        assert app.title[0].value == name.replace("<", "\\<").replace(">", "\\>")


@pytest.mark.parametrize("name", ["Heavy", "Bare", "Uncounted"])
def test_a_block_shows_no_untranslated_text(
    farm: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    with open_farm(farm) as store:
        walked_farm.add_register(store, "Heavy", kinds={TreeId("Heavy", 3, 4): TreeKind.MISSING})
    pseudo.speak(monkeypatch, tmp_path / "texts")
    app = AppTest.from_file(str(MAIN), default_timeout=60)
    app.query_params[data.BLOCK_IN_ADDRESS] = name.replace("Un", "Un<i>")
    app.query_params["lang"] = pseudo.CODE
    app = app.run()
    assert not app.exception
    # Names of the farm, also as they are where they are no markup.
    own = {
        "Heavy",
        "Bare",
        "Good",
        "Un<i>counted",
        "Un\\<i\\>counted",
        "Un counted",
        "Un\\ counted",
    }
    own |= {"Fuji", "Braeburn", "English", "Español", "Français", "mm³", str(farm)}
    found = {text: pseudo.bare(text, own) for _, text in pseudo.shown_texts(app)}
    assert {text: words for text, words in found.items() if words} == {}


# ---------------------------------------------------------------- charts


def register(kinds: dict[int, TreeKind], stratum: Sequence[int] = ()) -> list[RegisteredTree]:
    return [
        RegisteredTree(
            tree=TreeId(BLOCK_ID, 1, place),
            kind=kinds.get(place, TreeKind.BEARING),
            stratum="low" if place in stratum else "",
        )
        for place in range(1, 31)
    ]


@pytest.fixture
def plan() -> FieldMap:
    """A gap, a pollinizer, a part of low ground, three trees, a find."""
    places = register({4: TreeKind.MISSING, 9: TreeKind.POLLINIZER}, stratum=range(20, 31))
    trees = [
        records.tree(2, 40, diameters_mm=[60.0, 70.0]),
        records.tree(12, 60),
        records.tree(25, 80, diameters_mm=[62.0]),
    ]
    finds = [VisitedPlace(tree=TreeId(BLOCK_ID, 1, 7), visited_on=WALK, found=TreeKind.MISSING)]
    return field_map(places, trees, [records.hand_count(2, 60)], finds)


def rows_of(chart: dict, mark: str) -> list[dict]:
    return [
        row
        for layer in chart["layer"]
        if layer["mark"]["type"] == mark
        for row in chart["datasets"][layer["data"]["name"]]
    ]


def test_the_plan_draws_runs_marks_and_photographed_trees(plan: FieldMap) -> None:
    chart = block_map(plan, Shown.LOAD, MM).to_dict()
    runs = rows_of(chart, "rect")
    # 1–3, gap 4, 5–8, pollinizer 9, 10–19, low ground 20–30; a place is 1 wide.
    assert [(run["from"], run["to"]) for run in runs] == [
        (0.5, 3.5), (3.5, 4.5), (4.5, 8.5), (8.5, 9.5), (9.5, 19.5), (19.5, 30.5),
    ]  # fmt: skip
    assert len({run["tone"] for run in runs}) == 3
    points = rows_of(chart, "point")
    assert {point["mark"] for point in points} == {
        "gap", "pollinizer", "found otherwise", "photographed", "counted by hand",
    }  # fmt: skip
    assert [point["value"] for point in points if "value" in point] == [40.0, 60.0, 80.0]
    assert [point["hand"] for point in points if "hand" in point] == ["60", "–", "–"]
    # Every axis has its title.
    titles = {
        channel["title"]
        for layer in chart["layer"]
        for name, channel in layer["encoding"].items()
        if name in ("x", "y")
    }
    assert titles == {"Row", "Place in the row"}


def test_a_tree_without_sizes_is_drawn_empty_on_the_plan_of_sizes(plan: FieldMap) -> None:
    chart = block_map(plan, Shown.SIZE, US.diameter).to_dict()
    points = [row for row in rows_of(chart, "point") if "value" in row]
    by_place = {point["tree"]: point["value"] for point in points}
    assert by_place["2"] == pytest.approx(65 / 25.4)
    assert by_place["12"] is None
    assert sum(layer["mark"].get("filled") is False for layer in chart["layer"]) == 1


def test_the_legend_names_what_the_plan_has_and_nothing_else(plan: FieldMap) -> None:
    shown = cell_texts(legend(plan, Shown.LOAD, MM))
    assert "Ground: rest of the block low gap" in shown
    assert "■ counted by hand" in shown
    assert "replant" not in shown
    assert "Fruit seen per tree: 40 60 80" in shown
    assert "Mean diameter, in: 2.44 2.50 2.56" in cell_texts(legend(plan, Shown.SIZE, US.diameter))
    assert "no doubt doubted" in cell_texts(legend(plan, Shown.DOUBT, MM))
    bare = field_map([], [records.tree(2, 40)])
    assert "Ground" not in legend(bare, Shown.LOAD, MM)


def test_a_block_without_a_register_says_that_rows_are_known_from_photos(filled: Path) -> None:
    assert "rows are known from photos only" in text(block_page())
    with open_farm(filled) as store:
        trees = (TreeId(BLOCK_ID, 1, n) for n in range(1, 1001))
        store.save_register([RegisteredTree(tree=tree) for tree in trees])
    assert "trees have no coordinates" in text(block_page())


def test_a_plan_of_3000_trees_is_small(folder: Path) -> None:
    with open_farm(folder) as store:
        large_block(store)
        register_of = store.register(BLOCK_ID)
    chart = block_map(field_map(register_of), Shown.LOAD, MM).to_json()
    assert len(register_of) == 3000
    assert len(chart) < 150_000


def large_block(store: FarmStore) -> None:
    """60 rows of 50 places, every 40th a gap."""
    store.save_blocks([records.block(trees=3000)])
    kinds = {True: TreeKind.MISSING, False: TreeKind.BEARING}
    store.save_register(
        RegisteredTree(
            tree=TreeId(BLOCK_ID, 1 + number // 50, 1 + number % 50), kind=kinds[number % 40 == 0]
        )
        for number in range(3000)
    )


def test_the_curve_is_drawn_from_the_walk_to_the_target(folder: Path) -> None:
    with open_farm(folder) as store:
        block = walked_farm.add_block(store, "Mill")
        walked_farm.add_walk(store, "Mill")
        store.save_blocks([replace(block, target_diameter_mm=76.0)])
        (found,) = standings(store, walked_farm.SETTINGS)
    assert found.size is not None
    assert found.walks is not None
    assert found.walks.estimate.sizes is not None
    curve = size_curve(found.size, found.walks.estimate.sizes, found.walks.growth)
    chart = curve_chart(found.size, curve, MM).to_dict()
    lines = rows_of(chart, "line")
    assert lines[-2]["mm"] == pytest.approx(76.0)
    assert {line["line"] for line in lines} == {
        "needed for the target", "expected at its growth",
    }  # fmt: skip
    (rule,) = rows_of(chart, "rule")
    assert rule["low"] < rule["mm"] < rule["high"]
    assert chart["layer"][0]["encoding"]["y"]["title"] == "Mean diameter, mm"


def test_one_far_block_does_not_flatten_the_axis_of_the_others(folder: Path) -> None:
    with open_farm(folder) as store:
        for name in ("Hill", "Mill", "North", "Slope"):
            walked_farm.add_good_block(store, name)
        walked_farm.add_block(store, "Wild")
        # Hidden fruit as in the like blocks: 300 fruit a tree beside 60.
        walked_farm.add_walk(store, "Wild", loads=lambda index: 200)
    shown = text(page("blocks"))
    found = re.search(r"Beyond (\d+) fruit per tree the bar ends at the edge .*: (.*)\.", shown)
    assert found is not None
    assert found[2] == "Wild"
    assert float(found[1]) < 120


def test_three_blocks_share_an_axis_whatever_they_bear(folder: Path) -> None:
    with open_farm(folder) as store:
        walked_farm.add_good_block(store, "Hill")
        walked_farm.add_block(store, "Wild")
        # Hidden fruit as in the like blocks: 300 fruit a tree beside 60.
        walked_farm.add_walk(store, "Wild", loads=lambda index: 200)
    assert "the bar ends at the edge" not in text(page("blocks"))


def test_the_days_of_the_passes_are_shown_and_no_day_between_them(filled: Path) -> None:
    first, last = (Pick(pick_date=date(2026, 12, day), share=0.5) for day in (19, 26))
    with open_farm(filled) as store:
        store.save_pick_plan(BLOCK_ID, PickPlan(picks=(first, last)))
        (block,) = store.blocks()
        store.save_blocks([replace(block, target_diameter_mm=76.0)])
    list_told, told = cell_texts(tables(page("blocks"))), text(block_page())
    assert "pick 19–26 Dec 2026" in list_told
    assert "23 Dec" not in list_told
    assert "Pick 19–26 Dec 2026." in told
    assert "on 23 Dec 2026, the middle of its passes, it needs" in told
    assert f"{BLOCK_ID} 19–26 Dec 2026" in text(page("forecast"))


def test_a_span_of_days_names_what_both_have_in_common_once() -> None:
    one = date(2026, 12, 19)
    assert day_span([]) == "not set"
    assert day_span([one]) == "19 Dec 2026"
    assert day_span([date(2026, 12, 26), one]) == "19–26 Dec 2026"
    assert day_span([date(2026, 11, 28), one]) == "28 Nov – 19 Dec 2026"
    assert day_span([one, date(2027, 1, 3)]) == "19 Dec 2026 – 3 Jan 2027"


def test_after_the_last_pick_nobody_is_sent_to_measure_for_it(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = {}
    for day in (records.PICK, records.PICK + timedelta(days=1)):
        monkeypatch.setenv(DAY_VARIABLE, day.isoformat())
        told[day] = cell_texts(tables(page("blocks")))
    assert "The pick date is past" not in told[records.PICK]
    after = told[records.PICK + timedelta(days=1)]
    assert "The pick date is past" in after
    assert "Pick date past (1)" in after
    assert "A new date under Set-up, or the bin tickets" in after
    assert "→" not in after.partition("The pick date is past")[2]
