"""Step 2, beside the marker: balls of stated diameter that hang among the fruit."""

from __future__ import annotations

from fruitvision.balls.ball import UNUSABLE_BALL, measure_ball
from fruitvision.balls.colours import BALL_COLOURS, find_balls

__all__ = ["BALL_COLOURS", "UNUSABLE_BALL", "find_balls", "measure_ball"]
