"""A forecast of given inputs, and papers of a packing house, for the tests of learning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    BinTicket,
    BlockInputs,
    CulledFruit,
    Forecast,
    PackedCartons,
    PackedLot,
    SizeTable,
)
from fruitvision.forecast.crop_draws import add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, summarise
from fruitvision.learning.layers import Comparison, compare
from fruitvision.learning.matching import season_results
from fruitvision.settings import Settings, all_settings_to_text
from fruitvision.simulate.coverage import forecast_block
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.fates import CULLED
from fruitvision.simulate.season.harvest import cartons_by_class
from fruitvision.simulate.season.walk import office_block, walk
from fruitvision.simulate.worlds import World
from fruitvision.size_table import load_size_table
from tests.farm_records import MADE_WITH


def forecast_of(
    inputs: Sequence[BlockInputs],
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
    name: str = "",
) -> Forecast:
    """Blocks and farm drawn and summarised, as the pipeline does it."""
    shared = draw_shared(settings)
    draws = [draw_block(one, table, settings, shared) for one in inputs]
    blocks = tuple(
        summarise(
            drawn,
            Heading(
                name=one.estimate.block.block_id,
                variety=one.estimate.block.variety,
                pick_date=one.plan.picks[0].pick_date,
            ),
            table,
            settings,
        )
        for one, drawn in zip(inputs, draws, strict=True)
    )
    total = summarise(
        add_draws(draws), Heading(name="farm", variety="", pick_date=None), table, settings
    )
    return Forecast(
        forecast_id=name or f"{made_on}-test",
        farm="Larkhill",
        made_on=made_on,
        size_table=table.name,
        blocks=blocks,
        varieties=(),
        total=total,
        next_action="",
        made_with=MADE_WITH,
        inputs=tuple(inputs),
        seed=settings.seed,
        settings_text=all_settings_to_text(settings),
        table=table,
    )


def papers(
    block_id: str,
    *,
    picked_on: date,
    bins: float,
    cartons: NDArray[np.float64],
    culled_kg: float,
    table: SizeTable,
    part: float = 1.0,
) -> tuple[BinTicket, PackedLot]:
    """One ticket and one lot of a block in a season; `part` of the bins are in the lot."""
    lot = f"{block_id} {picked_on.year}"
    ticket = BinTicket(ticket=lot, block_id=block_id, picked_on=picked_on, bins=bins, lot=lot)
    return ticket, PackedLot(
        lot=lot,
        packed_on=picked_on + timedelta(days=40),
        size_table=table.name,
        cartons=tuple(
            PackedCartons(size_class=one.name, cartons=float(part * number))
            for one, number in zip(table.classes, cartons, strict=True)
            if number > 0
        ),
        culled=(CulledFruit(cause="all", kg=part * culled_kg),),
    )


def papers_of(
    season: SeasonBlock,
    table: SizeTable,
    *,
    year: int = 0,
    more: float = 1.0,
    bin_kg: float = 381.0,
) -> tuple[BinTicket, PackedLot]:
    """What the packing house writes down of a simulated season; `more` times its true crop.

    `year` : of the pick, where it is another than the season's.
    """
    picked = season.pick > 0
    kg = float(season.mass_g[picked].sum()) / 1000
    culled = picked & (season.fate == CULLED)
    by_class = cartons_by_class(season, table, picked)
    classes = np.searchsorted(
        [table.classes[0].low, *(one.high for one in table.classes)],
        season.mass_g if table.unit == "g" else season.pick_mm,
        side="right",
    )
    outside = picked & ~culled & ((classes == 0) | (classes > len(table.classes)))
    not_packed = float(season.mass_g[culled | outside].sum()) / 1000
    day = season.plan.pick_date
    return papers(
        season.plan.block_id,
        picked_on=replace_year(day, year or day.year),
        bins=more * kg / bin_kg,
        cartons=more * by_class,
        culled_kg=more * not_packed,
        table=table,
    )


def replace_year(day: date, year: int) -> date:
    """The same day of another year."""
    return day.replace(year=year)


def in_year(inputs: BlockInputs, year: int) -> BlockInputs:
    """Inputs of the same walk and picks in another year."""
    estimate = inputs.estimate
    sizes = estimate.sizes
    picks = tuple(
        replace(one, pick_date=replace_year(one.pick_date, year)) for one in inputs.plan.picks
    )
    return replace(
        inputs,
        estimate=replace(
            estimate,
            walked_on=replace_year(estimate.walked_on, year),
            sizes=None
            if sizes is None
            else replace(sizes, measured_on=replace_year(sizes.measured_on, year)),
        ),
        plan=replace(inputs.plan, picks=picks),
        growth=replace(
            inputs.growth,
            measured_on=None
            if inputs.growth.measured_on is None
            else replace_year(inputs.growth.measured_on, year),
        ),
    )


def simulated_year(
    world: World, seed: int, table: SizeTable, settings: Settings, *, year: int, more: float = 1.0
) -> list[tuple[Forecast, Comparison]]:
    """One season of an invented farm: each block walked, forecast and packed, and both held
    together; `more` times the true crop comes in."""
    settings = replace(settings, seed=seed)
    shared = draw_shared(settings)
    found = []
    for season in draw_season(seed, world.season_plans(seed, settings)):
        seen = walk(season, seed, world.walk_errors(season.plan, seed, settings))
        inputs, _ = forecast_block(office_block(season), seen, table, settings, shared)
        inputs = in_year(inputs, year)
        made = forecast_of([inputs], table, settings, made_on=inputs.estimate.walked_on)
        ticket, lot = papers_of(season, table, year=year, more=more)
        block = inputs.estimate.block
        (result,) = season_results([ticket], [lot], (), [block], {}).results
        one = compare(made, result, load_size_table)
        assert one is not None
        found.append((made, one))
    return found
