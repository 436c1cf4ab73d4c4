"""Files that leave the farm by the page: each is what its button says."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pyarrow.parquet as pq
import pypdf

from app.forms.take_out import _archive_file, _card_file, _fruit_file, _map_file
from app.wording import LANGUAGES
from fruitvision.domain import RegisteredTree, TreeId
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from tests import records
from tests.app.pages import TREES

SETTINGS = Settings()


def test_the_archive_has_the_photos_only_if_they_are_asked_for(
    filled: Path, tmp_path: Path
) -> None:
    (filled / "photos").mkdir(exist_ok=True)
    (filled / "photos" / f"{'a' * 64}.jpg").write_bytes(b"\xff\xd8 no matter")
    for photos in (True, False):
        path = tmp_path / f"{photos}.zip"
        _archive_file(filled, photos, path)
        with zipfile.ZipFile(path) as made:
            assert made.testzip() is None
            found = [name for name in made.namelist() if name.endswith(f"{'a' * 64}.jpg")]
        assert len(found) == photos


def test_all_fruit_of_the_farm_are_in_its_table(filled: Path, tmp_path: Path) -> None:
    with open_farm(filled) as store:
        fruit = sum(photo.fruit_count for photo in store.measured_photos())
        _fruit_file(store, SETTINGS, records.WALK, tmp_path / "fruit.parquet")
    # Two faces of each tree: 7 fruit on the first tree's, one more on each next one's.
    assert fruit == 2 * sum(6 + n for n in range(1, TREES + 1))
    assert pq.read_table(tmp_path / "fruit.parquet").num_rows == fruit


def test_the_map_has_the_trees_that_have_a_place(filled: Path, tmp_path: Path) -> None:
    tree = RegisteredTree(tree=TreeId(records.BLOCK_ID, 1, 1), latitude_deg=46.5, longitude_deg=7.6)
    with open_farm(filled) as store:
        store.save_register([tree])
        _map_file(store, SETTINGS, records.WALK, tmp_path / "map.geojson")
    document = json.loads((tmp_path / "map.geojson").read_text(encoding="utf-8"))
    assert document["type"] == "FeatureCollection"
    points = [one["geometry"]["coordinates"] for one in document["features"] if one["geometry"]]
    assert [7.6, 46.5] in points


def test_the_card_is_one_page_in_every_language(tmp_path: Path) -> None:
    said = set()
    for code in LANGUAGES:
        _card_file(code, tmp_path / f"{code}.pdf")
        pages = pypdf.PdfReader(tmp_path / f"{code}.pdf").pages
        assert len(pages) == 1
        said.add(pages[0].extract_text())
    assert len(said) == len(LANGUAGES)
