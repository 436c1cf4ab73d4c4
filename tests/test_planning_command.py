"""`fruitvision thinning` and `fruitvision worth` on a farm of known trees."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import RegisteredTree, ThingKind, TreeId
from fruitvision.pipeline.standing import standings
from fruitvision.pipeline.thinning import ranked_by_worth, thinning_of_farm
from fruitvision.pipeline.worth import worth_if_known
from fruitvision.report import THINNING_CAUTION, thinning_lines
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from fruitvision.thinning import Verdict
from tests.records import WALK
from tests.test_bad_input import run
from tests.walked_farm import add_block, add_good_block

ON = WALK.isoformat()


@pytest.fixture(autouse=True)
def _before_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands run on a day on which all still hangs."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-08-20")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Hill bears some 60 fruit a tree and is to bear 40; nobody walked Mill."""
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        hill = store.blocks()[0]
        store.save_blocks(
            [
                replace(
                    hill,
                    target_fruit_per_tree=40.0,
                    trunk_area_cm2=8.0,
                    full_bloom_on=date(2026, 7, 8),
                    area_ha=0.5,
                )
            ]
        )
        add_block(store, "Mill")
    return tmp_path / "farm"


def test_the_check_is_printed_with_its_cautions_and_what_was_not_walked(folder: Path) -> None:
    status, text = run("thinning", "--farm", str(folder), "--on", ON)
    assert status == 1
    assert "take off about" in text
    assert "35 days after full bloom: in time for size" in text
    assert "about 30 hours (15–44), roughly" in text
    assert "fruit heavier by" in text
    assert "Mill: not walked yet" in text
    assert "First to last, by surplus fruit:" in text
    assert THINNING_CAUTION in " ".join(text.split())


def test_late_the_command_says_what_the_page_says(folder: Path) -> None:
    with open_farm(folder) as store:
        hill = store.blocks()[0]
        store.save_blocks([replace(hill, full_bloom_on=date(2026, 5, 1))])
    # 104 days after bloom.
    status, text = run("thinning", "Hill", "--farm", str(folder), "--on", ON)
    assert status == 0
    words = " ".join(text.split())
    # The very words of app/texts/en/planning.toml.
    assert "oo late to thin for size. The crop is about" in words
    assert "fruit per tree above its target. Still useful for pack-out: small and marked" in words
    assert "take off about" not in words
    assert "fruit too many" not in words


def test_one_block_alone_is_asked_for_and_an_unknown_one_refused(folder: Path) -> None:
    status, text = run("thinning", "Hill", "--farm", str(folder), "--on", ON)
    assert status == 0
    assert "Mill" not in text
    status, text = run("thinning", "Hil", "--farm", str(folder))
    assert status == 2
    assert "There is no block 'Hil'" in text
    status, text = run("thinning", "--farm", str(folder), "--on", "12.06.2026")
    assert status == 2


def test_buds_to_leave_at_pruning_are_told_for_the_target(folder: Path) -> None:
    # 40 ÷ 0.8 = 50.
    more = ("Hill", "--farm", str(folder), "--on", ON, "--fruitful-share")
    status, text = run("thinning", *more, "0.8")
    assert status == 0
    assert "50 a tree, of which 80% bear, for 40 fruit" in text
    status, text = run("thinning", *more, "80")
    assert status == 2
    assert "Give a share above 0, up to 1." in text


@pytest.mark.parametrize(
    ("target", "verdict", "words"),
    [
        (90.0, Verdict.NOTHING, "nothing to take off"),
        (None, Verdict.TAKE_OFF, "by the trunk guide"),
    ],
)
def test_every_verdict_has_its_words(
    folder: Path, target: float | None, verdict: Verdict, words: str
) -> None:
    with open_farm(folder) as store:
        hill = next(one for one in store.blocks() if one.block_id == "Hill")
        store.save_blocks([replace(hill, target_fruit_per_tree=target)])
        stands = standings(store, Settings())
        (found,) = thinning_of_farm(stands, Settings(), on=WALK, plans={})
    assert found.verdict is verdict
    assert words in "\n".join(thinning_lines(found))


def test_prices_are_kept_and_told_by_block_with_what_pays_to_measure(folder: Path) -> None:
    prices = folder / "mine.csv"
    prices.write_text("variety,per_carton\nGala,20\nGalla,3\n", encoding="utf-8")
    status, text = run("worth", "--farm", str(folder), "--prices", str(prices))
    assert status == 2
    assert "holds no forecast yet" in text
    run("forecast", "--farm", str(folder), "--sizes", "classes_5mm")
    status, text = run("worth", "--farm", str(folder))
    assert status == 0
    assert "Hill (Gala): " in text
    assert "an hour: photograph 10 more trees" in text
    assert "made of: Hill 100%" in text
    assert "No prices are loaded" not in text
    status, text = run("worth", "--farm", str(folder), "--prices", str(prices), "--by", "Ines")
    assert status == 1
    assert "No block is of variety 'Galla'" in text
    with open_farm(folder) as store:
        assert store.changes(kind=ThingKind.TABLE, about="prices", most=1)[0].who == "Ines"


def test_blocks_to_thin_are_ranked_by_worth_only_where_prices_tell_it(folder: Path) -> None:
    run("forecast", "--farm", str(folder), "--sizes", "classes_5mm")
    with open_farm(folder) as store:
        checks = thinning_of_farm(standings(store, Settings()), Settings(), on=WALK, plans={})
        by_cartons = ranked_by_worth(checks, worth_if_known(store, Settings()))
        assert [one.worth for one in by_cartons] == [None]
    (folder / "prices.csv").write_text("per_carton\n20\n", encoding="utf-8")
    run("worth", "--farm", str(folder), "--prices", str(folder / "prices.csv"))
    with open_farm(folder) as store:
        worth = worth_if_known(store, Settings())
    assert worth is not None
    (first,) = ranked_by_worth(checks, worth)
    assert first.worth == pytest.approx(first.fruit * worth.blocks[0].per_fruit)


def test_a_table_of_prices_that_nothing_of_can_be_used_leaves_the_farm_s_and_says_so(
    folder: Path,
) -> None:
    def load(text: str) -> tuple[int, str]:
        path = folder / "prices.csv"
        path.write_text(text, encoding="utf-8")
        status, words = run("worth", "--farm", str(folder), "--prices", str(path))
        return status, " ".join(words.split())

    run("forecast", "--farm", str(folder), "--sizes", "classes_5mm")
    status, words = load("size_class,per_carton\n999,20\n")
    assert status == 1
    assert "No size table has a class '999'." in words
    assert "no price of it can be used, and the farm has no others" in words
    assert "No prices are loaded" in words
    status, words = load("size_class,per_carton\n75-80,20\n,18\n")
    assert (status, "prices.csv: 2 prices." in words) == (0, True)
    for bad in ("size_class,per_carton\n999,20\n,-3\n", "size_class,per_carton\n"):
        status, words = load(bad)
        assert status == 1
        assert "Those that the farm has stay and are used: 2 prices, loaded on 2" in words
        with open_farm(folder) as store:
            assert sorted(one.per_carton for one in store.prices()) == [18.0, 20.0]
    status, words = load("per_carton\n15\n")
    assert "prices.csv: 1 price, in place of the 2 before." in words


def test_a_day_before_the_walk_is_told_as_that_day_and_one_before_bloom_refused(
    folder: Path,
) -> None:
    status, text = run("thinning", "Hill", "--farm", str(folder), "--on", "2026-07-20")
    assert status == 0
    assert "12 days after full bloom: in time for size" in text
    assert f"Hill: the load is of the walk on {WALK}, after 2026-07-20" in " ".join(text.split())
    status, text = run("thinning", "Hill", "--farm", str(folder), "--on", "2026-07-01")
    assert status == 2
    assert "Hill was in full bloom on 2026-07-08" in " ".join(text.split())


def test_tables_are_loaded_without_a_walk_into_a_farm_that_knows_the_blocks(
    folder: Path, tmp_path: Path
) -> None:
    tables = tmp_path / "tables"
    tables.mkdir()
    status, text = run("load", str(tables), "--farm", str(folder))
    assert status == 2
    assert "has no blocks.csv" in text
    (tables / "register.csv").write_text("block,row,position\nHill,1,1\nHil,1,2\n")
    (tables / "prices.csv").write_text("per_carton\n20\n")
    status, text = run("load", str(tables), "--farm", str(folder))
    assert status == 1
    assert "1 price of cartons without a walk." in text
    assert "Did you mean 'Hill'" in text
    with open_farm(folder) as store:
        assert [one.per_carton for one in store.prices()] == [20.0]
        assert len(store.hand_counts()) > 0
    status, text = run("load", str(tables), "--farm", str(tmp_path / "nowhere"))
    assert status == 2
    assert not (tmp_path / "nowhere").exists()
    # A part of a walk is still asked to be whole.
    (tables / "walk.csv").write_text("photo,block,row,position,face\n")
    status, text = run("load", str(tables), "--farm", str(folder))
    assert status == 2
    assert "has no blocks.csv" in text


def test_a_walk_list_says_whose_rows_it_was_drawn_from(folder: Path, tmp_path: Path) -> None:
    asked = ("--farm", str(folder), "--trees", "4", "--out", str(tmp_path / "walk.pdf"))
    status, text = run("plan", "Mill", *asked, "--rows", "50,50")
    assert status == 0
    assert "4 stops on 1 page, seed" in text
    assert "--rows was not used" not in text
    with open_farm(folder, create=False) as store:
        places = [RegisteredTree(tree=TreeId("Mill", 1, n)) for n in range(1, 10)]
        store.save_register(places)
    status, text = run("plan", "Mill", *asked, "--rows", "50,50")
    assert status == 0
    assert "Mill has a register, which tells its rows: --rows was not used." in text
    assert "--rows was not used" not in run("plan", "Mill", *asked)[1]
