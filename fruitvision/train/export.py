"""A run's network as ONNX with its card, once both are proved to give the same."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch
from numpy.typing import NDArray

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import Cells
from fruitvision.fruit.model_card import CARD_NAME, largest_difference
from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.train.card_facts import (
    FACTS_FILE,
    CardFacts,
    FileFacts,
    filled,
    read_facts,
    write_card,
)
from fruitvision.train.config import TrainingConfig
from fruitvision.train.finished_run import FinishedRun, read_finished
from fruitvision.train.manifest import MANIFEST_FILE, read_manifest
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import body_of, with_picture
from fruitvision.train.pack import read_pack
from fruitvision.train.probe import odd_picture, probe_picture
from fruitvision.train.run import CONFIG_FILE, START_FILE, TEACHERS_FILE
from fruitvision.whole_file import write_whole

if TYPE_CHECKING:
    from onnx import ModelProto

Say = Callable[[str], None]
Image = NDArray[np.uint8]

FLOAT_FILE, INT8_FILE, PROBE_FILE = "model.onnx", "model_int8.onnx", "probe.npz"
# Largest difference of a cell between torch and ONNX. Our choice: sums of some hundred numbers in
# another order differ by less.
SAME = 1e-3
# What another computer may differ by: a hundredth is 1 % of a length and 0.3 points of a chance.
FLOAT_TOLERANCE = 0.01
# The int8 network may differ by this many times what its own two ways of running differ by, which
# round alike steps to different sides; and by this at least. Our choice.
INT8_TIMES, INT8_LEAST = 3.0, 0.05


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    """One of the networks: its bytes, and what another computer may differ by."""

    file: str
    content: bytes
    tolerance: float


def export_model(
    run: Path, out: Path, *, calibration_pack: Path | None = None, say: Say = lambda _: None
) -> None:
    """Write model.onnx, probe.npz and card.toml, and with a pack model_int8.onnx.

    Facts for the card are taken from card_facts.toml in the run's folder (`CardFacts`); without it
    the card is a draft.

    Parameters
    ----------
    run : Path
        Folder of a finished training.
    out : Path
        New folder of a version.
    calibration_pack : Path or None
        Pack whose pictures set the steps of the int8 network; None: no such network.
    say : callable
        Gets the differences found.

    Raises
    ------
    SettingsError
        If config or facts make no sense.
    TrainingError
        If the run can't be used, or ONNX does not give what torch gives.
    DetectorDamaged
        If a fact is out of its range.
    """
    if (out / CARD_NAME).exists():
        raise TrainingError(
            f"{out} holds a model.", fix="Give a new folder: a version never changes."
        )
    finished = read_finished(run)
    facts = read_facts(run / FACTS_FILE)
    if facts is None:
        say(f"{run / FACTS_FILE} is missing: the card is a draft.")
    body = body_of(finished.network)
    made = {"float": _float(finished.network, body, say)}
    if calibration_pack is not None:
        made["int8"] = _int8(body, calibration_pack, finished.config, say)
    _write(out, _facts(facts or CardFacts(), run, finished, out.name), made)


def write_version(out: Path, facts: CardFacts, network: FruitNetwork, say: Say) -> None:
    """A network, in float, as a version's folder with these facts on its card.

    Raises
    ------
    TrainingError
        If ONNX does not give what torch gives.
    DetectorDamaged
        If a fact is out of its range.
    """
    _write(out, facts, {"float": _float(network, body_of(network), say)})


def _float(network: FruitNetwork, body: ModelProto, say: Say) -> _Made:
    content = with_picture(body).SerializeToString()
    for picture in (probe_picture(), odd_picture()):
        found = largest_difference(_run(content, picture), cells_of(network, picture))
        height, width = picture.shape[:2]
        say(f"torch and ONNX differ by at most {found:.2g} on {width} x {height} px.")
        if not found <= SAME:
            raise TrainingError(
                f"ONNX gives other cells than torch: off by {found:.3g}, at most {SAME} is right.",
                fix="Use the versions of torch and onnxruntime that pyproject.toml names.",
            )
    return _Made(FLOAT_FILE, content, FLOAT_TOLERANCE)


def _int8(body: ModelProto, pack: Path, config: TrainingConfig, say: Say) -> _Made:
    from fruitvision.train.quantise import calibration_pictures, quantised, run_in_float

    pictures = calibration_pictures(read_pack(pack), config.working_fruit_px)
    content = with_picture(quantised(body, pictures)).SerializeToString()
    picture = probe_picture()
    exact = _run(content, picture)
    rounding = largest_difference(exact, run_in_float(content, picture))
    change = largest_difference(exact, _run(with_picture(body).SerializeToString(), picture))
    say(f"int8 and float differ by at most {change:.2g}, int8 run in two ways by {rounding:.2g}.")
    return _Made(INT8_FILE, content, max(INT8_LEAST, round(INT8_TIMES * rounding, 2)))


@torch.no_grad()
def cells_of(network: FruitNetwork, picture: Image) -> Cells:
    """What torch gives for a picture (H, W, 3): (CHANNELS, H / 4, W / 4)."""
    planes = torch.from_numpy(picture).permute(2, 0, 1)[None].float()
    cells: Cells = network.eval()(planes)[0].numpy()
    return cells


def _run(content: bytes, picture: Image) -> Cells:
    return Network(session_of_bytes(content, threads=1)).cells(picture)


def _facts(facts: CardFacts, run: Path, finished: FinishedRun, version: str) -> CardFacts:
    return filled(
        facts,
        version=version,
        source=_source(run, finished.config),
        trained_on=_data(run),
    )


def _source(run: Path, config: TrainingConfig) -> str:
    values = f"seed {config.seed}; sha256 of the config's values {config.sha256}"
    teachers = run / TEACHERS_FILE
    if teachers.exists():
        taught = ", ".join(teachers.read_text(encoding="utf-8").splitlines())
        return f"fruitvision train distil --config {CONFIG_FILE}, {values}; teachers {taught}"
    return f"fruitvision train run --config {CONFIG_FILE}, {_begun(run, config)}, {values}"


def _begun(run: Path, config: TrainingConfig) -> str:
    start = run / START_FILE
    if start.exists():
        return f"from {start.read_text(encoding='utf-8').strip()}"
    return f"encoder from {'ImageNet weights' if config.encoder_weights else 'a random start'}"


def _data(run: Path) -> str:
    path = run / MANIFEST_FILE
    if not path.exists():
        return "packs that were not noted"
    manifest = read_manifest(path)
    packs = ", ".join(
        f"{pack.name} ({pack.pictures} pictures, {pack.fruit} fruit)" for pack in manifest.packs
    )
    return f"{packs}; sha256 of the manifest {manifest.sha256}"


def _write(out: Path, facts: CardFacts, made: Mapping[str, _Made]) -> None:
    picture = probe_picture()
    arrays: dict[str, Any] = {"picture": picture}
    for name, one in made.items():
        arrays[f"cells_{name}"] = _run(one.content, picture)
        write_whole(out / one.file, one.content)
    stream = BytesIO()
    np.savez_compressed(stream, **arrays)
    write_whole(out / PROBE_FILE, stream.getvalue())
    weights = {
        name: FileFacts(file=one.file, sha256=_sha256(one.content), probe_tolerance=one.tolerance)
        for name, one in made.items()
    }
    write_card(out, facts, weights, FileFacts(file=PROBE_FILE, sha256=_sha256(stream.getvalue())))


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
