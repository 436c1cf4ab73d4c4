"""Blocks and trees on the map: coordinates in, GeoJSON out, and what is refused or lacks."""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fruitvision.domain import RegisteredTree, TreeId, TreeKind
from fruitvision.export.geojson import MappedBlock, geojson_bytes
from fruitvision.office_data import read_register
from fruitvision.store import open_farm
from tests.farm_records import HILL
from tests.test_bad_input import run
from tests.walked_farm import LOADS, add_block, add_walk, trees_of

MADE_ON = date(2026, 8, 20)
# A place in the hills of an invented farm; a hundred thousandth of a degree is about 1 m.
NORTH, EAST, METRE = 46.52, 7.61, 1e-5


def place(row: int, position: int, *, kind: TreeKind = TreeKind.BEARING) -> RegisteredTree:
    """Rows 4 m apart along the meridian, trees 1 m apart."""
    return RegisteredTree(
        tree=TreeId("Hill", row, position),
        kind=kind,
        latitude_deg=NORTH + position * METRE,
        longitude_deg=EAST + 4 * row * METRE,
    )


def features(places: Sequence[RegisteredTree]) -> list[dict[str, Any]]:
    mapped = MappedBlock(block=HILL, register=tuple(places), samples={})
    document = json.loads(geojson_bytes([mapped], farm="Larkhill", made_on=MADE_ON))
    assert document["type"] == "FeatureCollection"
    for one in document["features"]:
        assert set(one) == {"type", "geometry", "properties"}
        assert one["type"] == "Feature"
    return list(document["features"])


def test_a_block_is_the_hull_of_its_trees_longitude_first_and_counterclockwise() -> None:
    places = [place(row, position) for row in range(1, 5) for position in range(1, 31)]
    block, *trees = features(places)
    (ring,) = block["geometry"]["coordinates"]
    assert block["geometry"]["type"] == "Polygon"
    assert ring[0] == ring[-1]
    corners = {
        (round(EAST + 4 * row * METRE, 7), round(NORTH + position * METRE, 7))
        for row in (1, 4)
        for position in (1, 30)
    }
    assert {tuple(one) for one in ring} == corners
    # Shoelace: above 0 is counterclockwise; 12 m by 29 m.
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in itertools.pairwise(ring)) / 2
    assert area / METRE**2 == pytest.approx(12 * 29, rel=1e-3)
    assert len(trees) == 120
    assert trees[0]["geometry"] == {"type": "Point", "coordinates": [7.61004, 46.52001]}
    assert trees[0]["properties"]["kind"] == "bearing"
    assert (trees[0]["properties"]["row"], trees[0]["properties"]["position"]) == (1, 1)


def test_all_trees_lie_inside_a_crooked_outline() -> None:
    places = [
        place(row, position) for row in range(1, 12) for position in range(1 + row % 4, 20 + row)
    ]
    block, *trees = features(places)
    (ring,) = block["geometry"]["coordinates"]
    assert len(ring) > 5
    for (x0, y0), (x1, y1) in itertools.pairwise(ring):
        for tree in trees:
            x, y = tree["geometry"]["coordinates"]
            assert (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) >= -(METRE**2)


@pytest.mark.parametrize(
    ("places", "kind", "length"),
    [
        ([place(1, position) for position in range(1, 31)], "LineString", 2),
        ([place(1, 1)], "Point", 2),
        ([place(1, 1), place(1, 1)], "Point", 2),
    ],
)
def test_one_row_is_a_line_and_one_tree_a_point(
    places: list[RegisteredTree], kind: str, length: int
) -> None:
    geometry = features(places)[0]["geometry"]
    assert geometry["type"] == kind
    assert len(geometry["coordinates"]) == length


def test_places_on_both_sides_of_the_world_have_no_outline() -> None:
    far = RegisteredTree(
        tree=TreeId("Hill", 9, 9), latitude_deg=NORTH, longitude_deg=EAST - 180.5 + 0.2
    )
    mapped = MappedBlock(block=HILL, register=(place(1, 1), far), samples={})
    assert "more than 180 degrees" in mapped.lacks
    assert features(mapped.register)[0]["geometry"] is None


def test_what_lacks_is_said() -> None:
    bare = RegisteredTree(tree=TreeId("Hill", 1, 2))
    for register, said in (
        ((), "It has no register."),
        ((bare,), "Its register has no coordinates."),
        ((bare, place(1, 1)), "1 of 2 places have no coordinates."),
        ((place(1, 1),), ""),
    ):
        assert MappedBlock(block=HILL, register=register, samples={}).lacks == said
    assert len(features([bare, place(1, 1)])) == 2
    assert features([bare]) == []


# ---------------------------------------------------------------- coordinates of a register


def register(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "register.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_coordinates_are_read_from_the_register(tmp_path: Path) -> None:
    head = "block;row;position;latitude_deg;longitude_deg"
    path = register(tmp_path, head, "Hill;1;1;46,52001;-7,61", "Hill;1;2;;", "Hill;1;3;-90;180")
    found = read_register(path)
    assert found.refused == ()
    assert [(one.latitude_deg, one.longitude_deg) for one in found.rows] == [
        (46.52001, -7.61),
        (None, None),
        (-90.0, 180.0),
    ]


@pytest.mark.parametrize(
    ("latitude", "longitude", "said"),
    [
        ("90.1", "7.6", "latitude_deg is 90.1."),
        ("46.5", "-180.5", "longitude_deg is -180.5."),
        ("46.5", "", "longitude_deg is empty."),
        ("", "7.6", "latitude_deg is empty."),
        ("0", "0.0", "Latitude and longitude are both 0."),
        ("north", "7.6", "latitude_deg is 'north', which is no number."),
        ("nan", "7.6", "latitude_deg is 'nan', which is no number."),
        ("465200", "76100", "latitude_deg is 465200."),
    ],
)
def test_coordinates_that_can_not_be_are_refused_and_the_rest_goes_on(
    latitude: str, longitude: str, said: str, tmp_path: Path
) -> None:
    head = "block,row,position,latitude_deg,longitude_deg"
    found = read_register(
        register(tmp_path, head, f"Hill,1,1,{latitude},{longitude}", "Hill,1,2,46.5,7.6")
    )
    assert [(one.line, one.what) for one in found.refused] == [(2, said)]
    assert [one.tree.position for one in found.rows] == [2]


def test_the_command_maps_photographed_trees_and_names_blocks_without_coordinates(
    tmp_path: Path,
) -> None:
    farm, out = tmp_path / "farm", tmp_path / "farm.geojson"
    with open_farm(farm, name="Larkhill") as store:
        for name in ("Hill", "Mill"):
            add_block(store, name)
            add_walk(store, name)
    status, text = run("geojson", "--farm", str(farm), "--out", str(out))
    assert status == 2
    assert "No tree of the farm has coordinates." in text
    assert not out.exists()
    with open_farm(farm) as store:
        store.save_register(
            [place(row, position) for row in range(1, 11) for position in range(1, 31)]
        )
    status, text = run("geojson", "--farm", str(farm), "--out", str(out))
    assert status == 1
    assert "300 places in 1 block." in text
    assert "Mill: It has no register." in text
    trees = [
        one["properties"]
        for one in json.loads(out.read_bytes())["features"]
        if one["properties"]["what"] == "tree"
    ]
    seen = {(one["row"], one["position"]): one for one in trees if "photographed_on" in one}
    assert set(seen) == {(tree.row, tree.position) for tree in trees_of("Hill")}
    first = seen[trees_of("Hill")[0].row, trees_of("Hill")[0].position]
    assert first["visible_fruit_per_tree"] == LOADS[0]
    assert first["mean_diameter_mm"] == pytest.approx(68.0, abs=0.1)
    assert first["photographed_on"] == "2026-08-12"
