"""A shipped network with its batch norms back: it gives the same, in training too."""

from hashlib import sha256
from pathlib import Path

import pytest
import torch
from torch import Tensor, nn

from fruitvision.errors import TrainingError
from fruitvision.fruit.model_card import largest_difference
from fruitvision.train.export import cells_of, export_model
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import body_of, folded, with_picture
from fruitvision.train.probe import odd_picture, probe_picture
from fruitvision.train.run import run_training
from fruitvision.train.unfolded import put_norms_back
from tests.drawn_packs import Drawn, Fruit, write_pack
from tests.test_train_export import network

pytestmark = pytest.mark.usefixtures("one_thread")

WIDTHS, HEAD = (24, 16, 16), 1


def pictures() -> Tensor:
    picture = torch.from_numpy(probe_picture()).permute(2, 0, 1).float()
    return torch.stack([picture, picture.flip(2)])


def fresh() -> FruitNetwork:
    torch.manual_seed(7)
    shipped = folded(network())
    widths = tuple(
        join.from_coarse[0].out_channels for join in (shipped.join16, shipped.join8, shipped.join4)
    )
    return FruitNetwork(widths, len(shipped.head), "lite0")  # type: ignore[arg-type]


def test_it_gives_what_the_shipped_one_gives() -> None:
    shipped = folded(network())
    made = put_norms_back(fresh(), shipped, [pictures()])
    for picture in (probe_picture(), odd_picture()):
        wanted = cells_of(shipped, picture)
        assert largest_difference(cells_of(made, picture), wanted) < 1e-3
    assert largest_difference(cells_of(fresh().eval(), odd_picture()), wanted) > 0.1


def test_in_training_too_over_the_pictures_that_it_was_watched_on() -> None:
    shipped = folded(network())
    made = put_norms_back(fresh(), shipped, [pictures()]).train()
    with torch.no_grad():
        wanted = shipped(pictures())
        found = made(pictures())
    assert float((found - wanted).abs().max()) < 0.02 * float(wanted.std()) + 1e-3


def test_channels_come_to_their_norm_with_a_spread_of_one() -> None:
    made = put_norms_back(fresh(), folded(network()), [pictures()])
    spreads = torch.cat(
        [
            one.state_dict()["running_var"]
            for one in made.modules()
            if isinstance(one, nn.BatchNorm2d)
        ]
    )
    assert float(((spreads - 1).abs() < 1e-3).float().mean()) > 0.9
    assert float(spreads.max()) < 1.001


def test_a_network_of_other_layers_is_refused() -> None:
    other = FruitNetwork((8, 8, 8), HEAD, "lite0")
    with pytest.raises(TrainingError, match="other layers"):
        put_norms_back(other, folded(network()), [pictures()])


CONFIG = """
steps = 1
batch = 2
crop_px = 64
learning_rate = 1e-9
ema_decay = 0.0
decoder_channels = [24, 16, 16]
head_layers = 1
workers = 1
start_network = "model.onnx"

[[packs]]
folder = "pack"
"""


def trained(folder: Path) -> int:
    """Train by the config in the folder; the command's status."""
    (folder / "config.toml").write_text(CONFIG)
    return run_training(
        folder / "config.toml",
        folder / "run",
        packs=None,
        device="cpu",
        resume=False,
        say=lambda _: None,
    )


def start_of(folder: Path, shipped: FruitNetwork) -> int:
    """Train one step from a network."""
    (folder / "model.onnx").write_bytes(with_picture(body_of(shipped)).SerializeToString())
    write_pack(folder / "pack", [Drawn([Fruit((60.0, 60.0, 40.0, 36.0, 0.0))], photo=True)])
    return trained(folder)


def test_a_training_starts_from_a_shipped_network(tmp_path: Path) -> None:
    torch.manual_seed(3)
    shipped = FruitNetwork(WIDTHS, HEAD, "lite0").eval()
    assert start_of(tmp_path, shipped) == 0
    made = FruitNetwork(WIDTHS, HEAD, "lite0")
    made.load_state_dict(torch.load(tmp_path / "run" / "weights.pt", weights_only=True))
    wanted = cells_of(shipped, probe_picture())
    # Its norms have seen one batch more.
    other = cells_of(FruitNetwork(WIDTHS, HEAD, "lite0"), probe_picture())
    off = largest_difference(cells_of(made, probe_picture()), wanted)
    assert off < 0.1 * largest_difference(other, wanted)
    export_model(tmp_path / "run", tmp_path / "models" / "2")
    digest = sha256((tmp_path / "model.onnx").read_bytes()).hexdigest()
    card = (tmp_path / "models" / "2" / "card.toml").read_text(encoding="utf-8")
    assert f"from {digest} {tmp_path.name}/model.onnx, seed 1" in card


def test_a_start_of_other_layers_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TrainingError, match="other layers than the config's"):
        start_of(tmp_path, FruitNetwork((16, 16, 16), HEAD, "lite0"))


def test_a_start_network_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(TrainingError, match=r"network to start from .*model\.onnx can't be read"):
        trained(tmp_path)
