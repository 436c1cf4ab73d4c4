"""The network of a finished run."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path

import torch

from fruitvision.errors import TrainingError
from fruitvision.train.config import TrainingConfig, read_config
from fruitvision.train.loop import WEIGHTS_FILE
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import folded
from fruitvision.train.run import CONFIG_FILE


@dataclass(frozen=True, slots=True, eq=False)
class FinishedRun:
    """A run's network, ready to look, and its config."""

    network: FruitNetwork
    config: TrainingConfig


def read_finished(run: Path) -> FinishedRun:
    """The network that a run ended with, on the processor.

    Raises
    ------
    SettingsError
        If the run has no config.
    TrainingError
        If its weights are missing, damaged or of another network.
    """
    config = read_config(run / CONFIG_FILE)
    path = run / WEIGHTS_FILE
    network = FruitNetwork(config.decoder_channels, config.head_layers, config.encoder)
    try:
        state = torch.load(path, map_location="cpu", weights_only=True)
        if not any(name.endswith("running_mean") for name in state):
            # Distilled from shipped ones, which have no batch norms.
            network = folded(network)
        network.load_state_dict(state)
    except FileNotFoundError as err:
        raise TrainingError(
            f"{run} has no {WEIGHTS_FILE}.", fix="Let the training end first: --resume goes on."
        ) from err
    except (OSError, RuntimeError, TypeError, EOFError, pickle.UnpicklingError) as err:
        raise TrainingError(
            f"{path} is damaged or of another network than {CONFIG_FILE} says.",
            fix="Take weights and config of one run.",
        ) from err
    return FinishedRun(network.eval(), config)
