"""Results in plain words for a terminal: numbers with their range and their doubts beside them."""

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
    "lens_lines",
    "many",
    "margin_lines",
    "measured_lines",
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
