"""A shipped detector made ready for eight bits: rounding as onnxruntime rounds, and learning."""

from copy import deepcopy
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import torch
from torch import Tensor, nn

from fruitvision.errors import TrainingError
from fruitvision.fruit.cells import CHANNELS, ROW_BEHIND, THIS_ROW
from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.train.distil import HEATS, blended, heat_away, taught
from fruitvision.train.eight_bits import RoundedMap, RoundedWeights, rounding
from fruitvision.train.export import cells_of, export_model
from fruitvision.train.finished_run import read_finished
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import body_of, folded, with_picture
from fruitvision.train.probe import odd_picture, probe_picture
from fruitvision.train.quantise import quantised
from fruitvision.train.run import run_distillation
from tests.drawn_packs import Drawn, Fruit, write_pack
from tests.test_train_export import network

pytestmark = pytest.mark.usefixtures("one_thread")


@cache
def plain() -> FruitNetwork:
    return folded(network()).requires_grad_(True)


def tensor_of(picture: np.ndarray) -> Tensor:
    return torch.from_numpy(picture).permute(2, 0, 1)[None].float()


def test_weights_are_rounded_to_sixty_four_steps_each_way_channel_by_channel() -> None:
    weights = torch.tensor([[0.64, 0.004, 0.006, -0.64], [0.064, 0.0004, 0.0006, 0.0]])
    rounded = RoundedWeights()(weights.reshape(2, 4, 1, 1)).reshape(2, 4)
    expected = torch.tensor([[0.64, 0.0, 0.01, -0.64], [0.064, 0.0, 0.001, 0.0]])
    assert torch.allclose(rounded, expected, atol=1e-7)


def test_a_map_is_rounded_over_the_range_that_it_was_seen_with() -> None:
    rounded = RoundedMap()
    seen = torch.tensor([-1.0, 1.55])
    assert torch.equal(rounded(seen), seen)
    rounded.watches = False
    given = torch.tensor([0.004, 0.006, 1.552, 2.0, -3.0], requires_grad=True)
    out = rounded(given)
    assert torch.allclose(out, torch.tensor([0.0, 0.01, 1.55, 1.55, -1.0]), atol=1e-6)
    out.sum().backward()
    assert given.grad is not None
    # What is rounded learns as if it was not; what is cut off learns nothing.
    assert given.grad.tolist() == [1.0, 1.0, 1.0, 0.0, 0.0]


def test_the_network_rounds_as_onnxruntime_does_and_is_itself_again_afterwards() -> None:
    pictures = [probe_picture(), probe_picture()[::-1].copy()]
    made = with_picture(quantised(body_of(plain()), pictures, in_float=())).SerializeToString()
    shipped = Network(session_of_bytes(made, threads=1)).cells(odd_picture())
    exact = cells_of(plain(), odd_picture())
    before = {name: value.clone() for name, value in plain().state_dict().items()}
    with torch.no_grad(), rounding(plain(), [tensor_of(one) for one in pictures]) as network_now:
        rounded = network_now(tensor_of(odd_picture()))[0].numpy()
    assert np.abs(rounded - shipped).mean() < 0.75 * np.abs(exact - shipped).mean()
    after = plain().state_dict()
    assert set(after) == set(before)
    assert all(torch.equal(after[name], before[name]) for name in before)
    assert np.array_equal(cells_of(plain(), odd_picture()), exact)


def test_all_but_the_last_convolution_is_rounded() -> None:
    copy = deepcopy(plain())
    with rounding(copy, [tensor_of(probe_picture())]) as network_now:
        names = {name for name, _ in network_now.named_parameters() if ".original" in name}
        convolutions = [one for one in network_now.modules() if isinstance(one, nn.Conv2d)]
    assert len(names) == len(convolutions) - 1
    assert not any(name.startswith("out.") for name in names)


def test_teachers_are_averaged_as_logits_also_in_the_mirror() -> None:
    def leaning(slope: float) -> nn.Module:
        """Heat that grows to the right, so that the mirror tells another."""

        class Leaning(nn.Module):
            def forward(self, pictures: Tensor) -> Tensor:
                across = torch.arange(4.0) * slope + pictures.mean((1, 2))[:, :4]
                cells = torch.zeros(len(pictures), CHANNELS, 1, 4)
                cells[:, [THIS_ROW, ROW_BEHIND]] = across[:, None, None]
                return cells

        return Leaning()

    pictures = torch.tensor([10.0, 20.0, 30.0, 40.0]).expand(1, 3, 2, 4)
    chances, own = taught([leaning(1.0), leaning(3.0)], pictures)  # type: ignore[list-item]
    # Straight: 10 + 0, 20 + 1, ...; mirrored and turned back: 10 + 3, 20 + 2, ...; so + 1.5 each
    # for slope 1 and + 4.5 for slope 3: + 3 in the mean.
    expected = torch.tensor([13.0, 23.0, 33.0, 43.0]).sigmoid()
    assert torch.allclose(chances[0, 0, 0], expected)
    assert torch.allclose(own[0, THIS_ROW, 0], torch.tensor([10.0, 21.0, 32.0, 43.0]))
    assert len(HEATS) == 2


def test_heat_is_off_by_nothing_where_it_agrees_and_by_the_divergence_elsewhere() -> None:
    wanted = torch.full((1, 2, 1, 1), 0.5)
    assert float(heat_away(torch.zeros(1, 2, 1, 1), wanted)) == pytest.approx(0.0, abs=1e-7)
    # Kullback-Leibler of 1/2 against 1/4: log(2) - log(3) / 2, two cells on one fruit's worth.
    logits = torch.full((1, 2, 1, 1), float(np.log(1 / 3)))
    assert float(heat_away(logits, wanted)) == pytest.approx(2 * (np.log(2) - np.log(3) / 2 + 0.0))


def test_what_it_ends_with_lies_between_what_it_was_and_what_it_learned() -> None:
    before, after = {"a": torch.tensor([0.0, 4.0])}, {"a": torch.tensor([2.0, 0.0])}
    assert blended(before, after, 0.25)["a"].tolist() == [0.5, 3.0]


CONFIG = """
decoder_channels = [16, 12, 8]
head_layers = 1
seed = 3
steps = 4
batch = 2
crop_px = 96
learning_rate = 1e-3
precision = "float32"
workers = 1
[[packs]]
folder = "pack"
"""


def taught_run(folder: Path) -> tuple[Path, Path, list[str]]:
    """A teacher's file, the run that learned from it, and what was said."""
    write_pack(
        folder / "pack",
        [
            Drawn([Fruit((40.0, 40.0, 30.0, 30.0, 0.0))], (160, 128), photo=True, picture=one)
            for one in (probe_picture(), probe_picture()[::-1].copy())
        ],
    )
    teacher = folder / "2" / "model.onnx"
    teacher.parent.mkdir()
    teacher.write_bytes(with_picture(body_of(plain())).SerializeToString())
    (folder / "distil.toml").write_text(CONFIG)
    said: list[str] = []
    run_distillation(
        folder / "distil.toml", folder / "run", [teacher], packs=None, device="cpu", say=said.append
    )
    return teacher, folder / "run", said


def test_a_run_learns_from_a_shipped_network_and_is_exported_as_one(tmp_path: Path) -> None:
    teacher, run, said = taught_run(tmp_path)
    finished = read_finished(run).network.state_dict()
    moved = max(
        float((finished[name] - value).abs().max()) for name, value in plain().state_dict().items()
    )
    assert 0 < moved < 0.1
    export_model(run, tmp_path / "models" / "3", calibration_pack=tmp_path / "pack")
    card = (tmp_path / "models" / "3" / "card.toml").read_text()
    assert "fruitvision train distil" in card
    assert "2/model.onnx" in card
    assert said[-1].startswith("4 steps")
    with pytest.raises(TrainingError, match="holds a training"):
        run_distillation(
            tmp_path / "distil.toml", run, [teacher], packs=None, device="cpu", say=said.append
        )


@pytest.mark.parametrize(
    ("config", "teacher", "sentence"),
    [
        (CONFIG, "none.onnx", "can't be read"),
        (CONFIG.replace("steps = 4", "steps = 0"), "model.onnx", "gives no steps"),
    ],
)
def test_what_can_not_be_learned_from_is_said(
    tmp_path: Path, config: str, teacher: str, sentence: str
) -> None:
    (tmp_path / "model.onnx").write_bytes(with_picture(body_of(plain())).SerializeToString())
    (tmp_path / "distil.toml").write_text(config)
    with pytest.raises(TrainingError, match=sentence):
        run_distillation(
            tmp_path / "distil.toml",
            tmp_path / "run",
            [tmp_path / teacher],
            packs=None,
            device="cpu",
            say=lambda _: None,
        )
