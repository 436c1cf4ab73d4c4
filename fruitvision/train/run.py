"""What the commands of `fruitvision train` do, whichever front calls them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from fruitvision.errors import TrainingError
from fruitvision.train.config import TrainingConfig, read_config
from fruitvision.train.pack_make import make_packs
from fruitvision.train.pack_plan import PackPlan
from fruitvision.whole_file import write_whole

if TYPE_CHECKING:
    from fruitvision.train.network import FruitNetwork

Say = Callable[[str], None]

# A copy of the config in the run's folder.
CONFIG_FILE = "config.toml"
# Hashes of the networks that a run learned from, if it learned from networks.
TEACHERS_FILE = "teachers.txt"
# Hash of the network that a run started from, if it did.
START_FILE = "start_network.txt"


def run_pack(plan: PackPlan, say: Say, *, processes: int) -> int:
    """Make packs; 0, or 1 if a picture was left out.

    Raises
    ------
    TrainingError
        If none can be made.
    """
    made = make_packs(plan, say, processes=processes)
    pictures = f"{made.pictures} picture{'' if made.pictures == 1 else 's'}"
    say(
        f"{pictures} with {made.fruit} fruit packed, {len(made.left_out)} left out: "
        f"{', '.join(map(str, made.folders))}"
    )
    return 1 if made.left_out else 0


def run_training(
    config: Path, out: Path, *, packs: Path | None, device: str, resume: bool, say: Say
) -> int:
    """Train; 0.

    Parameters
    ----------
    config : Path
        TOML file; a copy goes into `out`.
    packs : Path or None
        Where the packs of the config are; None: beside it.

    Raises
    ------
    SettingsError
        If the config makes no sense.
    TrainingError
        If the folder holds a training and `resume` is not set, or data or state do not fit.
    """
    chosen, kept = _config_of(config, out, packs, resume=resume)
    if chosen.encoder_weights is not None and not chosen.encoder_weights.is_file():
        raise TrainingError(
            f"The encoder's weights {chosen.encoder_weights} are not there.",
            fix="Correct 'encoder_weights', or leave it out for a random start.",
        )
    if not kept.exists():
        write_whole(kept, config.read_bytes())
    from fruitvision.train.loop import train

    start = None
    if chosen.start_network is not None:
        start, line = _shipped(chosen.start_network, "network to start from")
        write_whole(out / START_FILE, line.encode())
    trained = train(chosen, out, start=start, device=device, resume=resume, say=say)
    say(f"{trained.steps} steps in {trained.seconds / 60:.1f} min: {trained.weights}")
    return 0


def _config_of(
    config: Path, out: Path, packs: Path | None, *, resume: bool
) -> tuple[TrainingConfig, Path]:
    """The config, and where its copy is kept."""
    chosen = read_config(config, packs_folder=packs)
    kept = out / CONFIG_FILE
    if kept.exists() and not resume:
        raise TrainingError(
            f"{out} holds a training.", fix="Go on with it by --resume, or give a new folder."
        )
    return chosen, kept


def _shipped(path: Path, what: str) -> tuple[FruitNetwork, str]:
    """The network of an ONNX file, and a line with the file's hash and name."""
    from fruitvision.train.from_onnx import network_from

    try:
        content = path.read_bytes()
    except OSError as err:
        raise TrainingError(
            f"The {what} {path} can't be read.", fix="Give the model.onnx of a version."
        ) from err
    line = f"{sha256(content).hexdigest()} {path.parent.name}/{path.name}\n"
    return network_from(content), line


def run_distillation(
    config: Path,
    out: Path,
    teachers: Sequence[Path],
    *,
    packs: Path | None,
    device: str,
    say: Say,
) -> int:
    """Teach a copy of the first teacher what all of them see, rounded to eight bits; 0.

    Parameters
    ----------
    config : Path
        TOML file; a copy goes into `out`.
    teachers : sequence of Path
        ONNX files of shipped networks, in float.

    Raises
    ------
    SettingsError
        If the config makes no sense.
    TrainingError
        If the folder holds a training, or a teacher or pack can't be used.
    """
    chosen, kept = _config_of(config, out, packs, resume=False)
    from fruitvision.train.distil import distil

    networks, lines = [], []
    for teacher in teachers:
        network, line = _shipped(teacher, "teacher")
        networks.append(network)
        lines.append(line)
    write_whole(kept, config.read_bytes())
    write_whole(out / TEACHERS_FILE, "".join(lines).encode())
    distil(networks[0], networks[1:], chosen, out, device=device, say=say)
    say(f"{chosen.steps} steps: {out}")
    return 0


def run_evaluation(run: Path, packs: Sequence[Path], *, device: str, say: Say) -> int:
    """Evaluate a run's weights on packs; 0.

    Raises
    ------
    TrainingError
        If the run or a pack can't be used.
    """
    from fruitvision.train.evaluation import evaluate_run

    evaluate_run(run, packs, device=device, say=say)
    return 0


def run_export(run: Path, out: Path, *, calibrate: Path | None, say: Say) -> int:
    """Export a run's weights to ONNX; 0.

    `calibrate` : pack by which a network in eight bits is made too.

    Raises
    ------
    TrainingError
        If the run can't be used, or what was exported does not agree with it.
    """
    from fruitvision.train.export import export_model

    export_model(run, out, calibration_pack=calibrate, say=say)
    say(f"Exported: {out}")
    return 0
