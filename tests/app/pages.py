"""Pages of the app as tests see them, and a farm to show on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Radio

from fruitvision.domain import MeasuredPhoto
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.store import FarmStore
from tests import records

MAIN = Path(__file__).parents[2] / "app" / "main.py"
PAGES = ("blocks", "walk", "photos", "forecast", "sales", "score", "papers", "setup", "help")
TREES = 10
# A JPEG picture of a few pixels.
FEW_PIXELS = cv2.imencode(".jpg", np.zeros((8, 8, 3), np.uint8))[1].tobytes()


def photo_of(position: int, face: str) -> MeasuredPhoto:
    """A photo of 6 + position fruit; 60, 61, 62 … mm wide."""
    photo_id = sha256(f"{position}{face}".encode()).hexdigest()
    fruit = [
        records.fruit(number, photo_id=photo_id, diameter_mm=60.0 + number)
        for number in range(6 + position)
    ]
    origin = made_with(choose_detector(), Settings())
    return replace(records.measured(photo_id, fruit), made_with=origin)


def fill(store: FarmStore, *, pick_date: date | None = records.PICK) -> None:
    """One block, 10 trees of two faces, 5 of them counted by hand."""
    store.save_blocks([records.block(pick_date=pick_date)])
    faces = [(position, face) for position in range(1, TREES + 1) for face in "AB"]
    photos = [photo_of(position, face) for position, face in faces]
    store.save_measured_photos(photos)
    store.save_tree_photos(
        [
            records.tree_photo(position, face, photo.photo.photo_id)
            for (position, face), photo in zip(faces, photos, strict=True)
        ]
    )
    store.save_hand_counts([records.hand_count(n, 3 * (6 + n)) for n in range(1, 6)])


def visit(name: str, *, timeout_s: float = 30, **address: str) -> AppTest:
    """A page as by a bookmark, with what its address says more: no other page is run before it."""
    app = AppTest.from_file(str(MAIN), default_timeout=timeout_s)
    for key, value in address.items():
        app.query_params[key] = value
    # Before the first run Streamlit goes by the name of the page's file, as our addresses do.
    return app.run() if name == "blocks" else app.switch_page(f"screens/{name}.py").run()


def page(name: str) -> AppTest:
    return visit(name)


def block_page(name: str = records.BLOCK_ID) -> AppTest:
    """The page of one block."""
    return visit("blocks", block=name)


def text(app: AppTest) -> str:
    """All words on the page."""
    kinds: Sequence[Sequence[object]] = (
        app.title, app.subheader, app.markdown, app.caption,
        app.error, app.warning, app.info, app.success,
    )  # fmt: skip
    return "\n".join(str(getattr(item, "value", "")) for kind in kinds for item in kind)


def radio(app: AppTest, label: str) -> Radio[Any]:
    (found,) = (item for item in app.radio if item.label == label)
    return found


def press(app: AppTest, label: str) -> AppTest:
    (button,) = (item for item in app.button if item.label == label)
    return button.click().run()


def upload(app: AppTest, label: str, *files: tuple[str, bytes]) -> None:
    (box,) = (item for item in app.file_uploader if item.label.startswith(label))
    named = [(name, content, "application/octet-stream") for name, content in files]
    box.set_value(named if box.accept_multiple_files else named[0]).run()
