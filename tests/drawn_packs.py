"""Small packs of drawn pictures, to train on in tests."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

from fruitvision.train.pack import (
    FRUIT_FILE,
    HANGING_FRUIT,
    PACK_FILE,
    PackedPicture,
    fruit_bytes,
    joined,
    labels_from,
    pack_bytes,
)

Image = NDArray[np.uint8]


@dataclass
class Fruit:
    """An ellipse: centre x, y, long and short axis, px, and degrees clockwise from +x."""

    outline: tuple[float, float, float, float, float]
    row: int = 0
    ignore: bool = False
    kind: int = HANGING_FRUIT
    share: float = 1.0

    def covers(self, width: int, height: int) -> NDArray[np.bool_]:
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        cx, cy, long, short, angle = self.outline
        cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
        along = (x - cx) * cos + (y - cy) * sin
        across = (y - cy) * cos - (x - cx) * sin
        return (2 * along / long) ** 2 + (2 * across / short) ** 2 <= 1

    def box(self) -> list[float]:
        """Of the ellipse: its half sides are the lengths of the axes' shadows."""
        cx, cy, long, short, angle = self.outline
        cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
        half_x = np.hypot(long * cos, short * sin) / 2
        half_y = np.hypot(long * sin, short * cos) / 2
        return [cx - half_x, cy - half_y, cx + half_x, cy + half_y]


@dataclass
class Drawn:
    """A picture and what is in it; later fruit lie on top. Photos have boxes only."""

    fruit: list[Fruit]
    size: tuple[int, int] = (200, 160)
    photo: bool = False
    grey_areas: list[tuple[float, float, float, float]] = field(default_factory=list)
    ground: tuple[int, int, int] = (114, 114, 114)
    paint: tuple[int, int, int] = (220, 30, 30)
    picture: Image | None = None

    def pixels(self) -> Image:
        if self.picture is not None:
            return self.picture
        picture = np.full((self.size[1], self.size[0], 3), self.ground, dtype=np.uint8)
        for fruit in self.fruit:
            picture[fruit.covers(*self.size)] = self.paint
        return picture

    def instances(self) -> NDArray[np.uint16]:
        instances = np.zeros((self.size[1], self.size[0]), dtype=np.uint16)
        for number, fruit in enumerate(self.fruit, start=1):
            instances[fruit.covers(*self.size)] = number
        return instances


def write_pack(folder: Path, drawn: list[Drawn]) -> Path:
    """A pack of these pictures, kept without loss."""
    pictures, labels = [], []
    for number, one in enumerate(drawn):
        file, mask = f"pictures/{number}.png", "" if one.photo else f"masks/{number}.png"
        sha256 = _save(folder / file, one.pixels())
        pictures.append(
            PackedPicture(
                file=file,
                sha256=sha256,
                mask=mask,
                mask_sha256=_save(folder / mask, one.instances()) if mask else "",
                source_file=file,
                source_sha256=sha256,
                width_px=one.size[0],
                height_px=one.size[1],
                scale=1.0,
                source="drawn",
                split="train",
                fruit="apple",
                mm_per_px=None,
                has_outlines=not one.photo,
                behind_labelled=not one.photo,
                grey_areas=tuple(one.grey_areas),
            )
        )
        count = len(one.fruit)
        unknown = float("nan")
        labels.append(
            labels_from(
                {
                    "picture": np.zeros(count),
                    "box": [fruit.box() for fruit in one.fruit],
                    "outline": [
                        (unknown,) * 5 if one.photo else fruit.outline for fruit in one.fruit
                    ],
                    "visible_share": [unknown if one.photo else f.share for f in one.fruit],
                    "row": [fruit.row for fruit in one.fruit],
                    "ignore": [fruit.ignore for fruit in one.fruit],
                    "kind": [fruit.kind for fruit in one.fruit],
                    "number": np.zeros(count) if one.photo else np.arange(1, count + 1),
                }
            )
        )
    content = fruit_bytes(joined(labels))
    (folder / FRUIT_FILE).write_bytes(content)
    (folder / PACK_FILE).write_bytes(pack_bytes(tuple(pictures), content))
    return folder


def _save(path: Path, pixels: NDArray[np.generic]) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    PillowImage.fromarray(pixels).save(path)
    return hashlib.sha256(path.read_bytes()).hexdigest()
