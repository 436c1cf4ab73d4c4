"""The printed sheet: the drawing in the PDF is measured, not trusted."""

from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from fruitvision.errors import SettingsError, StoreError
from fruitvision.marker_sheet import HANGING, MARGIN_MM, draw_marker_sheet
from fruitvision.reference import find_references
from tests.scenes import Camera, Image, photo_of

MM = 72 / 25.4
PX_PER_MM = 4
# Widths and heights of the papers, mm (ISO 216; ANSI/ASME Y14.1).
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

Box = tuple[float, float, float, float]


def read_sheet(path: Path) -> tuple[list[tuple[float, Box]], list[Box]]:
    """Filled boxes with their grey, and lines, as x0, y0, x1, y1 in mm from the lower left."""
    reader = PdfReader(path)
    (page,) = reader.pages
    boxes: list[tuple[float, Box]] = []
    lines: list[Box] = []
    grey, start = 0.0, (0.0, 0.0)
    for values, operator in ContentStream(page.get_contents(), reader).operations:
        numbers = [float(v) for v in values] if operator in (b"re", b"g", b"m", b"l") else []
        if operator == b"g":
            (grey,) = numbers
        elif operator == b"re":
            x, y, wide, tall = (v / MM for v in numbers)
            boxes.append((grey, (x, y, x + wide, y + tall)))
        elif operator == b"m":
            start = (numbers[0] / MM, numbers[1] / MM)
        elif operator == b"l":
            lines.append((*start, numbers[0] / MM, numbers[1] / MM))
    return boxes, lines


def printed(path: Path, paper: str) -> Image:
    """The filled boxes as a printer would put them on the paper, 4 px per mm."""
    width_mm, height_mm = PAPERS[paper]
    fine = 4 * PX_PER_MM
    page = np.ones((round(height_mm * fine), round(width_mm * fine)), np.float32)
    for grey, (x0, y0, x1, y1) in read_sheet(path)[0]:
        rows = slice(round((height_mm - y1) * fine), round((height_mm - y0) * fine))
        page[rows, round(x0 * fine) : round(x1 * fine)] = grey
    rows, columns = (size // 4 * 4 for size in page.shape)
    small = page[:rows, :columns].reshape(rows // 4, 4, columns // 4, 4).mean(axis=(1, 3))
    return np.repeat((small * 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.fixture(params=list(PAPERS))
def sheet(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, str]:
    path = tmp_path / "marker.pdf"
    draw_marker_sheet(path, paper=request.param)
    return path, request.param


def test_the_printed_marker_is_read_and_has_its_side(sheet: tuple[Path, str]) -> None:
    image = printed(*sheet)
    camera = Camera(width_px=image.shape[1], height_px=image.shape[0], focal_px=1000.0)
    (found,) = find_references(image, photo_of(camera), side_mm=150.0)
    assert (found.marker_id, found.doubts) == (7, ())
    assert found.side_px == pytest.approx(150 * PX_PER_MM, rel=0.002)


def test_the_ruler_is_150_mm_with_a_tick_each_mm(sheet: tuple[Path, str]) -> None:
    _, lines = read_sheet(sheet[0])
    ticks = sorted(x0 for x0, y0, x1, y1 in lines if x0 == x1 and y1 < y0)
    assert len(ticks) == 151
    assert np.diff(ticks) == pytest.approx(np.ones(150), abs=0.002)
    base = [line for line in lines if line[1] == line[3] and line[0] == ticks[0]]
    assert any(x1 - x0 == pytest.approx(150, abs=0.002) for x0, _, x1, _ in base)


def test_paper_is_white_around_the_marker_and_at_the_edges(sheet: tuple[Path, str]) -> None:
    path, paper = sheet
    boxes, lines = read_sheet(path)
    (x0, y0, x1, y1) = max((box for _, box in boxes), key=lambda box: box[2] - box[0])
    assert (x1 - x0, y1 - y0) == pytest.approx((150, 150), abs=0.002)
    width_mm, height_mm = PAPERS[paper]
    quiet_mm = 150 / 8
    assert x0 - quiet_mm >= MARGIN_MM - 1
    assert width_mm - x1 - quiet_mm >= MARGIN_MM - 1
    assert height_mm - y1 - quiet_mm >= MARGIN_MM
    assert max(line[1] for line in lines) < y0 - quiet_mm
    assert min(min(line[1], line[3]) for line in lines) > MARGIN_MM


def test_the_sheet_says_how_to_print_and_hang_it(sheet: tuple[Path, str]) -> None:
    path, paper = sheet
    reader = PdfReader(path)
    (page,) = reader.pages
    words = page.extract_text()
    assert len(HANGING) == 6
    for part in ("side 150 mm", "Print at 100 %", "ladders", *(word[0] for word in HANGING)):
        assert part in words
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    size_mm = (float(page.mediabox.width) / MM, float(page.mediabox.height) / MM)
    assert size_mm == pytest.approx(PAPERS[paper], abs=0.1)


def test_another_marker_of_another_side_is_drawn(tmp_path: Path) -> None:
    path = tmp_path / "marker.pdf"
    draw_marker_sheet(path, marker_id=31, side_mm=100.0)
    image = printed(path, "A4")
    camera = Camera(width_px=image.shape[1], height_px=image.shape[0], focal_px=1000.0)
    (found,) = find_references(image, photo_of(camera), side_mm=100.0)
    assert found.marker_id == 31
    assert found.side_px == pytest.approx(100 * PX_PER_MM, rel=0.002)


def test_the_same_sheet_twice_is_the_same_file(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        draw_marker_sheet(tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


@pytest.mark.parametrize(
    ("wish", "what"),
    [
        ({"paper": "A3"}, "Unknown paper 'A3'"),
        ({"side_mm": 160.0}, "160.0 mm does not fit"),
        ({"side_mm": float("nan")}, "nan mm does not fit"),
        ({"marker_id": 587}, "no marker 587"),
        ({"marker_id": -1}, "no marker -1"),
    ],
)
def test_a_sheet_that_can_not_be_is_refused(
    tmp_path: Path, wish: dict[str, object], what: str
) -> None:
    with pytest.raises(SettingsError, match=what):
        draw_marker_sheet(tmp_path / "marker.pdf", **wish)  # type: ignore[arg-type]


def test_a_folder_in_the_way_is_an_error_for_people(tmp_path: Path) -> None:
    (tmp_path / "marker.pdf").mkdir()
    with pytest.raises(StoreError, match=r"Can't write .*marker\.pdf"):
        draw_marker_sheet(tmp_path / "marker.pdf")
