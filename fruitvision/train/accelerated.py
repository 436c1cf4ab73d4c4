"""The shipped network on a GPU: torch runs what onnxruntime runs on a processor.

PyTorch rather than onnxruntime's CUDA build: it is there wherever networks are trained, brings its
own CUDA libraries, and the two builds of onnxruntime can't be installed side by side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch

from fruitvision.cores import threads_here
from fruitvision.errors import DeviceUnusable
from fruitvision.fruit.cells import Cells
from fruitvision.fruit.detector import Image
from fruitvision.train.from_onnx import network_from
from fruitvision.train.network import FruitNetwork


class AcceleratedNetwork:
    """A network that is ready to run on a GPU, in float32 without shortcuts.

    Sums run in another order than on a processor: cells differ by less than the tolerance that the
    model card allows, which is proved before the first photo.
    """

    def __init__(self, network: FruitNetwork, device: torch.device) -> None:
        self._network = network.eval().requires_grad_(False).to(device)
        self._device = device

    def cells(self, picture: Image) -> Cells:
        """What it gives for one picture, (CHANNELS, H / 4, W / 4) float32; see `Network.cells`."""
        return self.cells_of([picture])[0]

    @torch.inference_mode()
    def cells_of(self, pictures: Sequence[Image]) -> list[Cells]:
        """The same for several pictures of one size, in one batch."""
        planes = torch.from_numpy(np.stack(pictures)).to(self._device).permute(0, 3, 1, 2).float()
        return list(self._network(planes).cpu().numpy())


def accelerated(content: bytes) -> AcceleratedNetwork:
    """The network of an ONNX file on the first GPU.

    Raises
    ------
    DeviceUnusable
        If torch sees no GPU.
    TrainingError
        If it is another network than ours.
    """
    if not torch.cuda.is_available():
        raise DeviceUnusable(
            "PyTorch sees no GPU on this computer.",
            fix="Leave FRUITVISION_DEVICE away to measure with the processor, or install a PyTorch "
            "for this GPU and its driver.",
        )
    torch.backends.cuda.matmul.allow_tf32 = False
    # cuDNN plans each layer anew for each size of picture: seconds a photo until all are known. The
    # kernels of PyTorch need no plan and are as fast here (H200: 16 ms a photo, cuDNN 19).
    torch.backends.cudnn.enabled = False
    torch.set_num_threads(threads_here())
    return AcceleratedNetwork(network_from(content), torch.device("cuda"))
