"""Worlds in which forecasts are tried: one friendly to their assumptions, others that break one.

A world is the farm below with some dials changed. A friendly season draws what the forecast takes
for uncertain with the very spread that the forecast's settings state, so that its ranges must come
true; what still misses is a fault of the statistics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.forecast.growth import growth_shift_mm
from fruitvision.register import UNCHECKED_ERROR
from fruitvision.settings import Settings
from fruitvision.simulate.season.dial import check_dials, check_seed, dial
from fruitvision.simulate.season.orchard import SizeDials
from fruitvision.simulate.season.plan import PLANS, BlockPlan, Growth, StraightGrowth
from fruitvision.simulate.season.walk import DISTANCE_MM, WalkErrors

# Purposes of the farm's own random streams.
SHARED, REGISTER, VISITS, FACTORS, SIZES = 1, 2, 3, 4, 5

# Range of the diameters on the day of the walk, mm: wide enough to cut nothing.
_SIZES = SizeDials(size_between_mm=(20.0, 110.0))

_GALA, _FUJI = PLANS
# All blocks are walked as the walk card asks for. Our choice.
FARM = (
    replace(_GALA, photographed=20, hand_counted=10, calipered=8, missing=15, sizes=_SIZES),
    replace(_FUJI, photographed=20, hand_counted=8, calipered=8, missing=15, sizes=_SIZES),
    BlockPlan(
        block_id="Braeburn Bank",
        letter="B",
        variety="Braeburn",
        rows=6,
        trees_per_row=48,
        missing=14,
        pollinizers=10,
        walked_on=date(2026, 8, 14),
        pick_date=date(2026, 9, 18),
        earlier_calipers_on=date(2026, 7, 24),
        photographed=16,
        hand_counted=8,
        calipered=8,
        fruit_per_tree=85.0,
        diameter_mm=64.0,
        sizes=_SIZES,
        growth=Growth(
            grams_per_day=1.45,
            relative_rate_per_day=0.085,
            linear_from=date(2026, 6, 8),
            power=2.85,
        ),
    ),
)
# Gain of the cubed diameter in a friendly world: 1.5 g a day at 3.8e-4 g/mm³.
_FRIENDLY_GROWTH = StraightGrowth(mm3_per_day=4000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A farm of blocks, how it is walked, and what nobody knows of it.

    `words` : one sentence on what is special. `as_assumed` : mass, drop, culls, the growth after
    the walk, the marker's depth and the register stray as the settings state. `lending` : blocks
    are of one kind and lend each other their hand counts.
    """

    name: str
    words: str
    plans: tuple[BlockPlan, ...] = FARM
    errors: WalkErrors = field(default_factory=WalkErrors)
    as_assumed: bool = False
    lending: bool = False
    factor_sd: float = dial(
        0.0,
        unit="of the hidden-fruit factor, between blocks, log",
        low=0.0,
        high=0.5,
        source="our choice: none",
    )
    size_sd_mm: float = dial(
        0.0,
        unit="mm, of a block's mean diameter on the day of the walk, between seasons",
        low=0.0,
        high=8.0,
        source="our choice: none",
    )
    unlisted_gaps: float = dial(
        0.0,
        unit="of the positions are missing trees that the register says bear",
        low=0.0,
        high=0.3,
        source="our choice: none",
    )

    def __post_init__(self) -> None:
        check_dials(self)

    def season_plans(self, seed: int, settings: Settings) -> tuple[BlockPlan, ...]:
        """The blocks of one season, with what strays for the whole farm drawn."""
        check_seed(seed)
        plans = tuple(
            _with_gaps(_of_size(plan, seed, self.size_sd_mm), self.unlisted_gaps)
            for plan in self.plans
        )
        if not self.as_assumed:
            return plans
        mass, drop, culls, pace = farm_stream(seed, SHARED).standard_normal(4)
        return tuple(
            _strayed(plan, settings, mass=mass, drop=drop, culls=culls, pace=pace) for plan in plans
        )

    def walk_errors(self, plan: BlockPlan, seed: int, settings: Settings) -> WalkErrors:
        """How a block is walked in one season."""
        errors = self.errors
        if self.factor_sd > 0.0:
            strayed = farm_stream(seed, FACTORS, plan.letter).normal(0.0, self.factor_sd)
            seen = (1.0 - errors.hidden_share) * float(np.exp(-strayed))
            errors = replace(errors, hidden_share=_share(1.0 - seen))
        if not self.as_assumed:
            return errors
        outlines_mm = settings.outline_bias_error * DISTANCE_MM
        depth_mm = float(np.hypot(settings.marker_depth_error_mm, outlines_mm))
        return replace(errors, marker_depth_mm=depth_mm)

    def listed_missing(self, plan: BlockPlan, seed: int) -> int:
        """Missing trees by the office's list, of a block of `season_plans`."""
        listed = plan.missing - _gaps(plan, self.unlisted_gaps)
        if not self.as_assumed:
            return listed
        bearing = plan.positions - plan.pollinizers - listed
        stray = farm_stream(seed, REGISTER, plan.letter).normal(0.0, UNCHECKED_ERROR * bearing)
        return max(0, listed + round(float(stray)))


def farm_stream(seed: int, purpose: int, letter: str = "") -> np.random.Generator:
    """Random numbers of a farm, or of one of its blocks, that the seasons themselves do not use."""
    return np.random.default_rng([seed, 2, purpose, *map(ord, letter)])


def _gaps(plan: BlockPlan, share: float) -> int:
    return round(share * plan.positions)


def _of_size(plan: BlockPlan, seed: int, sd_mm: float) -> BlockPlan:
    """A block whose fruit are larger or smaller than usual in this season."""
    if sd_mm == 0.0:
        return plan
    strayed = float(farm_stream(seed, SIZES, plan.letter).normal(0.0, sd_mm))
    return replace(plan, diameter_mm=plan.diameter_mm + strayed)


def _with_gaps(plan: BlockPlan, share: float) -> BlockPlan:
    return replace(plan, missing=plan.missing + _gaps(plan, share)) if share > 0.0 else plan


def _strayed(
    plan: BlockPlan, settings: Settings, *, mass: float, drop: float, culls: float, pace: float
) -> BlockPlan:
    """A block in a season whose departures are so many standard errors of the settings."""
    factor = settings.mass_factor_g_per_mm3 * (1.0 + settings.mass_factor_error * mass)
    dropped = _share(settings.drop_share + settings.drop_share_error * drop)
    culled = _share(settings.cull_share + settings.cull_share_error * culls)
    return replace(
        plan,
        mass=replace(
            plan.mass,
            factor_g_per_mm3=factor,
            variety_spread=0.0,
            scatter=settings.mass_scatter,
        ),
        drop=replace(plan.drop, share_between=(dropped, dropped)),
        culls=replace(plan.culls, share_between=(culled, culled)),
        weather=replace(
            plan.weather,
            pace=_pace(plan, settings, pace),
            pace_sd=0.0,
            pace_between=(0.0, 3.0),
            # All fruit gain the same mm, as the forecast has it.
            fruit_pace_sd=0.0,
            jitter_mm=0.0,
        ),
    )


def _share(value: float) -> float:
    return min(max(value, 0.0), 0.9)


def _pace(plan: BlockPlan, settings: Settings, strayed: float) -> float:
    """Pace that moves the mean fruit by the settings' error of a projection, so many times."""
    if not isinstance(plan.growth, StraightGrowth):
        return 1.0
    days = (plan.pick_date - plan.walked_on).days
    sd_mm = float(np.hypot(plan.sizes.tree_sd_mm, plan.sizes.fruit_sd_mm))
    gain_mm3 = plan.growth.mm3_per_day * days
    shift_mm = float(growth_shift_mm(plan.diameter_mm, sd_mm, gain_mm3))
    away_mm = settings.projection_error_mm_per_day * days * strayed
    return max(0.0, 1.0 + away_mm / shift_mm) if shift_mm > 0.0 else 1.0


def _all(change: Callable[[BlockPlan], BlockPlan]) -> tuple[BlockPlan, ...]:
    """The friendly farm with every block changed alike."""
    return tuple(change(replace(plan, growth=_FRIENDLY_GROWTH)) for plan in FARM)


def _dry(plan: BlockPlan) -> BlockPlan:
    """Growth stops for a week that begins five days after the walk."""
    begins = plan.walked_on + timedelta(days=5)
    weather = replace(plan.weather, dry_from=begins, dry_until=begins + timedelta(days=7))
    return replace(plan, weather=weather)


# A hand count slips on neither side: the forecast takes it for true.
_FRIENDLY_ERRORS = WalkErrors(slip_share=0.0)
_FRIENDLY = World(
    name="friendly",
    words="All strays as the forecast assumes.",
    plans=_all(lambda plan: plan),
    errors=_FRIENDLY_ERRORS,
    as_assumed=True,
)
WORLDS = (
    _FRIENDLY,
    replace(
        _FRIENDLY,
        name="sizes-vary",
        words="As friendly; a block's mean size varies by 4 mm between seasons.",
        size_sd_mm=4.0,
    ),
    World(
        name="usual",
        words="Growth, mass, drop and culls follow rules of their own; hand counts slip.",
    ),
    replace(
        _FRIENDLY,
        name="hidden-by-load",
        words="A tree with twice the usual load hides 68 % of its fruit instead of 38 %.",
        errors=replace(_FRIENDLY_ERRORS, hidden_by_load=0.3),
    ),
    replace(
        _FRIENDLY,
        name="load-counted",
        words="As hidden-by-load; of 30 photographed trees of a block 16 are counted by hand.",
        errors=replace(_FRIENDLY_ERRORS, hidden_by_load=0.3),
        plans=_all(lambda plan: replace(plan, photographed=30, hand_counted=16)),
    ),
    replace(
        _FRIENDLY,
        name="light-hide",
        words="A tree with half the usual load hides 53 % of its fruit; 16 of 30 trees counted.",
        errors=replace(_FRIENDLY_ERRORS, hidden_by_load=-0.3),
        plans=_all(lambda plan: replace(plan, photographed=30, hand_counted=16)),
    ),
    replace(
        _FRIENDLY,
        name="trend",
        words="Load rises by half of the mean across the rows and along them.",
        plans=_all(
            lambda plan: replace(
                plan, load=replace(plan.load, trend_across_rows=0.5, trend_along_rows=0.5)
            )
        ),
    ),
    replace(
        _FRIENDLY,
        name="drought",
        words="Growth stops for a week between walk and pick, and nobody tells the forecast.",
        plans=_all(_dry),
    ),
    replace(
        _FRIENDLY,
        name="five-counts",
        words="Only five trees of a block are counted by hand.",
        plans=_all(lambda plan: replace(plan, hand_counted=5)),
    ),
    replace(
        _FRIENDLY,
        name="like-blocks",
        words="Three hand counts a block, lent to like blocks; factors of blocks differ by 10 %.",
        plans=_all(lambda plan: replace(plan, hand_counted=3)),
        lending=True,
        factor_sd=0.10,
    ),
    replace(
        _FRIENDLY,
        name="wrong-register",
        words="5 % of the positions are gaps that the register does not know; the walk meets some.",
        unlisted_gaps=0.05,
    ),
)


def world_of(name: str) -> World:
    """The world of that name.

    Raises
    ------
    SimulationError
        If there is none.
    """
    named = {world.name: world for world in WORLDS}
    if name not in named:
        raise SimulationError(f"There is no world '{name}'.", fix=did_you_mean(name, named))
    return named[name]
