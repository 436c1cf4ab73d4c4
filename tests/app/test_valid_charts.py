"""Charts of tests are held against Vega-Lite's schema: one that breaks it fails, each time."""

from __future__ import annotations

import altair as alt
import pandas as pd
import pytest
from altair.utils.schemapi import SchemaValidationError

from app import show_chart


def chart(rows: list[int], height: object = 100) -> alt.Chart:
    made = alt.Chart(pd.DataFrame({"bins": rows})).mark_bar().encode(x="bins:Q")
    made.height = height
    return made


def test_a_chart_that_breaks_the_schema_fails_also_beside_one_that_keeps_it() -> None:
    assert show_chart.unchecked_spec(chart([1, 2]))["height"] == 100
    for _ in range(2):
        with pytest.raises(SchemaValidationError):
            show_chart.unchecked_spec(chart([1, 2], height="tall"))


def test_a_chart_is_given_with_its_own_rows() -> None:
    for rows in ([1, 2], [3]):
        (kept,) = show_chart.unchecked_spec(chart(rows))["datasets"].values()
        assert [row["bins"] for row in kept] == rows
