"""Blocks and trees of a farm on the map, as GeoJSON (RFC 7946, WGS 84, longitude first).

Features of `what` = "block": the convex hull of its places with coordinates (a line where they
stand in one row, a point where there is one). Features of `what` = "tree": every place of the
register with coordinates, with its `kind`; where it was photographed in the latest walk also
`photographed_on`, `visible_fruit_per_tree`, `sized_fruit` and `mean_diameter_mm`.

It tells where a farm's trees stand: for the farm's own people, never in anything for a buyer.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from fruitvision.domain import Block, RegisteredTree, TreeCount, TreeId
from fruitvision.export.words import save

# Decimals of coordinates: 7 are 1 cm. RFC 7946, 11.2, finds 6 enough for most; trees stand close.
_DECIMALS = 7
# A block that reaches over so many degrees lies on both sides of the 180° meridian, or is mistyped.
_WIDEST_DEG = 180.0

Json = dict[str, Any]
Position = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedBlock:
    """A block with its register, and the samples of its latest walk by tree."""

    block: Block
    register: tuple[RegisteredTree, ...]
    samples: Mapping[TreeId, TreeCount]

    @property
    def placed(self) -> tuple[RegisteredTree, ...]:
        """Places with coordinates."""
        return tuple(one for one in self.register if one.latitude_deg is not None)

    @property
    def lacks(self) -> str:
        """What is missing for the map, in words; empty where nothing is."""
        if not self.register:
            return "It has no register."
        if not self.placed:
            return "Its register has no coordinates."
        if len(self.placed) < len(self.register):
            return (
                f"{len(self.register) - len(self.placed)} of {len(self.register)} places have no "
                "coordinates."
            )
        if self.is_too_wide:
            return "It reaches over more than 180 degrees, so that it has no outline."
        return ""

    @property
    def is_too_wide(self) -> bool:
        """Whether its places can't be one block."""
        longitudes = [one.longitude_deg or 0.0 for one in self.placed]
        return bool(longitudes) and max(longitudes) - min(longitudes) > _WIDEST_DEG


def write_geojson(blocks: Sequence[MappedBlock], path: Path, *, farm: str, made_on: date) -> None:
    """Write the map.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    save(path, geojson_bytes(blocks, farm=farm, made_on=made_on))


def geojson_bytes(blocks: Sequence[MappedBlock], *, farm: str, made_on: date) -> bytes:
    """The map as the content of a file, one feature a line."""
    features = [one for block in blocks for one in _features(block)]
    lines = ",\n".join(_compact(one) for one in features)
    head = _compact({"type": "FeatureCollection", "farm": farm, "made_on": made_on.isoformat()})
    return f'{head[:-1]},"features":[\n{lines}\n]}}\n'.encode()


def _compact(value: Json) -> str:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _features(mapped: MappedBlock) -> Iterator[Json]:
    if not mapped.placed:
        return
    block = mapped.block
    yield {
        "type": "Feature",
        "geometry": _outline(mapped),
        "properties": {
            "what": "block",
            "block": block.block_id,
            "variety": block.variety,
            "positions": block.positions,
            "bearing_trees": block.bearing_trees,
            "pick_date": block.pick_date.isoformat() if block.pick_date else None,
            "places_with_coordinates": len(mapped.placed),
        },
    }
    for tree in mapped.placed:
        yield {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": _position(tree)},
            "properties": {
                "what": "tree",
                "block": block.block_id,
                "row": tree.tree.row,
                "position": tree.tree.position,
                "kind": tree.kind.value,
                "variety": tree.variety or block.variety,
                "stratum": tree.stratum,
                "bearing_share": tree.bearing_share,
                **_seen(mapped.samples.get(tree.tree)),
            },
        }


def _seen(sample: TreeCount | None) -> Json:
    if sample is None:
        return {}
    return {
        "photographed_on": sample.walked_on.isoformat(),
        "visible_fruit_per_tree": round(sample.visible_per_tree, 1),
        "sized_fruit": sample.sized,
        "mean_diameter_mm": None if sample.mean_mm is None else round(sample.mean_mm, 1),
    }


def _position(tree: RegisteredTree) -> Position:
    return round(tree.longitude_deg or 0.0, _DECIMALS), round(tree.latitude_deg or 0.0, _DECIMALS)


def _outline(mapped: MappedBlock) -> Json | None:
    """The hull, its ring counterclockwise and closed (RFC 7946, 3.1.6); None for one too wide."""
    if mapped.is_too_wide:
        return None
    places = sorted({_position(tree) for tree in mapped.placed})
    if len(places) == 1:
        return {"type": "Point", "coordinates": places[0]}
    ring = _hull(places)
    if len(ring) < 3:
        return {"type": "LineString", "coordinates": ring}
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}


def _hull(places: Sequence[Position]) -> list[Position]:
    """Corners counterclockwise; both ends where the places stand in one line."""
    corners = np.array(places)
    # About the middle: the differences are a hundred thousandth of the coordinates.
    near = (corners - corners.mean(axis=0)) / max(float(np.ptp(corners, axis=0).max()), 1e-12)
    try:
        return [places[int(number)] for number in ConvexHull(near).vertices]
    except QhullError:
        return [places[0], places[-1]]
