"""The printed board: the drawing in the PDF is read, not trusted."""

from pathlib import Path

import numpy as np
import pytest

from fruitvision.domain import Photo
from fruitvision.errors import SettingsError, StoreError
from fruitvision.lens.board import COLUMNS, ROWS
from fruitvision.lens.corners import find_board
from fruitvision.lens.sheet import MARGIN_MM, draw_board_sheet
from fruitvision.reference import find_references
from tests.test_marker_sheet import PX_PER_MM, printed, read_sheet

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}


@pytest.fixture(params=list(PAPERS))
def sheet(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, str, float]:
    path = tmp_path / "board.pdf"
    return path, request.param, draw_board_sheet(path, paper=request.param)


def photo_of(image: np.ndarray) -> Photo:
    return Photo(
        photo_id="1",
        name="1.png",
        width_px=image.shape[1],
        height_px=image.shape[0],
        sharpness=1.0,
        brightness=0.5,
    )


def test_every_corner_of_the_printed_board_is_read_where_it_should_be(
    sheet: tuple[Path, str, float],
) -> None:
    path, paper, square_mm = sheet
    image = printed(path, paper)
    board = find_board(image, photo_of(image))
    assert len(board) == (COLUMNS - 1) * (ROWS - 1)
    step = square_mm * PX_PER_MM
    first = board.corners_px[0]
    wanted = first + step * np.column_stack(
        [board.numbers % (COLUMNS - 1), board.numbers // (COLUMNS - 1)]
    )
    assert board.corners_px == pytest.approx(wanted, abs=0.6)


def test_the_board_is_not_taken_for_the_sheet_that_hangs_in_the_tree(
    sheet: tuple[Path, str, float],
) -> None:
    image = printed(*sheet[:2])
    read = [
        one for one in find_references(image, photo_of(image), side_mm=150.0) if one.marker_id >= 0
    ]
    assert read == []


def test_all_of_it_can_be_printed(sheet: tuple[Path, str, float]) -> None:
    path, paper, _ = sheet
    width_mm, height_mm = PAPERS[paper]
    boxes, lines = read_sheet(path)
    for x0, y0, x1, y1 in [box for _, box in boxes] + lines:
        assert min(x0, x1, y0, y1) >= MARGIN_MM - 0.01
        assert max(x0, x1) <= width_mm - MARGIN_MM + 0.01
        assert max(y0, y1) <= height_mm - MARGIN_MM + 0.01


def test_the_ruler_is_150_mm(sheet: tuple[Path, str, float]) -> None:
    _, lines = read_sheet(sheet[0])
    ticks = sorted(x0 for x0, y0, x1, y1 in lines if x0 == x1 and y1 < y0)
    assert (len(ticks), ticks[-1] - ticks[0]) == (151, pytest.approx(150, abs=0.002))


def test_the_same_sheet_is_the_same_file(tmp_path: Path) -> None:
    draw_board_sheet(tmp_path / "1.pdf", paper="A3")
    draw_board_sheet(tmp_path / "2.pdf", paper="A3")
    assert (tmp_path / "1.pdf").read_bytes() == (tmp_path / "2.pdf").read_bytes()


def test_unknown_paper_and_a_folder_that_is_none_are_errors_for_people(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="Unknown paper 'A44'") as caught:
        draw_board_sheet(tmp_path / "board.pdf", paper="A44")
    assert "Did you mean 'A4'?" in caught.value.fix
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="Can't write"):
        draw_board_sheet(tmp_path / "file" / "board.pdf")
