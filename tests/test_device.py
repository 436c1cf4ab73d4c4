"""Detectors on a GPU: what is refused, and that another place to run is proved like the first."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import torch

from fruitvision.errors import DetectorDamaged, DeviceUnusable
from fruitvision.fruit import session
from fruitvision.fruit.cells import Cells
from fruitvision.fruit.detector import Image, choose_detector
from fruitvision.fruit.learned import learned_detector
from fruitvision.fruit.session import Network, session_of_bytes
from fruitvision.pipeline.device import DEVICE_VARIABLE, use_device
from fruitvision.train.accelerated import AcceleratedNetwork, accelerated
from fruitvision.train.from_onnx import network_from
from fruitvision.train.probe import probe_picture


@pytest.fixture(autouse=True)
def as_it_was() -> Iterator[None]:
    use_device.cache_clear()
    yield
    use_device.cache_clear()
    session._elsewhere.clear()
    session._proved.cache_clear()


def test_another_device_than_these_two_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(DEVICE_VARIABLE, "tpu")
    with pytest.raises(DeviceUnusable, match="FRUITVISION_DEVICE is tpu") as caught:
        use_device()
    assert "cpu or cuda" in caught.value.fix


@pytest.mark.skipif(torch.cuda.is_available(), reason="there is a GPU")
def test_no_gpu_is_said_and_not_called_damage(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(DEVICE_VARIABLE, "cuda")
    use_device()
    with pytest.raises(DeviceUnusable, match="PyTorch sees no GPU"):
        choose_detector("learned").detect(probe_picture(), mm_per_px=1.0)


def test_a_network_elsewhere_is_proved_on_the_probe() -> None:
    class Wrong:
        def cells(self, picture: Image) -> Cells:
            height, width = picture.shape[:2]
            return np.zeros((session.CHANNELS, height // 4, width // 4), np.float32)

    session.run_elsewhere(lambda _: Wrong())
    with pytest.raises(DetectorDamaged, match="gives other results"):
        choose_detector("learned").detect(probe_picture(), mm_per_px=1.0)


def test_pictures_in_one_batch_give_what_each_gives_alone(shipped: bytes) -> None:
    network = AcceleratedNetwork(network_from(shipped), torch.device("cpu"))
    picture = probe_picture()
    both = network.cells_of([picture, picture[:, ::-1].copy()])
    alone = Network(session_of_bytes(shipped, threads=1))
    for found, one in zip(both, (picture, picture[:, ::-1].copy()), strict=True):
        assert np.abs(found - alone.cells(one)).max() < 1e-3


@pytest.fixture
def shipped() -> bytes:
    """The shipped network's ONNX."""
    return learned_detector().card.exact_weights.file.path.read_bytes()


@pytest.mark.skipif(not torch.cuda.is_available(), reason="there is no GPU")
def test_a_gpu_gives_what_a_processor_gives(shipped: bytes) -> None:
    picture = probe_picture()
    on_gpu, alone = accelerated(shipped), Network(session_of_bytes(shipped, threads=1))
    assert np.abs(on_gpu.cells(picture) - alone.cells(picture)).max() < 0.01
