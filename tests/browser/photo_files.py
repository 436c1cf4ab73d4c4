"""Photos to bring in: small copies of the invented farm's, and files that are none."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from fruitvision.share import shared_folder

SAMPLES = shared_folder("samples")


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkFiles:
    """A walk as it lies on somebody's computer: its list, and its photos."""

    walk_list: Path
    photos: tuple[Path, ...]


def small_walk(
    folder: Path, block: str, trees: int, *, first: int = 0, shrink: int = 2
) -> WalkFiles:
    """Both faces of some trees of Gala North, in a smaller picture with the camera's tags."""
    with (SAMPLES / "walk.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["block"] == "Gala North"]
    chosen = rows[2 * first : 2 * (first + trees)]
    folder.mkdir(parents=True, exist_ok=True)
    photos = [small_photo(SAMPLES / row["photo"], folder, shrink) for row in chosen]
    named = [
        row | {"photo": photo.name, "block": block}
        for row, photo in zip(chosen, photos, strict=True)
    ]
    return WalkFiles(walk_list=write_table(folder / "walk.csv", named), photos=tuple(photos))


def small_photo(photo: Path, folder: Path, shrink: int) -> Path:
    out = folder / photo.name
    with Image.open(photo) as picture:
        size = picture.width // shrink, picture.height // shrink
        picture.resize(size, Image.Resampling.LANCZOS).save(
            out, quality=90, exif=picture.getexif().tobytes()
        )
    return out


def write_table(path: Path, rows: Sequence[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def specks(folder: Path, number: int) -> tuple[Path, ...]:
    """So many different pictures of a few pixels."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"speck_{index:03d}.jpg" for index in range(number)]
    for index, path in enumerate(paths):
        pixels = np.random.default_rng(index).integers(0, 255, (16, 12, 3), np.uint8)
        Image.fromarray(pixels).save(path, quality=90)
    return tuple(paths)


def huge(path: Path, megabytes: int) -> Path:
    """A file that begins as a JPEG does and goes on with nothing that can be read."""
    noise = np.random.default_rng(1).bytes(1_000_000)
    with path.open("wb") as stream:
        stream.write(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01")
        for _ in range(megabytes):
            stream.write(noise)
    return path
