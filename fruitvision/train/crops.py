"""Crops for one training step: where, how large, which way round; labels go with them."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from fruitvision.train.album import Held
from fruitvision.train.config import TrainingConfig

# Value of padding around a picture; also that of the row photos' missing areas.
GREY = 114.0
# At most this many fruit of a crop are trained on.
MOST_FRUIT = 400
# A missing area spoils what is seen beside it: so many px more are left out. Our choice.
GREY_MARGIN_PX = 6.0
# Share of crops around a fruit; the others lie anywhere. Our choice.
AROUND_A_FRUIT = 0.75


@dataclass(frozen=True, slots=True, eq=False)
class Crops:
    """B crops of S x S px with labels, N slots for fruit each.

    `pictures` (B, 3, S, S) float, 0 to 255. `numbers` (B, S/4, S/4) int64: which slot's visible
    pixel a cell is; -1 none, -2 not known. `unknown` (B, S/4, S/4) bool: outside the picture or in
    a missing area. `filled` (B, N) bool: slot in use; `boxes` (B, N, 4), `outlines` (B, N, 5),
    `shares` (B, N), `rows` (B, N) int64, `ignored`, `hangs` (B, N) bool. `outlined` (B,) bool.
    """

    pictures: Tensor
    numbers: Tensor
    unknown: Tensor
    filled: Tensor
    boxes: Tensor
    outlines: Tensor
    shares: Tensor
    rows: Tensor
    ignored: Tensor
    hangs: Tensor
    outlined: Tensor


@dataclass(frozen=True, slots=True)
class Window:
    """Crop px (x, y) show picture px (left + x / zoom, top + y / zoom), mirrored if `mirrored`."""

    left: float
    top: float
    zoom: float
    mirrored: bool


def choose_window(held: Held, rng: np.random.Generator, config: TrainingConfig) -> Window:
    """Somewhere in a picture, with fruit about as wide as the network will see them."""
    spread = config.fruit_px_spread
    fruit_px = config.working_fruit_px * exp(spread * float(rng.standard_normal()))
    fruit_px = float(np.clip(fruit_px, config.fruit_px_least, config.fruit_px_most))
    zoom = float(np.clip(fruit_px / held.fruit_px, config.zoom_least, config.zoom_most))
    height, width = held.levels[0].shape[1:]
    span = config.crop_px / zoom
    if len(held.boxes) and rng.random() < AROUND_A_FRUIT:
        box = held.boxes[int(rng.integers(len(held.boxes)))].tolist()
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        left = x - span * float(rng.uniform(0.1, 0.9))
        top = y - span * float(rng.uniform(0.1, 0.9))
    else:
        left = float(rng.uniform()) * (width - 0.8 * span) - 0.1 * span
        top = float(rng.uniform()) * (height - 0.8 * span) - 0.1 * span
    return Window(
        left=_within(left, span, width),
        top=_within(top, span, height),
        zoom=zoom,
        mirrored=bool(rng.random() < 0.5),
    )


def _within(start: float, span: float, length: float) -> float:
    """A start with at most a tenth of the window outside, or the middle where it is too large."""
    if span >= length:
        return (length - span) / 2
    return float(np.clip(start, -0.1 * span, length - 0.9 * span))


def cut(held: list[Held], windows: list[Window], size_px: int) -> Crops:
    """The crops of some pictures, one window each."""
    device = held[0].boxes.device
    batch = [_one(picture, window, size_px) for picture, window in zip(held, windows, strict=True)]
    slots = max(1, *(len(one.boxes) for one in batch))

    def padded(name: str, value: float) -> Tensor:
        first = getattr(batch[0], name)
        out = torch.full(
            (len(batch), slots, *first.shape[1:]), value, dtype=first.dtype, device=device
        )
        for row, one in enumerate(batch):
            out[row, : len(one.boxes)] = getattr(one, name)
        return out

    counts = torch.tensor([len(one.boxes) for one in batch], device=device)
    return Crops(
        pictures=torch.stack([one.picture for one in batch]),
        numbers=torch.stack([one.numbers for one in batch]),
        unknown=torch.stack([one.unknown for one in batch]),
        filled=torch.arange(slots, device=device)[None] < counts[:, None],
        boxes=padded("boxes", 0.0),
        outlines=padded("outlines", 1.0),
        shares=padded("shares", 0.0),
        rows=padded("rows", -1),
        ignored=padded("ignored", False),
        hangs=padded("hangs", False),
        outlined=torch.tensor([one.has_outlines for one in held], device=device),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _One:
    picture: Tensor
    numbers: Tensor
    unknown: Tensor
    boxes: Tensor
    outlines: Tensor
    shares: Tensor
    rows: Tensor
    ignored: Tensor
    hangs: Tensor


def _one(held: Held, window: Window, size_px: int) -> _One:
    boxes = _moved_boxes(held.boxes, window, size_px)
    inside = (
        (boxes[:, 0] < size_px - 0.5)
        & (boxes[:, 1] < size_px - 0.5)
        & (boxes[:, 2] > -0.5)
        & (boxes[:, 3] > -0.5)
    )
    index = inside.nonzero()[:, 0][:MOST_FRUIT]
    centre = (boxes[index, :2] + boxes[index, 2:]) / 2
    outside = ((centre < -0.5) | (centre > size_px - 0.5)).any(1)
    return _One(
        picture=_picture(held, window, size_px),
        numbers=_numbers(held, window, size_px, index),
        unknown=_unknown(held, window, size_px),
        boxes=boxes[index],
        outlines=_moved_outlines(held.outlines[index], window, size_px),
        shares=held.shares[index],
        rows=held.rows[index],
        ignored=held.ignored[index] | outside,
        hangs=held.hangs[index],
    )


def _moved_boxes(boxes: Tensor, window: Window, size_px: int) -> Tensor:
    x = (boxes[:, [0, 2]] - window.left) * window.zoom
    y = (boxes[:, [1, 3]] - window.top) * window.zoom
    if window.mirrored:
        x = (size_px - 1 - x).flip(1)
    return torch.stack([x[:, 0], y[:, 0], x[:, 1], y[:, 1]], dim=1)


def _moved_outlines(outlines: Tensor, window: Window, size_px: int) -> Tensor:
    out = outlines.clone()
    out[:, 0] = (outlines[:, 0] - window.left) * window.zoom
    out[:, 1] = (outlines[:, 1] - window.top) * window.zoom
    out[:, 2:4] *= window.zoom
    if window.mirrored:
        out[:, 0] = size_px - 1 - out[:, 0]
        out[:, 4] = -out[:, 4]
    return out


def _places(window: Window, size_px: int, step: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Picture columns and rows that crop px (or centres of cells of `step` px) show."""
    at = torch.arange(0, size_px, step, device=device) + (step - 1) / 2
    across = size_px - 1 - at if window.mirrored else at
    return window.left + across / window.zoom, window.top + at / window.zoom


def _picture(held: Held, window: Window, size_px: int) -> Tensor:
    """(3, S, S): from the level that has just more px than needed, between its px."""
    level = 0 if window.zoom > 0.75 else 1 if window.zoom > 0.375 else 2
    source, smaller = held.levels[level], 2**level
    x, y = _places(window, size_px, 1, source.device)
    # Centres of px: a smaller level's px (u) covers (smaller * u + (smaller - 1) / 2).
    u = (x - (smaller - 1) / 2) / smaller
    v = (y - (smaller - 1) / 2) / smaller
    height, width = source.shape[1:]
    span = (size_px - 1) / window.zoom / smaller
    low_u, high_u = _part(window.left / smaller, span, width)
    low_v, high_v = _part(window.top / smaller, span, height)
    part = source[:, low_v:high_v, low_u:high_u].float()
    grid_x = 2 * (u - low_u) / max(high_u - low_u - 1, 1) - 1
    grid_y = 2 * (v - low_v) / max(high_v - low_v - 1, 1) - 1
    grid = torch.stack(
        [grid_x[None, :].expand(size_px, -1), grid_y[:, None].expand(-1, size_px)], dim=-1
    )
    seen = functional.grid_sample((part - GREY)[None], grid[None], align_corners=True)[0]
    return seen + GREY


def _part(start: float, span: float, length: int) -> tuple[int, int]:
    """First and end of what a crop needs of a row or column, a few px more."""
    return max(int(start) - 3, 0), min(int(start + span) + 4, length)


def _numbers(held: Held, window: Window, size_px: int, index: Tensor) -> Tensor:
    """(S/4, S/4) int64: slot of the fruit seen at the centre of each cell."""
    cells = size_px // 4
    device = held.boxes.device
    if held.masks is None:
        return torch.full((cells, cells), -2, dtype=torch.int64, device=device)
    x, y = _places(window, size_px, 4, device)
    height, width = held.masks.shape
    column, row = x.round().long(), y.round().long()
    inside = ((row >= 0) & (row < height))[:, None] & ((column >= 0) & (column < width))[None]
    at = held.masks[row.clamp(0, height - 1)][:, column.clamp(0, width - 1)].long()
    slot_of = torch.full((70000,), -1, dtype=torch.int64, device=device)
    slot_of[held.numbers[index]] = torch.arange(len(index), device=device)
    slot_of[0] = -1
    return torch.where(inside, slot_of[at], -2)


def _unknown(held: Held, window: Window, size_px: int) -> Tensor:
    """(S/4, S/4) bool."""
    height, width = held.levels[0].shape[1:]
    x, y = _places(window, size_px, 4, held.boxes.device)
    out = ((x < 0) | (x > width - 1))[None] | ((y < 0) | (y > height - 1))[:, None]
    for left, top, right, bottom in held.grey_areas.tolist():
        across = (x > left - GREY_MARGIN_PX) & (x < right + GREY_MARGIN_PX)
        down = (y > top - GREY_MARGIN_PX) & (y < bottom + GREY_MARGIN_PX)
        out |= across[None] & down[:, None]
    return out
