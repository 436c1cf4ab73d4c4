"""Results in plain words for a terminal: numbers with their range and their doubts beside them."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fruitvision.report.blocks import attention_lines, block_lines, waiting_lines
    from fruitvision.report.forecast import bridge_lines, forecast_lines, past_lines
    from fruitvision.report.harvest import CREW_CAUTION, harvest_lines
    from fruitvision.report.harvest_margins import margin_lines
    from fruitvision.report.harvest_update import update_lines
    from fruitvision.report.lens import lens_lines
    from fruitvision.report.orders import order_book_lines
    from fruitvision.report.thinning import (
        THINNING_CAUTION,
        THINNING_TIP,
        bud_lines,
        ranked_lines,
        thinning_lines,
    )
    from fruitvision.report.views import face_lines, faces_lines
    from fruitvision.report.walk import kept_lines, kept_rows_lines, moved_lines
    from fruitvision.report.words import (
        CAUTION,
        doubt_lines,
        many,
        measured_lines,
        range_words,
        refused_lines,
        unit_words,
    )
    from fruitvision.report.worth import WORTH_CAUTION, worth_lines

# Names and where they live; imported on first use, so that one photo loads no forecast.
_HOMES = {
    "CAUTION": "words",
    "CREW_CAUTION": "harvest",
    "THINNING_CAUTION": "thinning",
    "THINNING_TIP": "thinning",
    "WORTH_CAUTION": "worth",
    "attention_lines": "blocks",
    "block_lines": "blocks",
    "bridge_lines": "forecast",
    "bud_lines": "thinning",
    "doubt_lines": "words",
    "face_lines": "views",
    "faces_lines": "views",
    "forecast_lines": "forecast",
    "harvest_lines": "harvest",
    "kept_lines": "walk",
    "kept_rows_lines": "walk",
    "lens_lines": "lens",
    "many": "words",
    "margin_lines": "harvest_margins",
    "measured_lines": "words",
    "moved_lines": "walk",
    "order_book_lines": "orders",
    "past_lines": "forecast",
    "range_words": "words",
    "ranked_lines": "thinning",
    "refused_lines": "words",
    "thinning_lines": "thinning",
    "unit_words": "words",
    "update_lines": "harvest_update",
    "waiting_lines": "blocks",
    "worth_lines": "worth",
}

__all__ = [
    "CAUTION",
    "CREW_CAUTION",
    "THINNING_CAUTION",
    "THINNING_TIP",
    "WORTH_CAUTION",
    "attention_lines",
    "block_lines",
    "bridge_lines",
    "bud_lines",
    "doubt_lines",
    "face_lines",
    "faces_lines",
    "forecast_lines",
    "harvest_lines",
    "kept_lines",
    "kept_rows_lines",
    "lens_lines",
    "many",
    "margin_lines",
    "measured_lines",
    "moved_lines",
    "order_book_lines",
    "past_lines",
    "range_words",
    "ranked_lines",
    "refused_lines",
    "thinning_lines",
    "unit_words",
    "update_lines",
    "waiting_lines",
    "worth_lines",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    module, _, known_as = _HOMES[name].partition(".")
    return getattr(import_module(f"{__name__}.{module}"), known_as or name)
