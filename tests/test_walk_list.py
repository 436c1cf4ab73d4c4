"""The printed walk list, read back by an independent reader."""

from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from fruitvision.domain import RegisteredTree, TreeId, TreeKind, WalkPlan
from fruitvision.errors import SettingsError, StoreError
from fruitvision.sampling import plan_walk
from fruitvision.walk_list import PAPERS, write_walk_list


def block() -> list[RegisteredTree]:
    return [
        RegisteredTree(
            tree=TreeId("Mill", row, at),
            kind=TreeKind.MISSING if at % 9 == 0 else TreeKind.BEARING,
            stratum="low ground" if row == 1 else "",
        )
        for row in range(1, 6)
        for at in range(1, 41)
    ]


def plan() -> WalkPlan:
    return plan_walk(block(), trees=30, seed=2, hand_counts=6)


def text_of(walk: WalkPlan, path: Path) -> str:
    write_walk_list(walk, path, register=block())
    return "\n".join(page.extract_text() for page in PdfReader(path).pages)


@pytest.mark.parametrize("paper", list(PAPERS))
def test_every_stop_is_on_the_list_in_the_order_of_the_way(tmp_path: Path, paper: str) -> None:
    walk = plan()
    path = tmp_path / "walk.pdf"
    pages = write_walk_list(walk, path, register=block(), paper=paper)
    reader = PdfReader(path)
    assert len(reader.pages) == pages
    assert pages > 1
    text = "\n".join(page.extract_text() for page in reader.pages)
    stops = [f"Row {place.tree.row}  Tree {place.tree.position}" for place in walk.places]
    where = [text.find(stop + "\n") for stop in stops]
    assert -1 not in where
    assert where == sorted(where)
    assert text.count("count ______") == 6
    assert "low ground" in text
    assert "register: gap" in text
    assert "keep out" in text
    assert f"page {pages} of {pages}" in text


def test_the_first_stop_of_a_row_says_at_which_end_to_go_in(tmp_path: Path) -> None:
    walk = plan()
    text = text_of(walk, tmp_path / "walk.pdf")
    # Rows of 40: the odd ones are gone up from tree 1, the even ones down from tree 40.
    firsts = {place.tree.row: place for place in reversed(walk.places)}
    assert sorted(firsts) == [1, 2, 3, 4, 5]
    for row, place in firsts.items():
        far = row % 2 == 0
        steps = 41 - place.tree.position if far else place.tree.position
        assert place.steps == steps
        stop = text.partition(f"Row {row}  Tree {place.tree.position}\n")[2][:60]
        assert f"{steps} in from\n{'far end, tree 40' if far else 'near end, tree 1'}" in stop
    assert text.count(" in from") == 5
    assert text.count(" on\n") == len(walk.places) - 5


def test_trees_added_later_begin_a_way_of_their_own(tmp_path: Path) -> None:
    walk = plan()
    added = plan_walk(block(), trees=1, seed=3, without=[one.tree for one in walk.places]).places
    longer = replace(walk, places=(*walk.places, *added))
    rows = {one.tree.row for one in added}
    assert text_of(longer, tmp_path / "walk.pdf").count(" in from") == 5 + len(rows)


def test_the_same_walk_gives_the_same_file(tmp_path: Path) -> None:
    write_walk_list(plan(), tmp_path / "a.pdf", register=block())
    write_walk_list(plan(), tmp_path / "b.pdf", register=block())
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_nothing_is_drawn_outside_the_paper(tmp_path: Path) -> None:
    write_walk_list(plan(), tmp_path / "a.pdf", register=block(), paper="Letter")
    for page in PdfReader(tmp_path / "a.pdf").pages:
        places: list[tuple[float, float]] = []
        page.extract_text(visitor_text=lambda t, cm, tm, f, s: places.append((tm[4], tm[5])))  # noqa: B023
        assert all(0 <= x < 580 and 0 <= y < 792 for x, y in places)


def test_an_unknown_paper_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"A4, Letter"):
        write_walk_list(plan(), tmp_path / "a.pdf", register=block(), paper="A5")


def test_a_folder_that_can_not_be_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="Can't write"):
        write_walk_list(plan(), tmp_path / "file" / "a.pdf", register=block())
