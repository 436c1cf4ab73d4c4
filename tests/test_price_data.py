"""Prices of cartons: the table, and the store that keeps it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from fruitvision.domain import Block, CartonPrice, ThingKind
from fruitvision.pipeline.office import load_office
from fruitvision.price_data import read_prices, words_of
from fruitvision.store import open_farm


def table(tmp_path: Path, content: str) -> Path:
    path = tmp_path / "prices.csv"
    path.write_text(content, encoding="utf-8")
    return path


def test_prices_are_read_and_what_is_left_empty_stands_for_all(tmp_path: Path) -> None:
    found = read_prices(
        table(
            tmp_path,
            'variety;size_class;grade;per_carton\nGala;113;premium;"24,50"\nGala;;;18\n;;;0\n',
        )
    )
    assert found.rows == (
        CartonPrice(variety="Gala", size_class="113", grade="premium", per_carton=24.5),
        CartonPrice(variety="Gala", per_carton=18.0),
        CartonPrice(per_carton=0.0),
    )
    assert [words_of(one) for one in found.rows] == ["Gala 113 premium", "Gala", "every carton"]


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("Gala,113,-3", "per_carton is -3"),
        ("Gala,113,", "per_carton is empty"),
        ("Gala,113,dear", "per_carton is 'dear'"),
        ("Gala,100,12", "The price of Gala 100 stands on lines 2 and 4"),
    ],
)
def test_a_price_that_can_not_be_meant_is_refused(tmp_path: Path, cells: str, words: str) -> None:
    content = f"variety,size_class,per_carton\n{cells}\nFuji,100,20\ngala,100,14\n"
    found = read_prices(table(tmp_path, content))
    assert words in found.refused[0].what
    assert found.refused[0].line == 2
    assert CartonPrice(variety="Fuji", size_class="100", per_carton=20.0) in found.rows


def test_new_prices_stand_in_place_of_all_those_before(tmp_path: Path) -> None:
    old = [CartonPrice(variety="Gala", per_carton=18.0), CartonPrice(per_carton=9.5)]
    with open_farm(tmp_path / "farm") as store:
        assert store.prices() == ()
        store.save_prices(old)
        assert set(store.prices()) == set(old)
        store.save_prices(old[:1])
        assert store.prices() == (old[0],)
    with open_farm(tmp_path / "farm") as again:
        assert again.prices() == (old[0],)


def test_prices_in_a_folder_come_in_with_who_loaded_them_and_unknown_varieties_stay_out(
    tmp_path: Path,
) -> None:
    block = Block(block_id="Hill", variety="Gala", positions=90)
    table(tmp_path, "variety,per_carton\nGala,18\nGalla,20\n,9\n")
    with open_farm(tmp_path / "farm") as store:
        store.save_blocks([block])
        rows, refused = load_office(tmp_path, store, [block])
        assert rows.prices == 2
        assert rows.words == "2 prices of cartons"
        assert replace(rows, prices=1, picks=1).words == "1 pick plan, 1 price of cartons"
        assert {one.variety for one in store.prices()} == {"Gala", ""}
        assert "No block is of variety 'Galla'" in refused[0].what
        (change,) = store.changes(kind=ThingKind.TABLE)
        assert (change.about, change.after) == ("prices", {"rows": 2})


def test_a_table_without_one_good_price_leaves_those_before(tmp_path: Path) -> None:
    table(tmp_path, "variety,per_carton\nGalla,20\n")
    with open_farm(tmp_path / "farm") as store:
        store.save_prices([CartonPrice(per_carton=9.5)])
        rows, _ = load_office(tmp_path, store, [])
        assert rows.prices == 0
        assert store.prices() == (CartonPrice(per_carton=9.5),)
