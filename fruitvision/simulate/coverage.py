"""One simulated season walked, forecast and harvested: did its ranges come true?

Photos are not rendered: the walk is `fruitvision.simulate.season.walk`. From there on the chain is
the real one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fruitvision.block import NOTHING_MORE, Background, estimate_block
from fruitvision.domain import (
    Block,
    BlockInputs,
    CropForecast,
    Estimate,
    SizeTable,
    TreeId,
    TreeKind,
    VisitedPlace,
)
from fruitvision.forecast.crop_draws import CropDraws, add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.inputs import default_inputs
from fruitvision.forecast.like_growth import choose_growth
from fruitvision.forecast.own_growth import own_growth
from fruitvision.forecast.season import draw_sizes
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import Heading, estimate_of, summarise
from fruitvision.hidden import LikeBlock
from fruitvision.settings import Settings
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.harvest import cartons_by_class
from fruitvision.simulate.season.register import KINDS
from fruitvision.simulate.season.walk import Walk, office_block, tree_id, walk
from fruitvision.simulate.worlds import VISITS, World, farm_stream

FARM = "farm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Sums over forecasts of one quantity: how many, how many held the truth, and by how much
    P50 and the width P10–P90 differ from it."""

    number: int = 0
    inside: int = 0
    error: float = 0.0
    width: float = 0.0
    truth: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            number=self.number + other.number,
            inside=self.inside + other.inside,
            error=self.error + other.error,
            width=self.width + other.width,
            truth=self.truth + other.truth,
        )


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """Of which block a number is, and what it is; of a class, with the class's name."""

    block_id: str
    what: str
    size_class: str = ""


Tallies = dict[Key, Tally]


# What is measured, in the order of the table, and the unit of its bias: "%" of the mean truth, or
# the difference itself.
FRUIT_TODAY = "block count, fruit today"
FRUIT_PICKED = "fruit picked"
MM_TODAY = "mean size today"
MM_AT_PICK = "mean size at pick"
CLASS_SHARE = "share of class"
CLASS_CARTONS = "cartons of class"
CARTONS = "cartons per block"
TONNES = "tonnes per block"
FARM_CARTONS = "farm total, cartons"
UNITS = {
    FRUIT_TODAY: "%",
    MM_TODAY: "mm",
    FRUIT_PICKED: "%",
    MM_AT_PICK: "mm",
    CLASS_SHARE: "points",
    CLASS_CARTONS: "%",
    CARTONS: "%",
    TONNES: "%",
    FARM_CARTONS: "%",
}


# ---------------------------------------------------------------- one season


def forecast_block(
    block: Block,
    seen: Walk,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
    background: Background = NOTHING_MORE,
) -> tuple[BlockInputs, CropDraws]:
    """The real chain from the walk on: block, growth by calipers, one simulation."""
    estimate = estimate_block(
        block, seen.trees, seen.hand_counts, seen.readings, settings, background
    )
    growth = choose_growth(own_growth(seen.readings, ()), None, None, settings)
    inputs = default_inputs(estimate, growth, settings)
    return inputs, draw_block(inputs, table, settings, shared)


def visited_places(season: SeasonBlock, seed: int) -> tuple[VisitedPlace, ...]:
    """What the walk found at its places: photographed trees, and as many of the others as come up
    when every place has the same chance."""
    plan, register = season.plan, season.register
    found = [
        VisitedPlace(tree=tree_id(season, tree), visited_on=plan.walked_on, found=TreeKind.BEARING)
        for tree in season.photographed
    ]
    chance = len(season.photographed) / len(season.places)
    others = np.flatnonzero(~register.bears)
    met = others[farm_stream(seed, VISITS, plan.letter).random(len(others)) < chance]
    found += [
        VisitedPlace(
            tree=TreeId(plan.block_id, *register.places[place].tolist()),
            visited_on=plan.walked_on,
            found=KINDS[register.kind[place]],
        )
        for place in met
    ]
    return tuple(found)


def like_blocks(block_id: str, walks: Mapping[str, Walk]) -> tuple[LikeBlock, ...]:
    """What the other blocks lend to a block."""
    return tuple(
        LikeBlock(block_id=name, trees=seen.trees, hand_counts=seen.hand_counts)
        for name, seen in walks.items()
        if name != block_id
    )


def season_tallies(world: World, seed: int, table: SizeTable, settings: Settings) -> Tallies:
    """One season of a world: every block walked, forecast, and held against its truth."""
    # Each season has draws of its own, so that their noise does not repeat.
    settings = replace(settings, seed=seed)
    shared = draw_shared(settings)
    seasons = draw_season(seed, world.season_plans(seed, settings))
    walks = {
        one.plan.block_id: walk(one, seed, world.walk_errors(one.plan, seed, settings))
        for one in seasons
    }
    found: Tallies = {}
    crops: list[CropDraws] = []
    cartons = 0.0
    for season in seasons:
        listed = replace(office_block(season), missing=world.listed_missing(season.plan, seed))
        background = Background(
            visited=visited_places(season, seed),
            like_blocks=like_blocks(listed.block_id, walks) if world.lending else (),
        )
        inputs, draws = forecast_block(
            listed, walks[listed.block_id], table, settings, shared, background
        )
        crops.append(draws)
        crop = summarise(draws, _heading(listed.block_id), table, settings)
        by_class = cartons_by_class(season, table, season.pick > 0)
        cartons += float(by_class.sum())
        pairs = _block_pairs(season, inputs, crop, _today_mm(inputs, settings, shared))
        pairs |= _class_pairs(season, crop, table, by_class.tolist())
        pairs[Key(listed.block_id, CARTONS)] = (crop.cartons, float(by_class.sum()))
        found |= _tallies(pairs)
    total = summarise(add_draws(crops), _heading(FARM), table, settings)
    return found | _tallies({Key(FARM, FARM_CARTONS): (total.cartons, cartons)})


def _heading(name: str) -> Heading:
    return Heading(name=name, variety="", pick_date=None)


def _today_mm(inputs: BlockInputs, settings: Settings, shared: SharedErrors) -> Estimate | None:
    sizes = inputs.estimate.sizes
    if sizes is None:
        return None
    return estimate_of(draw_sizes(sizes, inputs, settings, shared)[0])


Pairs = dict[Key, tuple[Estimate | None, float]]


def _block_pairs(
    season: SeasonBlock, inputs: BlockInputs, crop: CropForecast, today_mm: Estimate | None
) -> Pairs:
    picked = season.pick > 0
    pairs = {
        FRUIT_TODAY: (inputs.estimate.fruit_total, float(len(season.tree))),
        MM_TODAY: (today_mm, float(season.diameter_mm.mean())),
        FRUIT_PICKED: (crop.fruit, float(picked.sum())),
        MM_AT_PICK: (crop.diameter_mm, float(season.pick_mm[picked].mean())),
        TONNES: (crop.tonnes, float(season.mass_g[picked].sum()) / 1e6),
    }
    return {Key(season.plan.block_id, what): pair for what, pair in pairs.items()}


def _class_pairs(
    season: SeasonBlock, crop: CropForecast, table: SizeTable, cartons: Sequence[float]
) -> Pairs:
    """Share of the picked fruit, and cartons, of every class that has a row of its own."""
    picked = season.pick > 0
    sizes = season.mass_g if table.unit == "g" else season.pick_mm
    edges = [table.classes[0].low, *(one.high for one in table.classes)]
    number, _ = np.histogram(sizes[picked], edges)
    names = [one.name for one in table.classes]
    pairs: Pairs = {}
    for row in crop.classes:
        if row.size_class in names:
            index, block_id = names.index(row.size_class), season.plan.block_id
            share = float(number[index]) / float(picked.sum())
            pairs[Key(block_id, CLASS_SHARE, row.size_class)] = (row.share, share)
            pairs[Key(block_id, CLASS_CARTONS, row.size_class)] = (row.cartons, cartons[index])
    return pairs


def _tallies(pairs: Pairs) -> Tallies:
    """What the forecast does not say is not held against it; `n` tells how often it spoke."""
    return {
        key: Tally(
            number=1,
            inside=int(said.p10 <= truth <= said.p90),
            error=said.p50 - truth,
            width=said.p90 - said.p10,
            truth=truth,
        )
        for key, (said, truth) in pairs.items()
        if said is not None
    }
