"""How forecasts went against what the packing house told, and what was learned of it."""

from collections.abc import Callable, Sequence

import streamlit as st

from app import session, show
from app.chosen import in_address
from app.score.chart import against_ranges
from app.score.data import score_of
from app.score.learned import learned_part
from app.score.season import season_part
from app.score.words import coverage_words, length, signed_length, stage_words, variety_words
from app.show_chart import show_chart
from app.wording import number, percent, say, signed
from fruitvision.learning.layers import Comparison
from fruitvision.learning.score import NOMINAL, Coverage, Score, StageScore, VarietyScore
from fruitvision.pipeline.learning import FarmScore
from fruitvision.pipeline.photos import Refused
from fruitvision.unit_system import Unit


def being_picked(found: FarmScore) -> None:
    """That blocks are not judged yet."""
    if found.being_picked:
        names = ", ".join(f"{one.block_id} {one.season}" for one in found.being_picked)
        n = len(found.being_picked)
        st.info(
            say("score.being_picked", n=n, blocks=show.plain(names)), icon=":material/agriculture:"
        )


def headline(found: Score) -> None:
    """How often the ranges held, with what so few results can tell."""
    whole = found.coverage
    if whole is None:
        st.write(say("score.no_history"))
        session.page_link("screens/papers.py", label=say("score.to_tables"))
        return
    show.numbers(
        [
            (
                say("score.inside"),
                coverage_words(whole),
                say("score.should", share=percent(NOMINAL)),
            ),
            *((say("score.in_season", season=str(year)), coverage_words(one), "")
              for year, one in found.by_season[:3]),
        ]
    )  # fmt: skip
    st.write(verdict(whole))
    if found.left_out:
        st.caption(say("score.left_out", n=found.left_out))


def verdict(whole: Coverage) -> str:
    """Whether the ranges are right, in a sentence that claims no more than the numbers."""
    name = "fits" if whole.fits else "too_narrow" if whole.share < NOMINAL else "too_wide"
    span = say("score.span", low=percent(whole.low), high=percent(whole.high))
    return f"{say(f'score.verdict_{name}')} {span}"


# More rows are shown a season at a time. Our choice: two heights of a phone.
MOST_ROWS = 40


def ranges(found: Sequence[Comparison]) -> None:
    """The chart of all seasons, or of the one that is chosen where there are many rows."""
    st.subheader(say("score.ranges_head"))
    seasons = list(dict.fromkeys(one.season for one in found))
    if len(found) > MOST_ROWS and len(seasons) > 1:
        season = in_address(say("score.season"), seasons, name="season")
        found = [one for one in found if one.season == season]
    chart = against_ranges(found)
    if chart is not None:
        show_chart(chart)
        st.caption(say("score.ranges_help"))


def stages(found: Sequence[StageScore], unit: Unit) -> None:
    st.subheader(say("score.stages_head"))
    show.table(
        [
            {
                say("score.stage"): stage_words(one.stage),
                say("score.inside_column"): "–"
                if one.coverage is None
                else coverage_words(one.coverage),
                say("score.count_error"): _error(
                    one.count, lambda v: signed(100 * v, 0), lambda v: number(100 * v)
                ),
                say("score.size_error", unit=unit.symbol): _error(
                    one.size_mm, lambda v: signed_length(v, unit), lambda v: length(v, unit)
                ),
                say("score.culls_error"): _error(
                    one.packed, lambda v: signed(100 * v, 0), lambda v: number(100 * v)
                ),
            }
            for one in found
        ]
    )
    st.caption(say("score.stages_help"))


def _error(
    pair: tuple[float, float] | None, mean: Callable[[float], str], usual: Callable[[float], str]
) -> str:
    return "–" if pair is None else f"{mean(pair[0])} ({usual(pair[1])})"


def varieties(found: Score, unit: Unit) -> None:
    """One paragraph a variety; those of earlier seasons can be opened."""
    st.subheader(say("score.varieties_head"))
    latest = max(one.season for one in found.varieties)
    earlier = [one for one in found.varieties if one.season < latest]
    for one in found.varieties:
        if one.season == latest:
            paragraph(one, unit)
    if earlier:
        with st.expander(say("score.earlier_seasons")):
            for one in earlier:
                paragraph(one, unit)


def paragraph(one: VarietyScore, unit: Unit) -> None:
    head = show.plain(f"{one.variety} {one.season}")
    st.markdown(f"**{head}** – {show.plain(variety_words(one, unit))}")


def loose(found: FarmScore) -> None:
    """What matches nothing; told every time, so that nothing is dropped unseen."""
    items = [Refused(name=one.name, what=one.what, fix=one.fix) for one in found.loose]
    items += [
        Refused(name=f"{one.block_id} {one.season}", what=remark, fix="")
        for one in found.score.last
        for remark in one.remarks
    ]
    if items:
        st.subheader(say("score.loose_head"))
        show.refused(items)


store = session.farm()
unit = session.units().diameter
st.title(say("score.title"))
show.note(*session.said())
found = score_of(store)
being_picked(found)
headline(found.score)
if found.score.last:
    ranges(found.score.last)
    varieties(found.score, unit)
    stages(found.score.by_stage, unit)
loose(found)
with st.container():
    learned_part(found.proposals, store, unit)
with st.expander(say("score.season_head")):
    this_year = session.today().year
    seasons = {*(one.season for one in found.found), *(one.season for one in found.being_picked)}
    years = sorted({this_year, *seasons}, reverse=True)
    season_part(store.blocks(), years, store)
show.caution()
