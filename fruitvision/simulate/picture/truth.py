"""What is true about one photo: the camera, the marker, and every fruit with what is seen of it.

Conventions: pixels as everywhere (the centre of the top-left pixel is (0, 0), x right, y down).
World: millimetres, x along the row, y up, z across the row towards face A. Camera coordinates:
millimetres, x right, y down, z forward (depth), as OpenCV has them. A world point X lies at
`rotation @ (X - position_mm)` in camera coordinates. All of it is calculated from geometry; only
`mask`, `visible_px` and `visible_share` come from asking which fruit each line of sight meets.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

Vector = tuple[float, float, float]
Ellipse = tuple[float, float, float, float, float]
Box = tuple[float, float, float, float]
Place = tuple[str, int, int]

HANGING, FALLEN, BALL = "hanging fruit", "fallen fruit", "ball of known size"
CATEGORIES = (HANGING, FALLEN, BALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTruth:
    """Lens and pose.

    `matrix` : rows of the (3, 3) camera matrix, px; `distortion` : k1, k2, p1, p2, k3 as OpenCV
    numbers them; `rotation` : the camera's right, down and forward in world coordinates, as rows.
    """

    matrix: tuple[Vector, Vector, Vector]
    distortion: tuple[float, float, float, float, float]
    rotation: tuple[Vector, Vector, Vector]
    position_mm: Vector


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerTruth:
    """The printed square. `corners_px` : top left, top right, bottom right, bottom left of the
    black square as one looks at the sheet; `depth_mm` : of its middle; `tilt_deg` : against the
    picture plane.
    """

    marker_id: int
    side_mm: float
    corners_px: tuple[tuple[float, float], ...]
    depth_mm: float
    tilt_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FruitTruth:
    """One fruit, or one ball of known size.

    `fruit_id` : unique in the photo, of hanging fruit on the farm; `category` : one of
    `CATEGORIES`; `tree` : block, row and position, None where the register has no bearing tree;
    `own_tree` : of the photographed tree; `row_behind` : 0 is this row, 1, 2 ... rows further back.
    `diameter_mm` : equatorial; `centre_mm` : in camera coordinates.
    `ellipse_px` : full outline, hidden parts and parts outside the frame included: centre x and y,
    long and short axis (full lengths), direction of the long axis clockwise from +x in degrees.
    `full_box_px` : x, y, width and height of the box around that outline, in COCO's sense: edges of
    pixels, so that the top-left pixel alone is 0, 0, 1, 1.
    `visible_share` : part of the full outline that is seen; `visible_px` : area that is seen, px;
    `mask` : counts of a COCO compressed run-length mask of the whole photo; empty if no pixel is
    more than half covered.
    """

    fruit_id: str
    category: str
    tree: Place | None
    own_tree: bool
    row_behind: int
    diameter_mm: float
    centre_mm: Vector
    ellipse_px: Ellipse
    full_box_px: Box
    visible_share: float
    visible_px: float
    mask: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoTruth:
    """One photo. `name` : file, relative to the folder of the tables; `tree` : the photographed
    one; `step` : how many steps along the row from the trunk; `taken_at` : ISO 8601; `light` : in
    words; `fruits` : by their place in the scene; `balls` : references of known size;
    `small_mask` : like `FruitTruth.mask`, of all fruit of rows behind that are too small to list.
    """

    name: str
    width_px: int
    height_px: int
    tree: Place
    face: str
    step: int
    taken_at: str
    light: str
    camera: CameraTruth
    marker: MarkerTruth | None
    balls: tuple[FruitTruth, ...]
    fruits: tuple[FruitTruth, ...]
    small_mask: str

    def to_json(self) -> str:
        """The record as one line of JSON, the same on every machine."""
        return json.dumps(asdict(self), separators=(",", ":"), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> PhotoTruth:
        """The record that `to_json` wrote."""
        found: dict[str, Any] = _tupled(json.loads(text))
        marker = found["marker"]
        return cls(
            **{
                **found,
                "camera": CameraTruth(**found["camera"]),
                "marker": None if marker is None else MarkerTruth(**marker),
                "balls": tuple(FruitTruth(**ball) for ball in found["balls"]),
                "fruits": tuple(FruitTruth(**fruit) for fruit in found["fruits"]),
            }
        )


def _tupled(value: Any) -> Any:
    """JSON's lists as tuples, all the way down."""
    if isinstance(value, list):
        return tuple(_tupled(item) for item in value)
    if isinstance(value, dict):
        return {name: _tupled(item) for name, item in value.items()}
    return value
