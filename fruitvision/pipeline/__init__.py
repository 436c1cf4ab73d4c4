"""The use-cases in the order of the work. Only these files know the order of the steps.

photo → reference → scale → fruit      photos: measure_photo, measure_photos
fruit → tree                           walk:   load_walk; office: register, picks, weights
tree → block                           blocks: estimate_blocks, of what block_record has read and
                                               with the growth of block_growth
block → forecast                       forecast: forecast_farm; block_inputs: what it is drawn
                                               from; publish: id, number, bridge

Beside the chain, for the app: `additions` takes one form or upload at a time, `lines` gives one
line a photo or tree.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fruitvision.pipeline.blocks import BlockWalks, attention_of, estimate_blocks
    from fruitvision.pipeline.forecast import Choices, forecast_farm
    from fruitvision.pipeline.photos import (
        Measured,
        Progress,
        Refused,
        image_of,
        measure_photo,
        measure_photos,
        quiet,
    )
    from fruitvision.pipeline.views import join_measured
    from fruitvision.pipeline.views import measure_farm_again as measure_kept_photos
    from fruitvision.pipeline.walk import Loaded, load_walk

# Names and where they live; imported on first use, so that one photo loads no forecast.
_HOMES = {
    "BlockWalks": "blocks",
    "Choices": "forecast",
    "Loaded": "walk",
    "Measured": "photos",
    "Progress": "photos",
    "Refused": "photos",
    "attention_of": "blocks",
    "estimate_blocks": "blocks",
    "forecast_farm": "forecast",
    "image_of": "photos",
    "join_measured": "views",
    "load_walk": "walk",
    "measure_kept_photos": "views.measure_farm_again",
    "measure_photo": "photos",
    "measure_photos": "photos",
    "quiet": "photos",
}

__all__ = [
    "BlockWalks",
    "Choices",
    "Loaded",
    "Measured",
    "Progress",
    "Refused",
    "attention_of",
    "estimate_blocks",
    "forecast_farm",
    "image_of",
    "join_measured",
    "load_walk",
    "measure_kept_photos",
    "measure_photo",
    "measure_photos",
    "quiet",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    module, _, known_as = _HOMES[name].partition(".")
    return getattr(import_module(f"{__name__}.{module}"), known_as or name)
