"""What a process would measure with, so that two can be told apart before they work together."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import fruitvision
from fruitvision.fruit.detector import choose_detector
from fruitvision.fruit.learned import LearnedDetector
from fruitvision.fruit.model_card import CARD_NAME


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """A process's version and code, and the detector that it would use.

    `code_sha256` : of the package's source files. `model_sha256` : of a learned detector's card and
    weights, empty for others.
    """

    version: str
    code_sha256: str
    detector: str
    model_sha256: str


@cache
def program_here(detector_name: str) -> Program:
    """This process, if it measured with that detector.

    Raises
    ------
    DetectorUnknown, DetectorDamaged
        If it can't.
    """
    detector = choose_detector(detector_name)
    model = _model_sha256(detector) if isinstance(detector, LearnedDetector) else ""
    return Program(
        version=fruitvision.__version__,
        code_sha256=_code_sha256(),
        detector=f"{detector.name} {detector.version}",
        model_sha256=model,
    )


def difference(wanted: Program, found: Program) -> str:
    """What is another in `found`, in words, the most telling first; empty if nothing is."""
    if found.version != wanted.version:
        return f"It runs fruitvision {found.version}, this computer {wanted.version}."
    if found.detector != wanted.detector:
        return f"It has the detector {found.detector}, this computer {wanted.detector}."
    if found.model_sha256 != wanted.model_sha256:
        return f"Its model files of the detector {wanted.detector} are others than here."
    if found.code_sha256 != wanted.code_sha256:
        return f"It runs other program code than this computer, both called {wanted.version}."
    return ""


def _model_sha256(detector: LearnedDetector) -> str:
    """Of the card as it is written and of the weights, whose bytes were held against the card."""
    weights = detector.weights.file
    card = (weights.path.parent / CARD_NAME).read_bytes()
    return hashlib.sha256(card + weights.sha256.encode()).hexdigest()


@cache
def _code_sha256() -> str:
    """Of all source files of the package by name, with line ends as on Unix."""
    digest = hashlib.sha256()
    root = Path(fruitvision.__file__).parent
    for path in _sources(root):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()


def _sources(root: Path) -> Iterator[Path]:
    # `share` holds the app where the program is installed: it measures nothing.
    inside = (path for path in root.rglob("*.py") if path.relative_to(root).parts[0] != "share")
    return iter(sorted(inside))
