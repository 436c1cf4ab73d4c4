"""The photos of a walk, made one by one; each keeps its truth beside it until all are there."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from fruitvision.simulate.picture.render import choose_variant
from fruitvision.simulate.picture.shoot import MARKER_COLUMNS, PHOTO_COLUMNS, shoot
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.tables import FACES, photo_name, write_table


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One photo to be made, small enough to send to another process."""

    block: int
    tree: int
    face: str
    seed: int
    samples: int
    shrink: int
    variant: str
    folder: Path


def sidecar(folder: Path, name: str) -> Path:
    """Where the truth of one photo waits; it is there once the photo is finished."""
    return folder / "unfinished" / f"{Path(name).stem}.json"


def make_photo(order: Order) -> str:
    """Make one photo and its truth; returns a line for the log."""
    choose_variant(order.variant)
    block = draw_season(order.seed)[order.block]
    shot = Shot(block=block, tree=order.tree, face=order.face, seed=order.seed)
    photo = shoot(shot, samples=order.samples, shrink=order.shrink)
    path = order.folder / photo.name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(photo.jpeg)
    truth = sidecar(order.folder, photo.name)
    truth.parent.mkdir(parents=True, exist_ok=True)
    truth.write_text(
        json.dumps({"fruit": photo.fruit_rows, "marker": photo.marker_row}), encoding="utf-8"
    )
    return f"{photo.name}, {len(photo.jpeg) / 1e6:.2f} MB"


def gather(blocks: tuple[SeasonBlock, ...], folder: Path) -> None:
    """Join the truth of all photos made so far."""
    fruit, markers = [PHOTO_COLUMNS], [MARKER_COLUMNS]
    for block in blocks:
        for tree in block.photographed:
            for face in FACES:
                waiting = sidecar(folder, photo_name(block, tree, face))
                if waiting.exists():
                    found = json.loads(waiting.read_text(encoding="utf-8"))
                    fruit += [tuple(row) for row in found["fruit"]]
                    markers.append(tuple(found["marker"]))
    if len(markers) > 1:
        write_table(folder / "truth_photos.csv", fruit)
        write_table(folder / "truth_markers.csv", markers)
