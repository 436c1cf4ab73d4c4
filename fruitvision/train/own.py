"""A farm's own detector: the shipped one, taught by checked photos, as a folder with its card."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import torch

from fruitvision.errors import TrainingError
from fruitvision.fruit.learned import LearnedDetector
from fruitvision.fruit.model_card import EXACT, checked_bytes, read_card
from fruitvision.train.album import hold
from fruitvision.train.card_facts import CalibrationFacts, CardFacts, FileFacts, write_card
from fruitvision.train.export import write_version
from fruitvision.train.fine_tune import Taught, Teaching, fine_tune
from fruitvision.train.from_onnx import network_from
from fruitvision.train.pack import read_pack

Say = Callable[[str], None]

# What such a detector is called. Each has a version of its own, by its weights.
OWN_NAME = "own"


@dataclass(frozen=True, slots=True)
class PacksToTeach:
    """Folders of packs: to learn from, and to choose the best round by."""

    learn: Path
    choose: Path


def teach(
    base: LearnedDetector, packs: PacksToTeach, teaching: Teaching, *, say: Say, device: str = "cpu"
) -> Taught:
    """The best network that the packs make of a detector.

    Raises
    ------
    TrainingError
        If the detector is no network of ours, a pack can't be used, or there is no accelerator.
    DetectorDamaged
        If its file is missing or altered.
    """
    if device == "cuda" and not torch.cuda.is_available():
        raise TrainingError("There is no accelerator.", fix="Train with --device cpu.")
    network = network_from(checked_bytes(base.card.exact_weights.file))
    where = torch.device(device)
    learn, choose = hold([read_pack(packs.learn), read_pack(packs.choose)], where, threads=2)
    return fine_tune(
        network.to(where), learn, choose, teaching, fruit_px=base.card.fruit_width_px, say=say
    )


def write_own(folder: Path, taught: Taught, facts: CardFacts, *, day: str, say: Say) -> None:
    """The network as a detector's folder; its version is the day and its weights' hash.

    Raises
    ------
    TrainingError
        If ONNX does not give what torch gives.
    """
    write_version(folder, replace(facts, version=day), taught.network.cpu(), say)
    sha256 = read_card(folder).weights[0].file.sha256
    rewrite_card(folder, replace(facts, version=f"{day} {sha256[:8]}"))


def rewrite_card(folder: Path, facts: CardFacts) -> None:
    """The card of a folder with other facts, about the same files.

    Raises
    ------
    DetectorDamaged
        If a fact is out of its range.
    """
    card = read_card(folder)
    weights = {
        one.name: FileFacts(
            file=one.file.path.name, sha256=one.file.sha256, probe_tolerance=one.probe_tolerance
        )
        for one in card.weights
    }
    probe = FileFacts(file=card.probe.path.name, sha256=card.probe.sha256)
    write_card(folder, facts, weights, probe)


def facts_of(base: LearnedDetector) -> CardFacts:
    """What the new card takes over from the detector that it comes from."""
    card, calibration = base.card, base.card.calibration
    return CardFacts(
        name=OWN_NAME,
        licence=card.licence,
        source=f"fruitvision models train; from {card.name} {card.version}. Its own: {card.source}",
        trained_on=card.trained_on,
        intended_use=card.intended_use,
        known_limits=card.known_limits,
        default_weights=EXACT,
        fruit_width_px=card.fruit_width_px,
        mm_per_px=card.mm_per_px,
        score_threshold=card.score_threshold,
        most_overlap=card.most_overlap,
        count_error=card.count_error,
        calibration=CalibrationFacts(
            slope=calibration.slope,
            offset=calibration.offset,
            per_doubling=calibration.per_doubling,
            scores=calibration.scores,
            chances=calibration.chances,
        ),
    )
