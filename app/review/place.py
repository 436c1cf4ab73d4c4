"""Where in a photo something is, as a person would say it."""

from __future__ import annotations

from app.wording import say
from fruitvision.domain import Photo


def place_words(x_px: float, y_px: float, photo: Photo) -> str:
    """`upper left (812, 344)`: which ninth of the photo, and px from its top left corner.

    The numbers tell fruit apart that hang in the same ninth.
    """
    column = ("left", "middle", "right")[_third(x_px, photo.width_px)]
    row = ("upper", "middle", "lower")[_third(y_px, photo.height_px)]
    return say(
        "review.place", where=say(f"review.place_{row}_{column}"), x=round(x_px), y=round(y_px)
    )


def _third(value: float, length: int) -> int:
    return min(2, max(0, int(3 * value / length)))
