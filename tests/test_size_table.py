"""Size tables: what ships, what is refused, and the published masses behind the counts."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest

from fruitvision.domain import ThingKind
from fruitvision.errors import SizeTableError, StoreError
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.size_tables import add_size_table, farm_size_table
from fruitvision.size_table import (
    at_net_weight,
    load_size_table,
    read_size_table,
    shipped_size_tables,
    table_of_counts,
)
from fruitvision.store import open_farm


def table_file(folder: Path, rows: str, header: str = "class,from_mm,to_mm,carton_kg") -> Path:
    path = folder / "line.csv"
    path.write_text(f"{header}\n{rows}\n", encoding="utf-8")
    return path


def test_three_tables_ship_and_load_by_name_or_file() -> None:
    shipped = shipped_size_tables()
    assert sorted(shipped) == ["box_counts_42lb", "carton_counts_18kg", "classes_5mm"]
    for name, path in shipped.items():
        assert load_size_table(name) == load_size_table(path) == load_size_table(str(path))


# Fruit per 19.05 kg (42 lb) box: HortScience 54(11):1947-1954, 2019. Mass = box / count.
@pytest.mark.parametrize(
    ("count", "mass_g"), [(88, 216.5), (100, 190.5), (113, 168.6), (125, 152.4), (138, 138.0)]
)
def test_a_fruit_of_the_published_mass_falls_in_its_count(count: int, mass_g: float) -> None:
    table = load_size_table("box_counts_42lb")
    (size_class,) = [c for c in table.classes if c.low <= mass_g < c.high]
    assert size_class.name == str(count)
    assert size_class.fruit_per_carton == count
    assert table.carton_kg * 1000 / count == pytest.approx(mass_g, abs=0.05)


def test_limits_between_counts_lie_midway_and_the_outer_ones_half_a_step_out() -> None:
    table = load_size_table("box_counts_42lb")
    assert table.unit == "g"
    assert " ".join(c.name for c in table.classes) == (
        "216 198 175 163 150 138 125 113 100 88 80 72 64 56"
    )
    # (190.5 + 19050/88) / 2 = 203.5 and (190.5 + 19050/113) / 2 = 179.5
    hundred = next(c for c in table.classes if c.name == "100")
    assert (hundred.low, hundred.high) == (179.5, 203.5)
    # 19050/216 = 88.19, 19050/198 = 96.21: 88.19 - 4.01; 19050/56 = 340.18, /64 = 297.66: + 21.26
    assert (table.classes[0].low, table.classes[-1].high) == (84.2, 361.4)


def test_the_count_tables_that_ship_are_those_of_their_net_weight() -> None:
    for name, carton_kg in (("box_counts_42lb", 19.05), ("carton_counts_18kg", 18.0)):
        shipped = load_size_table(name)
        counts = [int(size_class.name) for size_class in shipped.classes]
        assert table_of_counts(counts, carton_kg=carton_kg, name=name) == shipped


def test_a_lighter_carton_makes_count_100_lighter() -> None:
    # 19.05 kg / 100 = 190.5 g; 18 kg / 100 = 180 g. Midpoints of 113, 100 and 88 at 18 kg:
    # (159.29 + 180)/2 = 169.6 and (180 + 204.55)/2 = 192.3.
    heavy = load_size_table("box_counts_42lb")
    light = at_net_weight(heavy, 18.0)
    (of_100,) = [c for c in light.classes if c.name == "100"]
    assert (of_100.low, of_100.high) == pytest.approx((169.6, 192.3), abs=0.06)
    assert of_100.low < 180 < of_100.high
    assert of_100.fruit_per_carton == 100
    for one, shipped in zip(
        light.classes, load_size_table("carton_counts_18kg").classes, strict=True
    ):
        assert (one.low, one.high) == pytest.approx((shipped.low, shipped.high), abs=0.11)


def test_another_net_weight_moves_neither_millimetres_nor_bags(tmp_path: Path) -> None:
    by_mm = load_size_table("classes_5mm")
    assert at_net_weight(by_mm, 12.5).classes == by_mm.classes
    assert at_net_weight(by_mm, 12.5).carton_kg == 12.5
    header = "class,from_g,to_g,carton_kg,fruit_per_carton"
    mixed = read_size_table(table_file(tmp_path, "bag,90,150,18,\n100,150,190,18,100", header))
    with pytest.raises(SizeTableError, match="counts and bags"):
        at_net_weight(mixed, 12.5)
    with pytest.raises(SizeTableError, match="carton_kg is -1"):
        at_net_weight(by_mm, -1)


@pytest.mark.parametrize("counts", [(), (100,), (100, 100), (100, 0)])
def test_counts_that_make_no_table_are_refused(counts: tuple[int, ...]) -> None:
    with pytest.raises(SizeTableError, match="make no size table"):
        table_of_counts(counts, carton_kg=18.0, name="x")


def test_the_5_mm_table_runs_from_50_to_100_mm_in_18_kg_cartons() -> None:
    table = load_size_table("classes_5mm")
    assert (table.unit, table.carton_kg, len(table.classes)) == ("mm", 18.0, 10)
    assert (table.classes[0].low, table.classes[-1].high) == (50.0, 100.0)
    assert all(lower.high == upper.low for lower, upper in pairwise(table.classes))
    assert table.classes[4].name == "70-75"
    assert table.classes[4].fruit_per_carton is None


def test_an_edited_table_is_read_in_any_order_and_with_decimal_commas(tmp_path: Path) -> None:
    path = tmp_path / "our line.csv"
    path.write_text("class;from_mm;to_mm;carton_kg\nbig;72,5;80;12,5\nsmall;65;72,5;12,5\n")
    table = read_size_table(path)
    assert table.name == "our line"
    assert table.carton_kg == 12.5
    assert [(c.name, c.low, c.high) for c in table.classes] == [
        ("small", 65.0, 72.5),
        ("big", 72.5, 80.0),
    ]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("65-70,65,70,18\n71-75,71,75,18", "gap: 65–70 mm and 71–75 mm leave out 70 to 71 mm"),
        ("70-80,70,80,18\n75-85,75,85,18", "overlap: 70–80 mm and 75–85 mm both hold 75 to 80 mm"),
        (
            "a,60,90,18\nb,70,80,18",
            "overlap: 60–90 mm (class a) and 70–80 mm (class b) both hold 70",
        ),
        ("a,60,70,18\nb,60,70,18", "overlap: 60–70 mm (class a)"),
        ("a,70,70,18", "line 2: class a runs from 70 to 70 mm"),
        ("a,80,70,18", "line 2: class a runs from 80 to 70 mm"),
        ("a,-5,70,18", "line 2: from_mm is -5"),
        ("a,sixty,70,18", "line 2: from_mm is 'sixty'"),
        ("a,60,,18", "line 2: to_mm is empty"),
        (",60,70,18", "line 2: class is empty"),
        ("a,60,70,0", "line 2: carton_kg is 0"),
        ("a,60,70,-18", "line 2: carton_kg is -18"),
        ('a,60,70,"18,000"', "line 2: carton_kg is 18000"),
        ("a,60,70,18\na,70,80,18", "class 'a' twice"),
        ("a,60,70,18\nb,70,80,12", "different cartons: 12, 18 kg"),
        ("a,62,5,70,18", "line 2: The row has more cells"),
        ("", "has no classes"),
    ],
)
def test_scenario_39_a_table_that_makes_no_sense_is_refused_with_the_rows(
    tmp_path: Path, rows: str, words: str
) -> None:
    with pytest.raises(SizeTableError, match=re.escape(words)) as refusal:
        read_size_table(table_file(tmp_path, rows))
    assert refusal.value.fix


@pytest.mark.parametrize(
    ("header", "rows", "words"),
    [
        (
            "class,from_g,to_g,from_mm,to_mm,carton_kg",
            "a,,,60,70,18\nb,150,170,,,18",
            "mixes limits",
        ),
        ("class,from_g,to_mm,carton_kg", "a,60,70,18", "mixes limits"),
        ("class,carton_kg", "a,18", "has no limits"),
        ("class,from_mm,carton_kg", "a,60,18", "has no limits"),
        ("class,from_mm,to_mm", "a,60,70", "no column 'carton_kg'"),
        (
            "class,from_g,to_g,carton_kg,fruit_per_carton",
            "a,60,70,18,0",
            "line 2: fruit_per_carton is 0",
        ),
    ],
)
def test_a_table_without_clear_columns_is_refused(
    tmp_path: Path, header: str, rows: str, words: str
) -> None:
    with pytest.raises(SizeTableError, match=words):
        read_size_table(table_file(tmp_path, rows, header))


def test_an_unknown_table_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    with pytest.raises(SizeTableError, match=r"no size table 'classes_5m'.*mean 'classes_5mm'"):
        load_size_table("classes_5m")
    with pytest.raises(SizeTableError, match=r"Can't read none\.csv"):
        load_size_table(tmp_path / "none.csv")


def test_a_folder_is_called_one_beside_the_tables_that_there_are(tmp_path: Path) -> None:
    (tmp_path / "classes_5m").mkdir()
    with pytest.raises(SizeTableError, match=r"classes_5m is a folder, and no size table") as err:
        load_size_table(tmp_path / "classes_5m")
    assert "classes_5mm" in err.value.fix


# ---------------------------------------------------------------- a farm's own

OWN = "class,from_mm,to_mm,carton_kg\nsmall,60,70,18\nlarge,70,80,18\n"
SMALLER = OWN.replace("small,60,70,18\n", "")


def own_file(folder: Path, content: str, name: str = "My line.csv") -> NamedFile:
    path = folder / "My_line.csv"
    path.write_text(content, encoding="utf-8")
    return NamedFile(name=name, path=path)


def test_a_farms_own_table_is_kept_with_who_loaded_it(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        for content, who in ((OWN, "Ana"), (SMALLER, "Ben")):
            add_size_table(own_file(tmp_path, content), store, who=who)
        table = farm_size_table("My_line", store.folder)
        kept = store.changes(kind=ThingKind.TABLE)
    assert [one.name for one in table.classes] == ["large"]
    told = [(one.who, one.about, one.after) for one in kept]
    assert told == [
        ("Ben", "size_tables/My_line", {"rows": 1}),
        ("Ana", "size_tables/My_line", {"rows": 2}),
    ]


def test_who_may_only_look_replaces_no_size_table(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        add_size_table(own_file(tmp_path, OWN), store, who="Ana")
        with pytest.raises(StoreError, match="change nothing"):
            add_size_table(own_file(tmp_path, SMALLER), store.for_a_reader(), who="Rae")
        assert len(farm_size_table("My_line", store.folder).classes) == 2
        assert [one.who for one in store.changes()] == ["Ana"]


def test_a_size_table_that_makes_no_sense_is_not_noted(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        with pytest.raises(SizeTableError):
            add_size_table(own_file(tmp_path, "class,from_mm\nsmall,60\n"), store, who="Ana")
        assert store.changes() == ()
