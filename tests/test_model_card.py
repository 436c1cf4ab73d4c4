"""A card is read whole or refused; altered, missing or disagreeing files are never run."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from fruitvision.errors import DetectorDamaged, DetectorUnknown
from fruitvision.fruit.calibration import Calibration
from fruitvision.fruit.detector import choose_detector
from fruitvision.fruit.learned import learned_detector
from fruitvision.fruit.model_card import newest_version, read_card
from tests.disc_network import LEAF, write_model

# Leaf green: without leaves the network is not asked.
PICTURE = np.full((64, 64, 3), LEAF, dtype=np.uint8)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_model(tmp_path)


def replace_on_card(folder: Path, old: str, new: str) -> None:
    card = folder / "card.toml"
    text = card.read_text()
    assert text.count(old) == 1
    card.write_text(text.replace(old, new))


def test_a_card_tells_what_the_file_says(folder: Path) -> None:
    card = read_card(folder)
    assert (card.name, card.version, card.licence) == ("learned", "1", "Apache-2.0")
    assert (card.fruit_width_px, card.mm_per_px, card.score_threshold) == (44.0, 1.6, 0.5)
    assert card.exact_weights.name == "float"
    assert [weights.name for weights in card.weights] == ["float", "int8"]
    assert card.facts[-1] == "F1: 0.91 on drawn discs (2026-11-20)"
    assert "float (used), int8" in card.facts[3]


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('licence = "Apache-2.0"', "", "has no 'licence'"),
        ('licence = "Apache-2.0"', "licence = 3", "'licence' is 3. It must be a text"),
        ("mm_per_px = 1.6", "mm_per_px = 0", "'mm_per_px' is 0. It must be a number from 0.01"),
        ("mm_per_px = 1.6", 'mm_per_px = "1.6"', "It must be a number"),
        ("mm_per_px = 1.6", "mm_per_px = nan", "It must be a number"),
        ("score_threshold = 0.5", "score_threshold = 1.5", "from 0 to 1"),
        ("count_error = 0.06", "count_error = 0.06\ncolour = 1", "unknown key 'colour'"),
        ("slope = 1.0\noffset = 0.0", "slope = 0.0\noffset = 0.0", "slope must be above 0"),
        ("slope = 1.0\noffset = 0.0", "scores = [0.5, 0.1]\nchances = [0, 1]", "must rise"),
        ('default_weights = "float"', 'default_weights = "half"', "which it does not list"),
        ("[probe]", "[probe", "can't be read"),
        ('what = "F1"', 'name = "F1"', "has no 'what'"),
    ],
)
def test_a_card_with_a_slip_is_refused(folder: Path, old: str, new: str, match: str) -> None:
    replace_on_card(folder, old, new)
    with pytest.raises(DetectorDamaged, match=match):
        read_card(folder)


def test_the_highest_version_is_the_newest(tmp_path: Path) -> None:
    for version in ("9", "10", "1.2"):
        (tmp_path / "learned" / version).mkdir(parents=True)
        (tmp_path / "learned" / version / "card.toml").touch()
    (tmp_path / "learned" / "11").mkdir()
    assert newest_version(tmp_path, "learned").name == "10"


def test_a_detector_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DetectorDamaged, match=r"'learned' is not part of this installation.*--det"):
        learned_detector(models=tmp_path)


def test_altered_weights_are_refused_before_they_are_loaded(folder: Path) -> None:
    weights = folder / "model.onnx"
    content = bytearray(weights.read_bytes())
    content[100] ^= 1
    weights.write_bytes(bytes(content))
    with pytest.raises(DetectorDamaged, match=r"model\.onnx was altered or damaged"):
        learned_detector(models=folder.parents[1])
    # The other weights are as they were.
    assert learned_detector("learned", "int8", models=folder.parents[1]).name == "learned:int8"


def test_missing_weights_are_refused(folder: Path) -> None:
    (folder / "model.onnx").unlink()
    with pytest.raises(DetectorDamaged, match=r"model\.onnx can't be read: No such file"):
        learned_detector(models=folder.parents[1])


def test_a_network_that_is_none_is_refused_though_its_hash_is_right(folder: Path) -> None:
    weights = folder / "model.onnx"
    old = hashlib.sha256(weights.read_bytes()).hexdigest()
    weights.write_bytes(b"no network")
    replace_on_card(folder, old, hashlib.sha256(b"no network").hexdigest())
    detector = learned_detector(models=folder.parents[1])
    with pytest.raises(DetectorDamaged, match=r"model\.onnx can't be loaded"):
        detector.detect(PICTURE, mm_per_px=None)


def test_an_altered_probe_is_refused(folder: Path) -> None:
    (folder / "probe.npz").write_bytes(b"")
    detector = learned_detector(models=folder.parents[1])
    with pytest.raises(DetectorDamaged, match=r"probe\.npz was altered or damaged"):
        detector.detect(PICTURE, mm_per_px=None)


def test_a_computer_that_gives_other_cells_than_the_probe_is_refused(tmp_path: Path) -> None:
    # The tolerance is 0.01.
    write_model(tmp_path / "near", probe_error=0.009)
    write_model(tmp_path / "far", probe_error=0.02)
    near = learned_detector(models=tmp_path / "near")
    assert len(near.detect(PICTURE, mm_per_px=None)) == 0
    far = learned_detector(models=tmp_path / "far")
    with pytest.raises(DetectorDamaged, match=r"other results.*off by 0\.02, at most 0\.01"):
        far.detect(PICTURE, mm_per_px=None)


def test_weights_that_the_card_does_not_list_are_refused(folder: Path) -> None:
    with pytest.raises(DetectorUnknown, match=r"no weights 'int9'. Did you mean 'int8'\?"):
        learned_detector("learned", "int9", models=folder.parents[1])


def test_the_classical_detector_has_one_kind_only() -> None:
    with pytest.raises(DetectorUnknown, match="'classical' has no kind 'int8'"):
        choose_detector("classical:int8")


def test_a_card_may_say_what_a_picture_made_larger_gives(folder: Path) -> None:
    assert read_card(folder).calibration.per_doubling == 0.0
    replace_on_card(folder, "slope = 1.0", "slope = 1.0\nper_doubling = 2.4")
    assert read_card(folder).calibration.per_doubling == 2.4
    replace_on_card(folder, "offset = 0.0\n", "")
    replace_on_card(folder, "slope = 1.0", "scores = [0.0, 1.0]\nchances = [0.0, 1.0]")
    assert read_card(folder).calibration.per_doubling == 2.4
    replace_on_card(folder, "per_doubling = 2.4", "per_doubling = -2.4")
    with pytest.raises(DetectorDamaged, match=r"'per_doubling' is -2\.4"):
        read_card(folder)


def test_a_picture_made_larger_raises_chances_by_doublings_between_its_limits() -> None:
    # Twice as large as 1.2 times: the odds of 1 to 4 grow by exp(log 4), to 1 to 1.
    calibration = Calibration(per_doubling=float(np.log(4.0)))
    table = Calibration(scores=(0.0, 1.0), chances=(0.0, 1.0), per_doubling=float(np.log(4.0)))
    for each in (calibration, table):
        scores = np.array([0.2])
        assert each.chance_of(scores, zoom=2.4) == pytest.approx([0.5])
        for zoom in (0.3, 1.0, 1.2):
            assert each.chance_of(scores, zoom=zoom) == pytest.approx([0.2])
        # Half of the gain: the odds grow by 2, to 1 to 2.
        assert each.chance_of(scores, zoom=2.4, share=0.5) == pytest.approx([1 / 3])
        assert each.chance_of(scores, zoom=2.4, share=0.0) == pytest.approx([0.2])
        # 3 times and more: 4 ** log2(3 / 1.2) = 6.25 to 4.
        assert each.chance_of(scores, zoom=3.0) == pytest.approx([6.25 / 10.25])
        assert each.chance_of(scores, zoom=30.0) == pytest.approx([6.25 / 10.25])
    with pytest.raises(ValueError, match="per doubling"):
        Calibration(per_doubling=-1.0)


def test_a_logistic_calibration_moves_the_logit() -> None:
    # logit(0.8) = log 4; 0.5 * log 4 + log 3 = log 6; logistic: 6 / 7.
    calibration = Calibration(slope=0.5, offset=float(np.log(3.0)))
    assert calibration.chance_of(np.array([0.8])) == pytest.approx([6 / 7])
    assert np.isfinite(calibration.chance_of(np.array([0.0, 1.0]))).all()


def test_a_table_is_joined_by_straight_lines() -> None:
    calibration = Calibration(scores=(0.0, 0.5, 1.0), chances=(0.0, 0.2, 0.8))
    assert calibration.chance_of(np.array([0.25, 0.75])) == pytest.approx([0.1, 0.5])
