"""fruitvision: row photos in, pack-out forecast out.

The steps, each a file or folder named after it:

    photo → reference → scale → fruit → tree → block → forecast → export

`pipeline` knows their order; the command line and the app only call it. The records that travel
between the steps are in `domain`, their doubts beside them; the errors are in `errors`.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.2.0"

if TYPE_CHECKING:
    from fruitvision.errors import FruitVisionError
    from fruitvision.pipeline import (
        estimate_blocks,
        forecast_farm,
        load_walk,
        measure_photo,
        measure_photos,
    )
    from fruitvision.settings import Settings, read_settings
    from fruitvision.size_table import load_size_table
    from fruitvision.store import open_farm

# Public names and where they live; imported on first use, so that `import fruitvision` is quick.
_HOMES = {
    "FruitVisionError": "errors",
    "Settings": "settings",
    "estimate_blocks": "pipeline",
    "forecast_farm": "pipeline",
    "load_size_table": "size_table",
    "load_walk": "pipeline",
    "measure_photo": "pipeline",
    "measure_photos": "pipeline",
    "open_farm": "store",
    "read_settings": "settings",
}

__all__ = [
    "FruitVisionError",
    "Settings",
    "__version__",
    "estimate_blocks",
    "forecast_farm",
    "load_size_table",
    "load_walk",
    "measure_photo",
    "measure_photos",
    "open_farm",
    "read_settings",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"fruitvision.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'fruitvision' has no attribute '{name}'")
