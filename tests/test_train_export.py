"""A run's network becomes a model that the program runs: the same cells, a whole card."""

from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import onnx
import pytest
import torch

from fruitvision.errors import DetectorDamaged, SettingsError, TrainingError
from fruitvision.fruit.learned import learned_detector
from fruitvision.fruit.model_card import read_card
from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.train.card_facts import (
    CalibrationFacts,
    CardFacts,
    FileFacts,
    card_text,
    read_facts,
)
from fruitvision.train.export import cells_of, export_model
from fruitvision.train.network import FruitNetwork
from fruitvision.train.onnx_graph import folded
from fruitvision.train.pack import read_pack
from fruitvision.train.probe import odd_picture, probe_picture
from fruitvision.train.quantise import IN_FLOAT, calibration_pictures
from tests.drawn_packs import Drawn, Fruit, write_pack

pytestmark = pytest.mark.usefixtures("one_thread")

WIDTHS = (16, 12, 8)


def network() -> FruitNetwork:
    """One that was never trained, but whose norms have seen pictures and differ by channel."""
    torch.manual_seed(5)
    made = FruitNetwork(WIDTHS, 1)
    for module in made.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            torch.nn.init.uniform_(module.weight, 0.5, 1.5)
            torch.nn.init.normal_(module.bias, std=0.2)
            module.momentum = None
    # Rounding grows layer by layer in a network that learned nothing: most is read from the
    # first layers.
    made.join4.from_coarse[1].weight.data *= 0.05
    torch.nn.init.normal_(made.out.weight, std=0.3)
    made.train()
    with torch.no_grad():
        for picture in (probe_picture(), probe_picture()[::-1].copy()):
            made(torch.from_numpy(picture).permute(2, 0, 1)[None].float())
    return made.eval()


def write_run(folder: Path, facts: str = "") -> Path:
    folder.mkdir(parents=True)
    (folder / "config.toml").write_text(
        f'decoder_channels = {list(WIDTHS)}\nhead_layers = 1\nseed = 7\n[[packs]]\nfolder = "p"\n'
    )
    torch.save(network().state_dict(), folder / "weights.pt")
    if facts:
        (folder / "card_facts.toml").write_text(facts)
    return folder


FACTS = """
known_limits = "Says \\"fruit\\" to balls.\\nAnd to moons."
score_threshold = 0.25
count_error = 0.07
[calibration]
scores = [0.0, 0.5, 1.0]
chances = [0.0, 0.4, 0.9]
[[figures]]
what = "F1"
value = "0.91"
on = "drawn discs"
date = "2026-11-20"
"""


@cache
def exported() -> tuple[Path, tuple[str, ...]]:
    """Folder of a version with both networks, and what was said."""
    root = Path(mkdtemp())
    pictures = [probe_picture(), probe_picture()[::-1].copy()]
    pack = write_pack(
        root / "pack", [Drawn([], (160, 128), photo=True, picture=one) for one in pictures]
    )
    said: list[str] = []
    out = root / "models" / "learned" / "3"
    export_model(write_run(root / "run", FACTS), out, calibration_pack=pack, say=said.append)
    return out, tuple(said)


def onnx_cells(file: str, picture: np.ndarray) -> np.ndarray:
    content = (exported()[0] / file).read_bytes()
    return Network(session_of_bytes(content, threads=1)).cells(picture)


@pytest.mark.parametrize("picture", [probe_picture(), odd_picture()], ids=["wide", "high"])
def test_onnx_gives_what_torch_gives_for_any_shape(picture: np.ndarray) -> None:
    wanted = cells_of(network(), picture)
    assert wanted.std() > 0.1
    assert np.abs(onnx_cells("model.onnx", picture) - wanted).max() < 2e-4
    # Borders too: a picture of 127 alone is 0 to the network, as is what lies around it.
    grey = np.full_like(picture, 127)
    assert np.abs(onnx_cells("model.onnx", grey) - cells_of(network(), grey)).max() < 2e-4


def test_the_eight_bit_network_gives_nearly_the_same() -> None:
    whole, small = (onnx_cells(f, probe_picture()) for f in ("model.onnx", "model_int8.onnx"))
    for one, other in zip(whole, small, strict=True):
        assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.97
    sizes = [(exported()[0] / f).stat().st_size for f in ("model.onnx", "model_int8.onnx")]
    assert sizes[1] < sizes[0] / 3


def test_no_norm_is_left_in_the_graph_and_nothing_tells_where_it_was_made() -> None:
    for file in ("model.onnx", "model_int8.onnx"):
        model = onnx.load(exported()[0] / file)
        kinds = {node.op_type for node in model.graph.node}
        assert "BatchNormalization" not in kinds
        # The picture's bytes are read as they are: no step of normalising, none of quantising.
        first = [node.op_type for node in model.graph.node][:3]
        assert first in (
            ["Transpose", "DequantizeLinear", "Conv"],
            ["Transpose", "DequantizeLinear", "DequantizeLinear"],
        )
        assert not any(node.doc_string for node in model.graph.node)
        content = (exported()[0] / file).read_bytes()
        assert b"/home" not in content
        assert b"/work" not in content
        assert b"site-packages" not in content
    assert (
        sum(n.op_type == "Conv" for n in onnx.load(exported()[0] / "model.onnx").graph.node) == 63
    )


def test_the_eight_bit_network_is_in_eight_bits_between_its_first_and_last_layers() -> None:
    graph = onnx.load(exported()[0] / "model_int8.onnx").graph
    made_by = {name: node.op_type for node in graph.node for name in node.output}
    convolutions = [node for node in graph.node if node.op_type == "Conv"]
    exact = [node for node in convolutions if any(part in node.name for part in IN_FLOAT)]
    inner = [node for node in convolutions[:-1] if node not in exact]
    # Stem, first stage (two), the join to a quarter (four), the head (two).
    assert (len(exact), len(inner)) == (9, 53)
    for node in inner:
        assert [made_by[name] for name in node.input] == ["DequantizeLinear"] * 3
    for node in (*exact, convolutions[-1]):
        assert node.input[1] not in made_by


@pytest.mark.parametrize("table", [{}, {"scores": (0.0, 1.0), "chances": (0.0, 1.0)}])
def test_what_a_picture_made_larger_gives_goes_on_the_card(table: dict[str, Any]) -> None:
    for per_doubling, said in ((2.4, True), (0.0, False)):
        facts = CardFacts(calibration=CalibrationFacts(per_doubling=per_doubling, **table))
        text = card_text(facts, {}, FileFacts(file="probe.npz", sha256=""))
        assert ("per_doubling = 2.4" in text) == said


def test_the_program_runs_both_and_the_card_says_what_the_facts_say() -> None:
    out, _ = exported()
    card = read_card(out)
    assert (card.name, card.version, card.score_threshold) == ("learned", "3", 0.25)
    assert card.known_limits == 'Says "fruit" to balls.\nAnd to moons.'
    assert card.calibration.chance_of(np.array([0.75])) == pytest.approx([0.65])
    assert card.facts[-1] == "F1: 0.91 on drawn discs (2026-11-20)"
    assert "encoder from a random start, seed 7" in card.source
    assert [(w.name, w.probe_tolerance >= 0.01) for w in card.weights] == [
        ("float", True),
        ("int8", True),
    ]
    for weights in ("", "int8"):
        detector = learned_detector(models=out.parents[1], weights=weights)
        # Runs only if the probe comes out as stored.
        detector.detect(probe_picture(), mm_per_px=None)


def test_the_differences_found_are_said() -> None:
    said = exported()[1]
    assert sum(line.startswith("torch and ONNX differ by at most") for line in said) == 2
    assert any(line.startswith("int8 and float differ by at most") for line in said)


def test_without_facts_the_card_is_a_draft_and_without_a_pack_there_is_one_network(
    tmp_path: Path,
) -> None:
    said: list[str] = []
    export_model(write_run(tmp_path / "run"), tmp_path / "1", say=said.append)
    assert "the card is a draft" in said[0]
    card = read_card(tmp_path / "1")
    assert card.known_limits == "Not measured yet: a draft."
    assert [weights.name for weights in card.weights] == ["float"]
    assert not (tmp_path / "1" / "model_int8.onnx").exists()
    with pytest.raises(TrainingError, match="holds a model"):
        export_model(tmp_path / "run", tmp_path / "1")


def test_folding_a_norm_changes_nothing() -> None:
    whole, small = network(), folded(network())
    assert not any(isinstance(m, torch.nn.BatchNorm2d) for m in small.modules())
    difference = cells_of(whole, odd_picture()) - cells_of(small, odd_picture())
    assert np.abs(difference).max() < 2e-4


@pytest.mark.parametrize(
    ("facts", "error", "match"),
    [
        ("colour = 1", SettingsError, "Unknown key 'colour' in the facts for the card"),
        ("score_threshold = 'high'", SettingsError, "'score_threshold' is 'high' in the facts"),
        ("score_threshold = 1.5", DetectorDamaged, "from 0 to 1"),
        ("score_threshold =", SettingsError, "can't be read"),
        ("default_weights = 'int8'", DetectorDamaged, "which it does not list"),
    ],
)
def test_facts_with_a_slip_are_refused(
    tmp_path: Path, facts: str, error: type[Exception], match: str
) -> None:
    with pytest.raises(error, match=match):
        export_model(write_run(tmp_path / "run", facts), tmp_path / "1")


def test_facts_left_out_keep_their_default(tmp_path: Path) -> None:
    assert read_facts(tmp_path / "none.toml") is None
    (tmp_path / "facts.toml").write_text("count_error = 0.05")
    assert read_facts(tmp_path / "facts.toml") == CardFacts(count_error=0.05)


def test_a_run_that_did_not_end_or_is_of_another_network_is_refused(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run")
    (run / "config.toml").write_text('head_layers = 2\n[[packs]]\nfolder = "p"\n')
    with pytest.raises(TrainingError, match=r"of another network than config\.toml says"):
        export_model(run, tmp_path / "1")
    (run / "weights.pt").write_bytes(b"no weights")
    with pytest.raises(TrainingError, match=r"weights\.pt is damaged"):
        export_model(run, tmp_path / "1")
    (run / "weights.pt").unlink()
    with pytest.raises(TrainingError, match=r"has no weights\.pt"):
        export_model(run, tmp_path / "1")
    assert not (tmp_path / "1").exists()


def test_pictures_for_calibration_show_fruit_at_the_working_scale(tmp_path: Path) -> None:
    # 22 px wide: made twice as large, and cut to multiples of 32 px, 832 px at most.
    wide = Drawn([Fruit((50.0, 50.0, 22.0, 22.0, 0.0))], size=(500, 90))
    small = Drawn([Fruit((8.0, 8.0, 11.0, 11.0, 0.0))], size=(20, 20), photo=True)
    pack = read_pack(write_pack(tmp_path / "pack", [wide, small]))
    shapes = [picture.shape for picture in calibration_pictures(pack, 44.0)]
    assert shapes == [(160, 832, 3), (64, 64, 3)]
