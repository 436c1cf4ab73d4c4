"""Numbers on axes and in tooltips of charts as the visitor's language writes them."""

from __future__ import annotations

import altair as alt

from app import wording


@alt.theme.register("fruitvision", enable=True)
def _theme() -> alt.theme.ThemeConfig:
    """Asked for by every chart as it is drawn, in the run of one visitor's page."""
    return {"config": {"locale": {"number": number_locale(wording.language())}}}


def number_locale(code: str) -> alt.theme.NumberLocaleKwds:
    """A language's signs of numbers, in the form that charts take."""
    return {
        "decimal": wording.DECIMAL[code],
        "thousands": wording.THOUSANDS[code],
        "grouping": [3],
        "currency": ["", ""],
    }
