"""Below the list of blocks: where to thin first, and what pays to measure next."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.blocks import data, thinning
from app.wording import number, percent, ranged, say
from fruitvision.domain import Estimate
from fruitvision.pipeline.standing import BlockStanding
from fruitvision.pipeline.thinning import ranked_by_worth
from fruitvision.thinning import RankedThinning, ThinningCheck, Verdict
from fruitvision.worth import BlockWorth, FarmWorth, WorthOfMeasure

# Amounts below this have a decimal. Our choice: a tenth of a carton an hour tells measures apart.
WHOLE_FROM = 20
TOGGLE = "pays"


def of_farm(stands: Sequence[BlockStanding]) -> None:
    """Both lists. The draws behind what is at stake are made when somebody asks for them."""
    if not any(one.walks for one in stands):
        return
    asked = bool(st.session_state.get(TOGGLE))
    found = data.worth() if asked else None
    checks = {one.block_id: one for one in data.thinning()}
    _to_thin(list(checks.values()), found)
    for name in (one.block.block_id for one in stands):
        if name in checks and checks[name].verdict is Verdict.TOO_LATE:
            st.write(show.plain(f"{name}: {thinning.too_late(checks[name])}"))
    st.subheader(say("planning.pays"))
    st.toggle(say("planning.pays_show"), key=TOGGLE)
    if not asked:
        return
    if found is None:
        st.write(say("planning.no_forecast"))
        return
    _pays(found)


# ---------------------------------------------------------------- thinning


def _to_thin(checks: Sequence[ThinningCheck], worth: FarmWorth | None) -> None:
    found = ranked_by_worth(checks, worth)
    if found:
        by_worth = any(one.worth is not None for one in found)
        st.subheader(say("planning.to_thin"))
        st.caption(say("planning.to_thin_by_worth" if by_worth else "planning.to_thin_by_fruit"))
        show.table([_thinning_row(one, by_worth=by_worth) for one in found])
        st.caption(say("planning.caution"))
    straddling = [one for one in checks if one.more is not None]
    if straddling:
        st.markdown(f"**{say('planning.before_deciding')}**")
        st.markdown("\n".join(f"- {show.plain(_before(one))}" for one in straddling))


def _before(one: ThinningCheck) -> str:
    more = one.more
    return "" if more is None else say(
        "planning.before_deciding_one",
        block=one.block_id,
        n=more.trees,
        minutes=number(more.minutes),
    )  # fmt: skip


def _thinning_row(one: RankedThinning, *, by_worth: bool) -> dict[str, str]:
    check = one.check
    least = check.visible_only
    row = {
        say("planning.column_block"): check.block_id,
        say("planning.column_per_tree"): _from_to(check.take_off, least=least),
        say("planning.column_in_all"): _from_to(check.total, least=least),
        say("planning.column_hours"): _from_to(check.hours, least=False),
        say("planning.column_after_bloom"): say("planning.unknown")
        if check.days_after_bloom is None
        else number(check.days_after_bloom),
    }
    if by_worth:
        worth = say("planning.unknown") if one.worth is None else amount(one.worth)
        row[say("planning.column_worth")] = worth
    return row


def _from_to(value: Estimate | None, *, least: bool) -> str:
    if value is None:
        return say("planning.unknown")
    if least:
        return say("planning.from_least", low=number(value.p10))
    return say("planning.from_to", low=number(value.p10), high=number(value.p90))


# ---------------------------------------------------------------- what pays


def amount(value: float) -> str:
    """`1,234 EUR`, `12.7`: small ones with a decimal."""
    digits = 0 if abs(value) >= WHOLE_FROM else 1
    return f"{number(value, digits)} {session.settings().currency}".rstrip()


def _plain_amount(value: float) -> str:
    return number(value, 0 if abs(value) >= WHOLE_FROM else 1)


def _pays(found: FarmWorth) -> None:
    st.caption(say("planning.pays_words"))
    if not found.in_money:
        st.write(say("planning.pays_by_cartons"))
    if found.blocks:
        show.table([_worth_row(one, found) for one in found.blocks])
        st.write(show.plain(_farm_words(found)))
        alone = _amount_of(found, found.at_stake_alone)
        st.write(show.plain(say("planning.farm_shared", alone=alone)))
    for words in _lacking(found):
        st.write(show.plain(words))
    if found.in_money:
        st.caption(say("planning.price_caution"))


def _amount_of(found: FarmWorth, value: float) -> str:
    return amount(value) if found.in_money else _plain_amount(value)


def _worth_row(one: BlockWorth, found: FarmWorth) -> dict[str, str]:
    best = one.measures[0] if one.measures else None
    value = "planning.column_value" if found.in_money else "planning.column_value_cartons"
    row = {
        say("planning.column_block"): (
            say("planning.first_look", block=one.block_id) if one.first_look else one.block_id
        ),
        say(value): ranged(one.value),
        say("planning.column_at_stake"): _plain_amount(one.at_stake),
        say("planning.column_measure"): say(
            "planning.picked_block"
            if one.picked
            else "planning.past_pick"
            if one.past
            else "planning.no_measure"
        ),
        say("planning.column_per_hour"): say("blocks.no_sign"),
    }
    if best is not None:
        row |= {
            say("planning.column_at_stake"): say(
                "planning.now_then",
                now=_plain_amount(one.at_stake),
                then=_plain_amount(best.at_stake_then),
            ),
            say("planning.column_measure"): say(
                "planning.in_minutes", what=_work(best), minutes=number(best.measure.minutes)
            ),
            say("planning.column_per_hour"): _plain_amount(best.per_hour),
        }
    return row


def _work(one: WorthOfMeasure) -> str:
    return say(f"planning.measure_{one.measure.work.value}", n=one.measure.more)


def _farm_words(found: FarmWorth) -> str:
    whole = max(found.at_stake, 1e-9)
    parts = ", ".join(
        say("planning.farm_part", block=one.block_id, percent=percent(one.part_of_farm / whole))
        for one in sorted(found.blocks, key=lambda one: -one.part_of_farm)
    )
    value = ranged(found.value)
    currency = session.settings().currency if found.in_money else ""
    return say(
        "planning.farm",
        value=f"{value} {currency}".rstrip(),
        at_stake=_amount_of(found, found.at_stake),
        parts=parts,
    )


def _lacking(found: FarmWorth) -> list[str]:
    words = [say("planning.no_cartons", block=name) for name in found.unknown]
    words += [say("planning.no_price", block=name) for name in found.unpriced]
    words += [
        say("planning.no_price_of_class", variety=variety, classes=", ".join(classes))
        for variety, classes in found.lacking.items()
    ]
    if found.unused:
        words.append(say("planning.price_unused", classes=", ".join(found.unused)))
    return words
