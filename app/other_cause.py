"""What stands behind the cause "other" of a change, in words."""

from __future__ import annotations

from app import show
from app.changes import field_words
from app.wording import say
from fruitvision.domain import Forecast
from fruitvision.forecast.other_cause import other_cause


def other_words(earlier: Forecast | None, now: Forecast) -> str:
    """The blocks that came or went by name, and what else changed; in general where the earlier
    forecast is not known, or nothing of it is left to name."""
    found = None if earlier is None else other_cause(earlier, now)
    if found is None or not found.is_known:
        return say("forecast.cause_other_help")
    parts = [say("forecast.other_came", name=name) for name in found.came]
    parts += [say("forecast.other_went", name=name) for name in found.went]
    parts += [say("forecast.other_table")] if found.table else []
    if found.settings:
        names = ", ".join(map(field_words, found.settings))
        parts.append(say("forecast.other_settings", names=names))
    return say("forecast.other_is", what=show.plain("; ".join(parts)))
