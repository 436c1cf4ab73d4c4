"""What detectors run on in this process: the processor, or a GPU."""

from __future__ import annotations

import os
from functools import cache

from fruitvision.errors import DeviceUnusable
from fruitvision.fruit.session import run_elsewhere

# `cpu`, which it is without the variable, or `cuda`. Worker processes inherit it.
DEVICE_VARIABLE = "FRUITVISION_DEVICE"


@cache
def use_device() -> None:
    """Put detectors of this process where DEVICE_VARIABLE says.

    Raises
    ------
    DeviceUnusable
        If there is no such device, or what drives it is not installed.
    """
    name = os.environ.get(DEVICE_VARIABLE, "") or "cpu"
    if name == "cpu":
        return
    if name != "cuda":
        raise DeviceUnusable(
            f"{DEVICE_VARIABLE} is {name}.", fix="Set it to cpu or cuda, or leave it away."
        )
    try:
        from fruitvision.train.accelerated import accelerated
    except ImportError as err:
        raise DeviceUnusable(
            f"{DEVICE_VARIABLE} is cuda, and {err.name} is not installed.",
            fix="Install it: pip install 'fruitvision[train]', with a PyTorch for this GPU.",
        ) from err
    run_elsewhere(accelerated)
