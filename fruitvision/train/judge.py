"""A network on whole pictures of a pack: what training is judged by.

Simpler than the product: the true width of fruit sets the scale, and there are no tiles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch.nn import functional

from fruitvision.evaluate.average_precision import average_precision, best_rates
from fruitvision.evaluate.matching import THERE, TIGHT, USUAL, match, overlaps_of
from fruitvision.fruit.cells import MULTIPLE_PX, Peaks, decode, drop_duplicates
from fruitvision.fruit.tiles import LEAST_SCORE
from fruitvision.train.album import Held
from fruitvision.train.crops import GREY
from fruitvision.train.network import FruitNetwork

Floats = NDArray[np.float64]

# Overlap of two boxes from which they are one fruit. Our choice: 0.45 to 0.7 judge alike.
MOST_OVERLAP = 0.5


@dataclass(frozen=True, slots=True)
class Judgement:
    """Figures of one network at one width of fruit. Overlaps as shares, counts in per cent."""

    fruit_px: float
    ap50: float
    ap75: float
    f1_50: float
    f1_20: float
    threshold: float
    count_bias: float
    count_error: float

    def words(self) -> str:
        """One line."""
        return (
            f"{self.fruit_px:4.0f} px: AP50 {self.ap50:.3f} AP75 {self.ap75:.3f} "
            f"F1 {self.f1_50:.3f} F1@.2 {self.f1_20:.3f} at {self.threshold:.2f}, count "
            f"{self.count_bias:+.1f} {self.count_error:.1f} %"
        )


@torch.no_grad()
def look(network: FruitNetwork, held: Held, fruit_px: float) -> Peaks:
    """Fruit of a whole picture, in its own px."""
    zoom = fruit_px / held.fruit_px
    level = 0 if zoom > 0.75 else 1
    source = held.levels[level].float()[None]
    height, width = held.levels[0].shape[1:]
    high, wide = round(height * zoom), round(width * zoom)
    picture = functional.interpolate(
        source, (high, wide), mode="bilinear", antialias=zoom * 2**level < 1
    )
    pad = (-wide % MULTIPLE_PX, -high % MULTIPLE_PX)
    picture = functional.pad(picture, (0, pad[0], 0, pad[1]), value=GREY)
    mixed = picture.device.type == "cuda"
    with torch.autocast("cuda", torch.bfloat16, enabled=mixed):
        cells = network(picture.contiguous(memory_format=torch.channels_last))
    found = decode(cells[0].float().cpu().numpy(), least_score=LEAST_SCORE)
    found = found.take(drop_duplicates(found.boxes, found.scores, most_overlap=MOST_OVERLAP))
    scale = np.array([width / wide, height / high] * 2)
    boxes = (found.boxes + 0.5) * scale - 0.5
    # What is seen ends with the picture.
    boxes = np.clip(boxes, -0.5, [width - 0.5, height - 0.5] * 2)
    outlines = found.outlines.copy()
    outlines[:, :2] = (outlines[:, :2] + 0.5) * scale[:2] - 0.5
    outlines[:, 2:4] *= scale[0]
    return Peaks(
        boxes=boxes,
        outlines=outlines,
        visible_shares=found.visible_shares,
        scores=found.scores,
        behind_scores=found.behind_scores,
        cells=found.cells,
    )


def judge(network: FruitNetwork, album: Sequence[Held], fruit_px: float) -> Judgement:
    """Figures over all pictures; the threshold is that of the best F1, counts are taken there."""
    network.eval()
    scores, right50, right75, right20, wanted, of = [], [], [], [], [], []
    for number, held in enumerate(album):
        found = look(network, held, fruit_px)
        found = found.take(found.scores >= found.behind_scores)
        found = found.take(~_in_grey(found.boxes, held))
        truth = held.boxes.double().cpu().numpy()
        # `hold` ignores what is hardly seen.
        skipped = (held.ignored | (held.rows != 0) | ~held.hangs).cpu().numpy()
        crowd = np.zeros(len(truth), dtype=np.bool_)
        overlap = overlaps_of(found.boxes, truth, crowd)
        matches = [
            match(overlap, found.scores, skipped, crowd, least_overlap=least)
            for least in (USUAL, TIGHT, THERE)
        ]
        counted = ~matches[0].ignored
        scores.append(found.scores[counted])
        right50.append(matches[0].right[counted])
        right75.append(matches[1].right[counted])
        right20.append(matches[2].right[counted])
        of.append(np.full(int(counted.sum()), number))
        wanted.append(int((~skipped).sum()))
    network.train()
    score, right = np.concatenate(scores), np.concatenate(right50)
    each, of_all = np.array(wanted, dtype=float), sum(wanted)
    best = best_rates(score, right, of_all)
    threshold = best.threshold or 0.5
    got = np.bincount(np.concatenate(of)[score >= threshold], minlength=len(album))
    off = (got - each) / np.maximum(each, 1)
    return Judgement(
        fruit_px=fruit_px,
        ap50=average_precision(score, right, of_all) or 0.0,
        ap75=average_precision(score, np.concatenate(right75), of_all) or 0.0,
        f1_50=best.f1 or 0.0,
        f1_20=best_rates(score, np.concatenate(right20), of_all).f1 or 0.0,
        threshold=threshold,
        count_bias=100 * float(got.sum() / each.sum() - 1),
        count_error=100 * float(np.abs(off[each > 0]).mean()),
    )


def _in_grey(boxes: Floats, held: Held) -> NDArray[np.bool_]:
    x, y = (boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2
    out = np.zeros(len(boxes), dtype=np.bool_)
    for left, top, right, bottom in held.grey_areas.tolist():
        out |= (x > left) & (x < right) & (y > top) & (y < bottom)
    return out
