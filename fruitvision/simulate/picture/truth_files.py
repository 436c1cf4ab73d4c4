"""The truth of many photos as files: COCO JSON, and CSVs with one line per fruit and photo."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.coco import coco_text
from fruitvision.simulate.picture.truth import FruitTruth, MarkerTruth, PhotoTruth
from fruitvision.simulate.season.tables import Row, write_table

COCO_FILE, PHOTO_FILE, MARKER_FILE = "truth_coco.json", "truth_photos.csv", "truth_markers.csv"
BALL_FILE = "truth_balls.csv"

# Columns are added at the end only, so that older tables stay valid.
PHOTO_COLUMNS: Row = (
    *("photo", "fruit_id", "row", "position"),
    *("x_px", "y_px", "width_px", "height_px", "angle_deg"),
    *("diameter_mm", "visible_share", "on_this_row", "depth_mm"),
    *("block", "category", "own_tree", "row_behind"),
    *("visible_px", "centre_x_mm", "centre_y_mm", "centre_z_mm"),
)
MARKER_COLUMNS: Row = (
    *("photo", "marker_id", "side_mm"),
    *("x1_px", "y1_px", "x2_px", "y2_px", "x3_px", "y3_px", "x4_px", "y4_px"),
    *("depth_mm", "tilt_deg", "focal_px"),
    *("image_width_px", "image_height_px", "middle_x_px", "middle_y_px"),
    *("k1", "k2", "p1", "p2", "k3"),
    *("camera_x_mm", "camera_y_mm", "camera_z_mm"),
    *("r11", "r12", "r13", "r21", "r22", "r23", "r31", "r32", "r33"),
    *("taken_at", "light"),
)


def write_truth(truths: Iterable[PhotoTruth], folder: Path) -> tuple[Path, ...]:
    """Write `COCO_FILE`, `PHOTO_FILE` and `MARKER_FILE`, and `BALL_FILE` if a ball hangs.

    Photos come in the order given, so that the files are the same whenever that order is; the
    order of the walk is a good one.

    Raises
    ------
    SimulationError
        If two photos have one name.
    """
    photos = tuple(truths)
    _check_names(photos)
    folder.mkdir(parents=True, exist_ok=True)
    coco = folder / COCO_FILE
    coco.write_text(coco_text(photos), encoding="utf-8", newline="\n")
    fruits = [fruit_row(photo, fruit) for photo in photos for fruit in photo.fruits]
    balls = [fruit_row(photo, ball) for photo in photos for ball in photo.balls]
    written = [
        coco,
        write_table(folder / PHOTO_FILE, [PHOTO_COLUMNS, *fruits]),
        write_table(folder / MARKER_FILE, [MARKER_COLUMNS, *map(marker_row, photos)]),
    ]
    if balls:
        written.append(write_table(folder / BALL_FILE, [PHOTO_COLUMNS, *balls]))
    return tuple(written)


def _check_names(photos: Sequence[PhotoTruth]) -> None:
    names: set[str] = set()
    for photo in photos:
        if photo.name in names:
            raise SimulationError(
                f"The truth of {photo.name} is there twice.", fix="Give each photo once."
            )
        names.add(photo.name)


def fruit_row(photo: PhotoTruth, fruit: FruitTruth) -> Row:
    """One row of `PHOTO_COLUMNS`."""
    block, row, position = fruit.tree or ("", "", "")
    x, y, long_px, short_px, angle = fruit.ellipse_px
    return (
        *(photo.name, fruit.fruit_id, row, position),
        *(f"{value:.2f}" for value in (x, y, long_px, short_px)),
        *(f"{angle:.1f}", f"{fruit.diameter_mm:.1f}", f"{fruit.visible_share:.3f}"),
        *(_word(fruit.row_behind == 0), f"{fruit.centre_mm[2]:.0f}"),
        *(block, fruit.category, _word(fruit.own_tree), fruit.row_behind),
        *(f"{fruit.visible_px:.2f}", *(f"{value:.1f}" for value in fruit.centre_mm)),
    )


def marker_row(photo: PhotoTruth) -> Row:
    """One row of `MARKER_COLUMNS`; without a sheet its columns are empty."""
    camera = photo.camera
    (focal_px, _, middle_x), (_, _, middle_y), _ = camera.matrix
    return (
        *(photo.name, *_marker_columns(photo.marker), focal_px),
        *(photo.width_px, photo.height_px, middle_x, middle_y),
        *camera.distortion,
        *camera.position_mm,
        *(value for row in camera.rotation for value in row),
        *(photo.taken_at, photo.light),
    )


def _marker_columns(marker: MarkerTruth | None) -> Row:
    if marker is None:
        return ("",) * 12
    return (
        *(marker.marker_id, f"{marker.side_mm:.0f}"),
        *(f"{value:.2f}" for corner in marker.corners_px for value in corner),
        *(f"{marker.depth_mm:.0f}", f"{marker.tilt_deg:.1f}"),
    )


def _word(value: bool) -> str:
    return str(value).lower()
