"""Dials of the trees: what stands where, how much each bears, how large its fruit are."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.simulate.season.dial import check_dials, dial, refuse


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """A rectangle of rows and positions that bears otherwise than the rest, such as frost ground.

    `rows`, `positions` : first and last, both in it, counted from 1.
    """

    name: str
    rows: tuple[int, ...] = dial((1, 1), unit="row", low=1, high=1000, source="our choice")
    positions: tuple[int, ...] = dial(
        (1, 1), unit="position", low=1, high=2000, source="our choice"
    )
    load_share: float = dial(
        0.4, unit="of the load elsewhere", low=0.0, high=2.0, source="our choice: a frost night"
    )

    def __post_init__(self) -> None:
        check_dials(self)
        for name, pair in (("rows", self.rows), ("positions", self.positions)):
            if len(pair) != 2 or pair[0] > pair[1]:
                refuse(f"{name} of stratum {self.name}", pair, "the first and the last, in order")
        if not self.name:
            refuse("name of a stratum", "empty", "a name; the rest of the block has none")


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterDials:
    """What stands in the block beside full trees, missing trees and pollinizers.

    Where strata overlap, the one named first holds.
    """

    replants: int = dial(0, unit="trees", low=0, high=100000, source="our choice")
    replant_share: float = dial(
        0.3, unit="of a full tree's load", low=0.0, high=1.0, source="our choice: third leaf"
    )
    strata: tuple[Stratum, ...] = ()

    def __post_init__(self) -> None:
        check_dials(self)
        names = [stratum.name for stratum in self.strata]
        if len(set(names)) < len(names):
            refuse("strata", ", ".join(names), "each name once")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadDials:
    """How the load varies from tree to tree.

    `tree_cv` and `row_share` are of the trees before trend, strata, replants and off-trees, which
    add to the spread.
    """

    tree_cv: float = dial(
        0.25,
        unit="of the mean",
        low=0.0,
        high=0.4,
        # Higher ones would be cut by `load_between`; strata and off-trees make a block more uneven.
        source="Strickland's 187 apple trees: 0.227 (agridat strickland.apple.uniformity)",
    )
    row_share: float = dial(
        0.2,
        unit="of the variance lies between rows",
        low=0.0,
        high=1.0,
        source="the same trees: row correlation 0.18",
    )
    load_between: tuple[float, float] = dial(
        (0.25, 1.9), unit="of the mean", low=0.0, high=5.0, source="our choice: three sd"
    )
    trend_across_rows: float = dial(
        0.0, unit="of the mean, last row less first", low=-1.5, high=1.5, source="our choice: none"
    )
    trend_along_rows: float = dial(
        0.0, unit="of the mean, row's end less start", low=-1.5, high=1.5, source="our choice: none"
    )
    off_trees: float = dial(
        0.0, unit="of the trees", low=0.0, high=1.0, source="our choice: no biennial bearing"
    )
    off_load: float = dial(
        0.15, unit="of the usual load", low=0.0, high=1.0, source="our choice: next to no bloom"
    )
    on_load: float = dial(
        1.2,
        unit="of the usual load, of the others where there are off-trees",
        low=1.0,
        high=2.0,
        source="our choice: little thinned",
    )

    def __post_init__(self) -> None:
        check_dials(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class JuneDropDials:
    """The last natural shedding; the block's fruit count is the one after it."""

    lost_share: float = dial(
        0.5, unit="of the fruit set", low=0.0, high=0.9, source="our choice; from memory: a half"
    )
    lost_share_sd: float = dial(0.08, unit="between trees", low=0.0, high=0.3, source="our choice")
    begins_days_before_walk: int = dial(
        70, unit="days", low=1, high=200, source="common practice: about 6 weeks after bloom"
    )
    ends_days_before_walk: int = dial(
        56, unit="days", low=0, high=200, source="common practice: about 8 weeks after bloom"
    )

    def __post_init__(self) -> None:
        check_dials(self)
        if self.ends_days_before_walk > self.begins_days_before_walk:
            refuse(
                "ends_days_before_walk",
                self.ends_days_before_walk,
                f"up to {self.begins_days_before_walk}, the beginning",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeDials:
    """Diameters on the day of the walk around the block's mean: sd 5 mm in all by default."""

    tree_sd_mm: float = dial(
        1.8, unit="mm between trees of one load", low=0.0, high=10.0, source="our choice"
    )
    fruit_sd_mm: float = dial(
        4.6,
        unit="mm within a tree",
        low=0.0,
        high=15.0,
        source="our choice; CV of mass 16-28 % in 272 trees (Zhang & Robson), a third of it in mm",
    )
    load_mm_per_fruit: float = dial(
        -0.04,
        unit="mm for each fruit above the mean load",
        low=-0.5,
        high=0.5,
        source="our choice: heavy trees bear smaller fruit",
    )
    size_between_mm: tuple[float, float] = dial(
        (15.0, 110.0), unit="mm", low=1.0, high=200.0, source="our choice: no apple is beyond"
    )

    def __post_init__(self) -> None:
        check_dials(self)
