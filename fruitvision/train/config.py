"""Every knob of a training: meaning, unit, source. Read from TOML; unknown keys are refused."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import asdict, dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any

from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.train.config_values import record_from

ENCODERS = ("lite0", "lite2")
PRECISIONS = ("bf16", "float32")
# The network halves a crop five times.
CROP_MULTIPLE_PX = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class PackChoice:
    """A pack to train on. `weight` : how often its pictures are drawn, against other packs.

    `last_weight` : the same at the last step, with a straight line between; None stays at `weight`.
    """

    folder: Path
    weight: float = 1.0
    last_weight: float | None = None

    def __post_init__(self) -> None:
        if not (isfinite(self.weight) and self.weight > 0):
            raise SettingsError(
                f"The weight of the pack {self.folder.name} is {self.weight}.",
                fix="Give a number above 0, or leave the pack out.",
            )
        if self.last_weight is not None:
            _check(f"last_weight of the pack {self.folder.name}", self.last_weight, 0.0, 1e6)

    def weight_at(self, progress: float) -> float:
        """Weight after that share of the steps, 0 to 1."""
        last = self.weight if self.last_weight is None else self.last_weight
        return self.weight + (last - self.weight) * progress


@dataclass(frozen=True, slots=True, kw_only=True)
class LossWeights:
    """What each loss counts in the sum. Our choice: each moves the shared layers about as much."""

    heat: float = 1.0
    behind: float = 1.0
    box: float = 1.0
    outline: float = 1.0
    share: float = 1.0
    pixels: float = 1.0
    votes: float = 1.0

    def __post_init__(self) -> None:
        for name, weight in asdict(self).items():
            _check(f"loss_weights.{name}", weight, 0.0, 1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseCrops:
    """Crops as from a camera with fewer px. Our choice of all three.

    `share` : of all crops; `least` : how much smaller at most, as a factor; `coded` : of these, the
    share that was a JPEG of that size, made larger as the detector does it.
    """

    share: float = 1 / 6
    least: float = 0.35
    coded: float = 0.0

    def __post_init__(self) -> None:
        _check("coarse.share", self.share, 0.0, 1.0)
        _check("coarse.least", self.least, 0.1, 0.8)
        _check("coarse.coded", self.coded, 0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainingConfig:
    """Numbers of one training. All but the packs have a default with its source beside it."""

    packs: tuple[PackChoice, ...]
    seed: int = 1

    # Time for all steps, minutes; used where `steps` is 0. A training is to fit in nine.
    minutes: float = 8.0
    # Number of steps; 0 takes as many as fit into `minutes`.
    steps: int = 0
    # Crops per step, and their side in px. From a probe: 16 crops of 640 to 768 px.
    batch: int = 16
    crop_px: int = 640

    # Highest learning rate, and the encoder's share of it: it starts from ImageNet. From a probe.
    learning_rate: float = 2e-3
    encoder_learning_rate_factor: float = 0.5
    # Of AdamW. Common practice.
    weight_decay: float = 0.02
    # Share of the steps in which the rate rises. Common practice.
    warmup_share: float = 0.05
    # What the running mean of the weights keeps each step. From a probe.
    ema_decay: float = 0.999

    # Least and most zoom of a picture. From a probe.
    zoom_least: float = 0.4
    zoom_most: float = 1.8
    # Width that a usual fruit of a crop is brought to, px: that of the network's working scale.
    working_fruit_px: float = 44.0
    # Spread of that width (standard deviation of its logarithm), and its limits, px. Our choice.
    fruit_px_spread: float = 0.3
    fruit_px_least: float = 14.0
    fruit_px_most: float = 110.0

    # Fruit of which less is seen are neither taught nor denied: a person would not box them. The
    # benchmark's limit.
    least_visible_share: float = 0.2

    # What rendered crops count in heat and boxes of this row, against photos: people box by other
    # rules than a renderer. From rounds of training: at 1, AP50 on real photos fell by 0.015.
    rendered_heat_weight: float = 0.3

    # Share of the crops whose light, grain and sharpness stay as they are, at the first step and at
    # the last, with a straight line between. Towards the end photos are learned as they come.
    plain_share: float = 0.0
    last_plain_share: float | None = None

    coarse: CoarseCrops = field(default_factory=CoarseCrops)
    loss_weights: LossWeights = field(default_factory=LossWeights)

    # Network: encoder, its published weights (none: random start), channels of the decoder at 16, 8
    # and 4 px, and separable layers before the output.
    encoder: str = "lite0"
    encoder_weights: Path | None = None
    # ONNX file of a shipped network of the same layers to start from, in float: all of it.
    start_network: Path | None = None
    decoder_channels: tuple[int, int, int] = (128, 96, 64)
    head_layers: int = 2

    # Of `distil`: share of what was learned in the weights that it ends with; the rest is what it
    # began with, which keeps it good at pictures that the packs lack (Wortsman et al. 2022, Robust
    # fine-tuning of zero-shot models, arXiv:2109.01903). From a round: 1 lost .016 F1 on rendered
    # photos after photos alone, a half lost .002.
    distilled_share: float = 0.5

    # Arithmetic on the accelerator.
    precision: str = "bf16"
    # Threads that decode pictures.
    workers: int = 8
    # Steps between checkpoints. Our choice: about a minute.
    checkpoint_steps: int = 500

    def __post_init__(self) -> None:
        if not self.packs:
            raise SettingsError(
                "The training config names no pack.", fix='Add [[packs]] with folder = "…".'
            )
        for name, (least, most) in _LIMITS.items():
            _check(name, getattr(self, name), least, most)
        if self.last_plain_share is not None:
            _check("last_plain_share", self.last_plain_share, 0.0, 1.0)
        _check_choice("encoder", self.encoder, ENCODERS)
        _check_choice("precision", self.precision, PRECISIONS)
        for low, high in (("zoom_least", "zoom_most"), ("fruit_px_least", "fruit_px_most")):
            if getattr(self, low) > getattr(self, high):
                raise SettingsError(
                    f"'{low}' is above '{high}' in the training config.", fix="Swap the two."
                )
        if not (self.steps or self.minutes):
            raise SettingsError(
                "The training config gives no length.", fix="Set 'minutes' or 'steps' above 0."
            )
        if self.crop_px % CROP_MULTIPLE_PX:
            raise SettingsError(
                f"'crop_px' is {self.crop_px} in the training config.",
                fix=f"Give a multiple of {CROP_MULTIPLE_PX}.",
            )
        if min(self.decoder_channels) < 1:
            raise SettingsError(
                f"'decoder_channels' is {self.decoder_channels} in the training config.",
                fix="Give numbers above 0.",
            )

    def plain_share_at(self, progress: float) -> float:
        """Share of crops left in their own light after that share of the steps, 0 to 1."""
        last = self.plain_share if self.last_plain_share is None else self.last_plain_share
        return self.plain_share + (last - self.plain_share) * progress

    @property
    def sha256(self) -> str:
        """Hash of all values; of files and folders only the names, so that they may be moved."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def to_json(self) -> str:
        """All values, of files and folders only the names."""
        return json.dumps(asdict(self), default=_name, sort_keys=True)


_LIMITS: dict[str, tuple[float, float]] = {
    "seed": (0, 2**31 - 1),
    "minutes": (0.0, 10_000.0),
    "steps": (0, 10_000_000),
    "batch": (1, 4096),
    "crop_px": (CROP_MULTIPLE_PX, 4096),
    "learning_rate": (1e-9, 10.0),
    "encoder_learning_rate_factor": (0.0, 10.0),
    "weight_decay": (0.0, 10.0),
    "warmup_share": (0.0, 0.9),
    "ema_decay": (0.0, 0.999999),
    "zoom_least": (0.01, 100.0),
    "zoom_most": (0.01, 100.0),
    "working_fruit_px": (1.0, 1000.0),
    "fruit_px_spread": (0.0, 3.0),
    "fruit_px_least": (1.0, 1000.0),
    "fruit_px_most": (1.0, 1000.0),
    "rendered_heat_weight": (0.0, 100.0),
    "least_visible_share": (0.0, 1.0),
    "plain_share": (0.0, 1.0),
    "head_layers": (0, 20),
    "distilled_share": (0.0, 1.0),
    "workers": (1, 256),
    "checkpoint_steps": (1, 10_000_000),
}


def read_config(path: Path, *, packs_folder: Path | None = None) -> TrainingConfig:
    """Config from a TOML file.

    Parameters
    ----------
    packs_folder : Path or None
        Where folders of packs that are not absolute are looked for; None: beside the file, as
        every other path.

    Raises
    ------
    SettingsError
        If it can't be read, has an unknown key, or a value of the wrong kind or size.
    """
    try:
        given: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as err:
        raise SettingsError(
            f"Can't read the training config {path}.", fix="Give a TOML file as --config."
        ) from err
    except tomllib.TOMLDecodeError as err:
        raise SettingsError(
            f"The training config {path} is no TOML: {err}.", fix="Write lines such as batch = 16."
        ) from err
    folder = path.parent
    paths = {"packs.folder": packs_folder or folder}
    config: TrainingConfig = record_from(TrainingConfig, given, folder=folder, folders=paths)
    return config


def _name(value: object) -> str:
    return value.name if isinstance(value, Path) else str(value)


def _check(name: str, value: float, least: float, most: float) -> None:
    if not least <= value <= most:
        raise SettingsError(
            f"'{name}' is {value} in the training config.",
            fix=f"Give a number from {least} to {most}.",
        )


def _check_choice(name: str, value: str, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise SettingsError(
            f"'{name}' is '{value}' in the training config.", fix=did_you_mean(value, choices)
        )
