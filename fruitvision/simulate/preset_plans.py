"""Blocks of the presets: what hangs there. All numbers are our invention."""

from __future__ import annotations

from datetime import date, timedelta
from math import expm1, log

from fruitvision.simulate.season.orchard import LoadDials, RegisterDials, SizeDials, Stratum
from fruitvision.simulate.season.plan import BlockPlan, Growth

# 3.8e-4 g/mm³ is the middle of the printed count tables.
GRAMS_PER_MM3 = 3.8e-4
RELATIVE_RATE_PER_DAY = 0.085
# Small blocks: 120 positions are enough to spread eight trees over.
ROWS, TREES_PER_ROW = 4, 30


def _growth(walked_on: date, diameter_mm: float, grams_per_day: float) -> Growth:
    """Growth whose mean fruit weighs on that day what fruit of that diameter do."""
    mass_g = GRAMS_PER_MM3 * diameter_mm**3
    # The inverse of Growth.mass_g.
    grown = log(expm1(mass_g * RELATIVE_RATE_PER_DAY / grams_per_day)) / RELATIVE_RATE_PER_DAY
    return Growth(
        grams_per_day=grams_per_day,
        relative_rate_per_day=RELATIVE_RATE_PER_DAY,
        linear_from=walked_on - timedelta(days=round(grown)),
        power=2.85,
    )


EASY_WALL = BlockPlan(
    block_id="Wall East",
    letter="W",
    variety="Gala",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=3,
    pollinizers=4,
    walked_on=date(2026, 8, 14),
    pick_date=date(2026, 9, 2),
    earlier_calipers_on=date(2026, 7, 31),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=68.0,
    diameter_mm=68.0,
    sizes=SizeDials(fruit_sd_mm=4.0, size_between_mm=(50.0, 86.0)),
    growth=_growth(date(2026, 8, 14), 68.0, 1.6),
)

LEAFY_SPINDLE = BlockPlan(
    block_id="Spindle Hill",
    letter="S",
    variety="Fuji",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=5,
    pollinizers=4,
    walked_on=date(2026, 9, 8),
    pick_date=date(2026, 10, 8),
    earlier_calipers_on=date(2026, 8, 25),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=82.0,
    diameter_mm=74.0,
    sizes=SizeDials(size_between_mm=(52.0, 94.0)),
    growth=_growth(date(2026, 9, 8), 74.0, 1.7),
)

GREEN_EARLY = BlockPlan(
    block_id="Terrace",
    letter="T",
    variety="Braeburn",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=4,
    pollinizers=4,
    walked_on=date(2026, 7, 6),
    pick_date=date(2026, 10, 5),
    earlier_calipers_on=date(2026, 6, 26),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=95.0,
    diameter_mm=37.5,
    # A tenth lies outside 30 to 45 mm at most.
    sizes=SizeDials(
        tree_sd_mm=1.2,
        fruit_sd_mm=2.8,
        load_mm_per_fruit=-0.02,
        size_between_mm=(26.0, 50.0),
    ),
    growth=_growth(date(2026, 7, 6), 37.5, 1.6),
)

LOW_SUN = BlockPlan(
    block_id="Lowfield",
    letter="L",
    variety="Golden",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=4,
    pollinizers=4,
    walked_on=date(2026, 9, 14),
    pick_date=date(2026, 9, 24),
    earlier_calipers_on=date(2026, 8, 31),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=75.0,
    diameter_mm=72.0,
    sizes=SizeDials(size_between_mm=(50.0, 92.0)),
    growth=_growth(date(2026, 9, 14), 72.0, 1.6),
)

NIGHT_FLASH = BlockPlan(
    block_id="North Corner",
    letter="N",
    variety="Gala",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=4,
    pollinizers=4,
    walked_on=date(2026, 8, 27),
    pick_date=date(2026, 9, 4),
    earlier_calipers_on=date(2026, 8, 13),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=72.0,
    diameter_mm=71.0,
    sizes=SizeDials(size_between_mm=(50.0, 90.0)),
    growth=_growth(date(2026, 8, 27), 71.0, 1.5),
)

FROST_HIT = BlockPlan(
    block_id="Frost Bottom",
    letter="K",
    variety="Braeburn",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=6,
    pollinizers=4,
    walked_on=date(2026, 9, 18),
    pick_date=date(2026, 10, 9),
    earlier_calipers_on=date(2026, 9, 4),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=44.0,
    diameter_mm=80.0,
    # The lower end of the block lay in the cold air.
    register=RegisterDials(
        replants=4,
        strata=(Stratum(name="frost ground", rows=(1, 4), positions=(1, 15), load_share=0.25),),
    ),
    load=LoadDials(tree_cv=0.35),
    # Few fruit grow large.
    sizes=SizeDials(load_mm_per_fruit=-0.12, size_between_mm=(55.0, 98.0)),
    growth=_growth(date(2026, 9, 18), 80.0, 1.9),
)

FRUITLETS = BlockPlan(
    block_id="June Rows",
    letter="J",
    variety="Gala",
    rows=ROWS,
    trees_per_row=TREES_PER_ROW,
    missing=4,
    pollinizers=4,
    walked_on=date(2026, 6, 16),
    pick_date=date(2026, 9, 3),
    earlier_calipers_on=date(2026, 6, 9),
    photographed=8,
    hand_counted=8,
    calipered=8,
    fruit_per_tree=110.0,
    diameter_mm=24.0,
    sizes=SizeDials(
        tree_sd_mm=0.6,
        fruit_sd_mm=1.3,
        load_mm_per_fruit=-0.008,
        size_between_mm=(20.0, 28.0),
    ),
    growth=_growth(date(2026, 6, 16), 24.0, 1.5),
)
