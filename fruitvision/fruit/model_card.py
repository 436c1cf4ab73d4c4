"""What is written on the card of a learned detector, and the bytes it vouches for.

`models/<name>/<version>/card.toml`:

    name = "learned"
    version = "1"
    licence = "Apache-2.0"
    source = "..."
    trained_on = "..."
    intended_use = "..."
    known_limits = "..."
    default_weights = "float"   # a table under [weights]
    fruit_width_px = 44.0       # working scale: longer side of the usual fruit's visible box ...
    mm_per_px = 1.6             # ... and where a marker tells the scale
    score_threshold = 0.4       # lowest chance that counts as fruit
    most_overlap = 0.5          # overlap of two visible boxes from which they are one fruit
    count_error = 0.06          # standard deviation of a photo's count, share of it

    [calibration]               # score of the network -> chance that it is a fruit
    slope = 1.1                 # chance = logistic(slope * logit(score) + offset), or, instead,
    offset = -0.2               # scores = [0.0, 0.5, 1.0] and chances = [0.0, 0.4, 0.9]
    per_doubling = 2.4          # more to the logit where a small picture is made larger; or none

    [weights.float]             # and any other, such as [weights.int8]
    file = "model.onnx"
    sha256 = "..."
    probe_tolerance = 0.01      # largest difference of a cell on another machine

    [probe]                     # arrays `picture` and, for every weights, `cells_<weights>`
    file = "probe.npz"
    sha256 = "..."

    [[figures]]
    what = "F1, overlap 0.5"
    value = "0.91"
    on = "row photos, test rows"
    date = "2026-11-20"
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from fruitvision.errors import DetectorDamaged
from fruitvision.fruit.calibration import Calibration
from fruitvision.fruit.card_table import CardTable

CARD_NAME = "card.toml"
# Name of the weights that are not rounded.
EXACT = "float"
# Widths in px and mm per px beyond these are slips of the pen.
SCALES = (0.01, 1000.0)
FIX = "Install the program again, or choose another detector with --detector."


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedFile:
    """A file of the card's folder, and what its bytes must hash to."""

    path: Path
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """One of the networks of a card. `probe_tolerance`: largest difference of a cell's value."""

    name: str
    file: CheckedFile
    probe_tolerance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One measured figure, in words."""

    what: str
    value: str
    on: str
    date: str

    def __str__(self) -> str:
        return f"{self.what}: {self.value} on {self.on} ({self.date})"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelCard:
    """A learned detector: where it is from, how it is run, and how far to trust it.

    Its fields are those of the file, see above.
    """

    name: str
    version: str
    licence: str
    source: str
    trained_on: str
    intended_use: str
    known_limits: str
    weights: tuple[Weights, ...]
    default_weights: str
    probe: CheckedFile
    fruit_width_px: float
    mm_per_px: float
    score_threshold: float
    most_overlap: float
    count_error: float
    calibration: Calibration
    figures: tuple[Figure, ...]

    @property
    def exact_weights(self) -> Weights:
        """Those to teach, and to run on a GPU: in float, else whatever the card takes."""
        names = (EXACT, self.default_weights)
        return next(one for name in names if (one := self.weights_named(name)) is not None)

    def weights_named(self, name: str) -> Weights | None:
        """The weights of that name, None if there are none."""
        return next((one for one in self.weights if one.name == name), None)

    @property
    def facts(self) -> tuple[str, ...]:
        """Lines for a person."""
        kinds = ", ".join(
            f"{one.name} (used)" if one.name == self.default_weights else one.name
            for one in self.weights
        )
        return (
            f"Meant for: {self.intended_use}",
            f"Trained on: {self.trained_on}",
            f"Source: {self.source}. Licence: {self.licence}.",
            f"Weights: {kinds}. Choose others with --detector {self.name}:NAME.",
            f"Counts as fruit what is one with a chance of {self.score_threshold:.0%} or more. "
            f"The count of one photo errs by {self.count_error:.0%} (standard deviation).",
            *(str(figure) for figure in self.figures),
        )


def newest_version(models: Path, name: str) -> Path:
    """Folder of a detector's highest version: 10 is above 9, 1.2 above 1.

    Raises
    ------
    DetectorDamaged
        If there is none.
    """
    versions = [path.parent for path in (models / name).glob(f"*/{CARD_NAME}")]
    if not versions:
        raise DetectorDamaged(
            f"The detector '{name}' is not part of this installation: {models / name} has no card.",
            fix=FIX,
        )
    return max(versions, key=lambda folder: (_numbers(folder.name), folder.name))


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", version))


def read_card(folder: Path) -> ModelCard:
    """The card of a version's folder.

    Raises
    ------
    DetectorDamaged
        If it can't be read, lacks a key, has one more, or a value of the wrong kind.
    """
    path = folder / CARD_NAME
    try:
        with path.open("rb") as stream:
            content = tomllib.load(stream)
    except (OSError, ValueError) as err:
        raise DetectorDamaged(f"The card {path} can't be read: {err}.", fix=FIX) from err
    card = CardTable(content, place=str(path))
    weights = card.table("weights")
    probe = card.table("probe")
    read = ModelCard(
        name=card.text("name"),
        version=card.text("version"),
        licence=card.text("licence"),
        source=card.text("source"),
        trained_on=card.text("trained_on"),
        intended_use=card.text("intended_use"),
        known_limits=card.text("known_limits"),
        default_weights=card.text("default_weights"),
        fruit_width_px=card.number("fruit_width_px", *SCALES),
        mm_per_px=card.number("mm_per_px", *SCALES),
        score_threshold=card.number("score_threshold", 0.0, 1.0),
        most_overlap=card.number("most_overlap", 0.0, 1.0),
        count_error=card.number("count_error", 0.0, 1.0),
        weights=tuple(_weights(weights.table(name), name, folder) for name in weights.keys),
        probe=_checked_file(probe, folder),
        calibration=_calibration(card.table("calibration")),
        figures=tuple(_figure(one) for one in card.tables("figures")),
    )
    for table in (card, weights, probe):
        table.nothing_else()
    if read.weights_named(read.default_weights) is None:
        raise DetectorDamaged(
            f"The card {path} takes weights '{read.default_weights}', which it does not list.",
            fix=FIX,
        )
    return read


def _weights(table: CardTable, name: str, folder: Path) -> Weights:
    weights = Weights(
        name=name,
        file=_checked_file(table, folder),
        probe_tolerance=table.number("probe_tolerance", 0.0, 100.0),
    )
    table.nothing_else()
    return weights


def _checked_file(table: CardTable, folder: Path) -> CheckedFile:
    return CheckedFile(path=folder / table.text("file"), sha256=table.text("sha256"))


def _calibration(table: CardTable) -> Calibration:
    keys = set(table.keys)
    try:
        # Cards of detectors that were never tried on small pictures do without.
        enlarged = "per_doubling" in keys
        per_doubling = table.number("per_doubling", 0.0, 100.0) if enlarged else 0.0
        if "scores" in keys:
            calibration = Calibration(
                scores=table.numbers("scores"),
                chances=table.numbers("chances"),
                per_doubling=per_doubling,
            )
        else:
            calibration = Calibration(
                slope=table.number("slope", 0.0, 100.0),
                offset=table.number("offset", -100.0, 100.0),
                per_doubling=per_doubling,
            )
    except ValueError as err:
        raise DetectorDamaged(f"{table.place}: {err}.", fix=FIX) from err
    table.nothing_else()
    return calibration


def _figure(table: CardTable) -> Figure:
    figure = Figure(**{name: table.text(name) for name in ("what", "value", "on", "date")})
    table.nothing_else()
    return figure


def checked_bytes(file: CheckedFile) -> bytes:
    """The bytes of a file, once they are known to be those that the card vouches for.

    Raises
    ------
    DetectorDamaged
        If the file is missing or altered.
    """
    try:
        content = file.path.read_bytes()
    except OSError as err:
        raise DetectorDamaged(
            f"The detector's file {file.path} can't be read: {err.strerror or err}.", fix=FIX
        ) from err
    found = hashlib.sha256(content).hexdigest()
    if found != file.sha256:
        raise DetectorDamaged(
            f"The detector's file {file.path} was altered or damaged: its sha256 is "
            f"{found[:12]}..., the card says {file.sha256[:12]}....",
            fix=FIX,
        )
    return content


def vouch_for(file: CheckedFile) -> None:
    """Refuse as `checked_bytes` does, but read a file again only once it was written to.

    Whoever asks for the detector's name or figures asks many times for one page; the bytes that a
    network is made of are always those that `checked_bytes` has hashed.

    Raises
    ------
    DetectorDamaged
        If the file is missing or altered.
    """
    try:
        found = file.path.stat()
    except OSError:
        checked_bytes(file)
        return
    _vouched_for(file, found.st_mtime_ns, found.st_size)


@lru_cache(maxsize=16)
def _vouched_for(file: CheckedFile, _written_ns: int, _size_bytes: int) -> None:
    checked_bytes(file)


def largest_difference(cells: np.ndarray, wanted: np.ndarray) -> float:
    """Between two outputs of a network; infinite if their shapes differ or one is not finite."""
    if cells.shape != wanted.shape or not np.isfinite(cells).all():
        return float("inf")
    return float(np.abs(cells - wanted).max(initial=0.0))
