"""Fruit by a small network: the picture at working scale, its cells, and fruit read from them.

What it knows of itself is on its card (`models/<name>/<version>/card.toml`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import DetectorUnknown, did_you_mean
from fruitvision.fruit.cells import Peaks
from fruitvision.fruit.detector import Detections, Image, no_fruit
from fruitvision.fruit.foliage import LEAST_FOLIAGE_SHARE, foliage_share
from fruitvision.fruit.mirrored import BothWays, is_looked_at_twice
from fruitvision.fruit.model_card import (
    ModelCard,
    Weights,
    newest_version,
    read_card,
    vouch_for,
)
from fruitvision.fruit.session import network_of
from fruitvision.fruit.tiles import GivesCells, Seen, see
from fruitvision.fruit.votes import Votes, masks_of
from fruitvision.fruit.working_scale import (
    Look,
    Zoom,
    is_far_too_small,
    look_of,
    resampled,
    working_factor,
)
from fruitvision.share import shared_folder

Floats = NDArray[np.float64]

# Sure fruit from which on the less sure ones of a small picture gain all that its size gives them.
# Our choice: noise and faces, made larger, hold a few things that look like fruit.
VOUCHING = 6


@dataclass(frozen=True, slots=True)
class LearnedDetector:
    """The network of a card. `threshold` is the lowest score that counts as fruit.

    Scores are chances that what was found is a fruit, calibrated as the card says.
    """

    card: ModelCard
    weights: Weights
    threshold: float

    @property
    def name(self) -> str:
        """Name by which it is chosen."""
        usual = self.weights.name == self.card.default_weights
        return self.card.name if usual else f"{self.card.name}:{self.weights.name}"

    @property
    def version(self) -> str:
        """Of the card: its folder never changes."""
        return self.card.version

    @property
    def limits(self) -> str:
        """Where it fails."""
        return self.card.known_limits

    @property
    def facts(self) -> tuple[str, ...]:
        """What else is on the card, in lines."""
        return self.card.facts

    @property
    def count_error(self) -> float:
        """Standard deviation of a photo's count, as a share of it."""
        return self.card.count_error

    def detect(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """Fruit in `image`, an (H, W, 3) uint8 RGB picture; `mm_per_px` helps if known.

        A picture without leaves enough for a tree has none: round things elsewhere look like fruit.

        Raises
        ------
        DetectorDamaged
            If the network can't be run as it must.
        """
        return self._those_of(image, mm_per_px, self.threshold)

    def detect_all(self, image: Image, *, mm_per_px: float | None) -> Detections:
        """All candidates, whatever their score: `detect` gives those at or above `threshold`."""
        return self._those_of(image, mm_per_px, 0.0)

    def _those_of(self, image: Image, mm_per_px: float | None, least: float) -> Detections:
        if foliage_share(image) < LEAST_FOLIAGE_SHARE:
            return no_fruit()
        found = _found(image, self, mm_per_px)
        return _detections(found, _chances(found, self), image, least)

    def working_zoom(self, image: Image, *, mm_per_px: float | None) -> float:
        """How many times as large as it is the network sees `image`: for tables of figures."""
        return _found(image, self, mm_per_px).zoom.mean


def learned_detector(
    name: str = "learned", weights: str = "", *, models: Path | None = None
) -> LearnedDetector:
    """The newest version of a learned detector, its files checked.

    Parameters
    ----------
    name : str
        Folder in `models`.
    weights : str
        Which of the card's networks; the card's default if empty.
    models : Path, optional
        Where cards are; what came with this installation if left out.

    Raises
    ------
    DetectorDamaged
        If card or weights are missing, altered or damaged.
    DetectorUnknown
        If the card lists no such weights.
    """
    return detector_in(newest_version(models or shared_folder("models"), name), weights)


def detector_in(folder: Path, weights: str = "") -> LearnedDetector:
    """The learned detector of a version's folder, its files checked.

    Raises
    ------
    DetectorDamaged
        If card or weights are missing, altered or damaged.
    DetectorUnknown
        If the card lists no such weights.
    """
    card = read_card(folder)
    chosen = card.weights_named(weights or card.default_weights)
    if chosen is None:
        raise DetectorUnknown(
            f"The detector '{card.name}' has no weights '{weights}'.",
            fix=did_you_mean(weights, (one.name for one in card.weights)),
        )
    vouch_for(chosen.file)
    return LearnedDetector(card, chosen, card.score_threshold)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """All candidates of a picture made `zoom` times as large, in its px, and their scores."""

    seen: Seen
    scores: Floats
    zoom: Zoom


def _found(image: Image, detector: LearnedDetector, mm_per_px: float | None) -> _Found:
    card = detector.card
    network = network_of(card, detector.weights)
    image = np.ascontiguousarray(image)
    known = None if mm_per_px is None else mm_per_px / card.mm_per_px
    # The last look is often the one that is wanted.
    looks: dict[float, _Found] = {}

    def told_by(factor: float, peaks: Peaks) -> Look:
        # As if not enlarged: what is drawn out too far must not tell the scale.
        chances = card.calibration.chance_of(_best_scores(peaks))
        return look_of(factor, peaks, chances, detector.threshold)

    def look(factor: float) -> Look:
        def is_enough(middle: Peaks) -> bool:
            return known is not None and is_far_too_small(
                told_by(factor, middle), card.fruit_width_px
            )

        looks.clear()
        found = _at_scale(image, network, card, factor, is_enough)
        if found.seen.is_whole:
            looks[factor] = found
        return told_by(factor, found.seen.peaks)

    factor = working_factor(image, look, known=known, wanted_px=card.fruit_width_px)
    if is_looked_at_twice(image, factor):
        return _at_scale(image, BothWays(network), card, factor)
    return looks.get(factor) or _at_scale(image, network, card, factor)


def _at_scale(
    image: Image,
    network: GivesCells,
    card: ModelCard,
    factor: float,
    is_enough: Callable[[Peaks], bool] = lambda middle: False,
) -> _Found:
    picture, zoom = resampled(image, factor)
    seen = see(picture, network, most_overlap=card.most_overlap, is_enough=is_enough)
    return _Found(seen, _best_scores(seen.peaks), zoom)


def _chances(found: _Found, detector: LearnedDetector) -> Floats:
    """Of each candidate, the more for a picture made larger the more sure fruit vouch for it."""
    calibration = detector.card.calibration
    chances = calibration.chance_of(found.scores)
    sure = int((chances >= detector.threshold).sum())
    return calibration.chance_of(
        found.scores, zoom=found.zoom.mean, share=min(1.0, sure / VOUCHING)
    )


def _best_scores(peaks: Peaks) -> Floats:
    """As a fruit of this row or of one behind."""
    return np.asarray(np.maximum(peaks.scores, peaks.behind_scores), dtype=np.float64)


def _detections(found: _Found, chances: Floats, image: Image, least_chance: float) -> Detections:
    """Those of that chance or more, in px of the picture itself."""
    keep = chances >= least_chance
    if not keep.any():
        return no_fruit()
    peaks = found.seen.peaks.take(keep)
    outlines = found.zoom.outlines_to_full(peaks.outlines)
    boxes = found.zoom.boxes_to_full(peaks.boxes)
    masks, origins = masks_of(
        outlines, boxes, Votes(found.seen.pixels, found.zoom, (image.shape[0], image.shape[1]))
    )
    return Detections(
        outlines=outlines,
        masks=masks,
        mask_origins=origins,
        visible_shares=peaks.visible_shares,
        scores=chances[keep],
        on_this_row=peaks.scores >= peaks.behind_scores,
        boxes=boxes,
    )
