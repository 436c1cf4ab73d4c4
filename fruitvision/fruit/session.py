"""Runs a card's network with onnxruntime: one per process, proved on a known picture first."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from threading import Lock
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from fruitvision.cores import threads_here
from fruitvision.errors import DetectorDamaged, DeviceUnusable
from fruitvision.fruit.cells import CHANNELS, MULTIPLE_PX, STRIDE_PX, Cells
from fruitvision.fruit.detector import Image
from fruitvision.fruit.model_card import (
    FIX,
    ModelCard,
    Weights,
    checked_bytes,
    largest_difference,
)

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

INPUT, OUTPUT = "picture", "cells"
# onnxruntime's level for errors; below it warns of things that no user can change.
LOG_ERRORS = 3

_one_at_a_time = Lock()


class RunsNetwork(Protocol):
    """A network that is ready to run, wherever it runs."""

    def cells(self, picture: Image) -> Cells:
        """What it gives for one picture, see `Network.cells`."""


# Makes a network ready from its ONNX.
MakeReady = Callable[[bytes], RunsNetwork]
_elsewhere: list[MakeReady] = []


def run_elsewhere(make_ready: MakeReady) -> None:
    """From now on networks of this process run where `make_ready` puts them, on a GPU for instance.

    They are proved on the probe's picture as those on the processor are, and run in float.
    """
    with _one_at_a_time:
        _elsewhere[:] = [make_ready]
        _proved.cache_clear()


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """A network that is ready to run."""

    session: InferenceSession

    def cells(self, picture: Image) -> Cells:
        """What it gives for one picture.

        Parameters
        ----------
        picture : (H, W, 3) uint8, RGB
            Both sides multiples of MULTIPLE_PX.

        Returns
        -------
        (CHANNELS, H / 4, W / 4) float32

        Raises
        ------
        ValueError
            If a side is no such multiple.
        """
        height, width = picture.shape[:2]
        if height % MULTIPLE_PX or width % MULTIPLE_PX:
            raise ValueError(f"sides must be multiples of {MULTIPLE_PX} px, got {width} x {height}")
        batch = np.ascontiguousarray(picture)[None]
        (out,) = self.session.run([OUTPUT], {INPUT: batch})
        return np.asarray(out, dtype=np.float32).reshape(
            CHANNELS, height // STRIDE_PX, width // STRIDE_PX
        )


def network_of(card: ModelCard, weights: Weights) -> RunsNetwork:
    """The network of these weights: loaded and proved once per process, then the same again.

    Raises
    ------
    DetectorDamaged
        If a file is missing or altered, can't be run, or gives other cells for the probe's
        picture than it must.
    """
    with _one_at_a_time:
        return _proved(card, weights, threads_here())


@cache
def _proved(card: ModelCard, weights: Weights, threads: int) -> RunsNetwork:
    if _elsewhere:
        # Eight bits are for processors.
        weights = card.exact_weights
    network = _loaded(checked_bytes(weights.file), threads, str(weights.file.path))
    probe = checked_bytes(card.probe)
    try:
        with np.load(BytesIO(probe), allow_pickle=False) as arrays:
            picture, wanted = arrays["picture"], arrays[f"cells_{weights.name}"]
    except (KeyError, ValueError, OSError) as err:
        raise DetectorDamaged(
            f"The probe {card.probe.path} does not hold what it must: {err}.", fix=FIX
        ) from err
    found = largest_difference(_run(network, picture, weights), wanted)
    if not found <= weights.probe_tolerance:
        raise DetectorDamaged(
            f"The detector '{card.name}' {card.version} ({weights.name}) gives other results on "
            f"this computer than it must: a cell of the probe is off by {found:.3g}, at most "
            f"{weights.probe_tolerance:g} is allowed.",
            fix=FIX,
        )
    return network


def _run(network: RunsNetwork, picture: Image, weights: Weights) -> Cells:
    try:
        return network.cells(picture)
    except Exception as err:
        # onnxruntime raises many kinds, all of them RuntimeError or Exception.
        raise DetectorDamaged(
            f"The network {weights.file.path} can't be run: {err}.", fix=FIX
        ) from err


def _loaded(content: bytes, threads: int, where: str) -> RunsNetwork:
    try:
        if _elsewhere:
            return _elsewhere[0](content)
        return Network(session_of_bytes(content, threads=threads))
    except DeviceUnusable:
        raise
    except Exception as err:
        raise DetectorDamaged(f"The network {where} can't be loaded: {err}.", fix=FIX) from err


def session_of_bytes(content: bytes, *, threads: int) -> InferenceSession:
    """A session that gives the same for the same picture; errors are those of onnxruntime.

    Parameters
    ----------
    content : bytes
        ONNX.
    threads : int
        For the work within one operator; operators run one after the other.
    """
    import onnxruntime

    options: Any = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.execution_mode = onnxruntime.ExecutionMode.ORT_SEQUENTIAL
    options.use_deterministic_compute = True
    options.log_severity_level = LOG_ERRORS
    # A pattern kept for every size of picture keeps its memory too: tiles of five sizes then hold
    # 611 MB, without it 349 MB as those of one size do, in the same time.
    options.enable_mem_pattern = False
    # Numbers next to 0 are slow on some processors and change nothing. Whichever thread makes the
    # first session takes them for 0 ever after: a thread of its own, so that all other arithmetic
    # of the program is the same with a detector and without.
    options.add_session_config_entry("session.set_denormal_as_zero", "1")
    with ThreadPoolExecutor(1) as aside:
        return aside.submit(
            onnxruntime.InferenceSession, content, options, providers=["CPUExecutionProvider"]
        ).result()
