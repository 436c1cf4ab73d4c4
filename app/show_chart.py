"""A chart on a page."""

from __future__ import annotations

from typing import Any

import streamlit as st

from app.charts import Chart


def show_chart(chart: Chart, **options: Any) -> Any:
    """Show a chart as wide as the page; `options` : those of Streamlit's charts."""
    return st.vega_lite_chart(spec=unchecked_spec(chart), **{"width": "stretch", **options})


def unchecked_spec(chart: Chart) -> dict[str, Any]:
    """The chart as Vega-Lite, not held against its schema.

    That takes longer than all else on a page; the tests of the app do it for every chart.
    """
    return chart.to_dict(validate=False)
