"""How earlier forecasts of this stage went, in a line beside what is promised."""

from __future__ import annotations

from app import session
from app.score.data import score_of
from app.score.words import coverage_words, stage_words
from app.wording import say
from fruitvision.domain import Forecast
from fruitvision.learning.stages import stage_of
from fruitvision.store import FarmStore


def track_record_words(forecast: Forecast, store: FarmStore) -> str:
    """`7 of 8 earlier results …`, or that there is no history yet."""
    days = [(one.plan.picks[0].pick_date - forecast.made_on).days for one in forecast.inputs] or [
        (session.today() - forecast.made_on).days
    ]
    stage = stage_of(max(min(days), 0))
    found = {one.stage: one.coverage for one in score_of(store).score.by_stage}
    coverage = found.get(stage)
    if coverage is None:
        return say("sales.no_history")
    return say("score.record", of=coverage_words(coverage), stage=stage_words(stage))
