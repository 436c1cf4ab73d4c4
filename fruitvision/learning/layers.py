"""A forecast held against what came in, in three layers, since errors cancel in the total.

1. Number: fruit that came in, by what the packing house knows best of them.
2. Size: the forecast's own shape moved and stretched until the packed cartons are likeliest.
3. Culls: share of the fruit within the size table that was not packed.

Numbers as published stand beside them, for whether the truth fell into the range. The layers are
against the forecast without what was learned before, so that nothing is learned twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import log

import numpy as np

from fruitvision.domain import (
    BlockInputs,
    BridgeStep,
    CropForecast,
    Estimate,
    Forecast,
    SizeTable,
    Stage,
)
from fruitvision.forecast.drawn_with import drawn_with
from fruitvision.learning.expected import ExpectedCrop, SizeMove
from fruitvision.learning.lot_tables import TableOf, of_one_table
from fruitvision.learning.matching import LotPiece, SeasonResult
from fruitvision.learning.packed_sizes import (
    PackedSizes,
    packed_by_class,
    read_sizes,
)
from fruitvision.learning.stages import stage_of
from fruitvision.settings import Settings

# Part of a block's bins that must be packed before its sizes, culls and cartons are read. Our
# choice: what is packed first is not like the rest.
MOSTLY_PACKED = 0.5
# Relative standard errors of the number of fruit, by how it is known. Our choices: fruit of some
# bins counted; packed fruit by cartons and culls by weight; bins at their usual weight.
COUNTED_ERROR, PACKED_ERROR, BY_WEIGHT_ERROR = 0.03, 0.03, 0.06
# Standard error of the mean diameter read from cartons, mm. Our choice: what a sizer is set by.
SIZER_ERROR_MM = 0.3
# More of each where all bins are in lots with other blocks, whose fruit may differ. Our choice.
MIXED_ERROR, MIXED_ERROR_MM = 0.05, 1.0
# Culls are not read where less of the fruit than this lies within the size table. Our choice.
SMALLEST_INSIDE = 0.1
# P90 less P10 of a normal distribution, in standard deviations.
RANGE_SDS = 2.563


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One layer's error: how far the forecast must be moved, and the errors of both sides."""

    value: float
    result_error: float
    forecast_error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One forecast of one block against its season.

    Attributes
    ----------
    fruit, diameter_mm, cartons : Estimate or None
        As published; `actual_...` beside them, None where not known.
    count : Layer or None
        Logarithm of actual over forecast number of fruit.
    size_mm : Layer or None
        Actual less forecast mean diameter, of the same day: what `days_late` days made is in
        `late_mm`.
    cull : Layer or None
        Actual less forecast share of the fruit that is not packed; the actual is `actual_cull`.
    stretch : float or None
        Actual spread of the sizes, times that expected.
    steps : tuple of BridgeStep
        Expected cartons that each layer (count, size, culls) was wrong by: actual less forecast.
    hand_counts, trees : int
        What the number rested on.
    """

    forecast_id: str
    made_on: date
    frozen: bool
    block_id: str
    variety: str
    season: int
    stage: Stage
    days_before: int
    left_out: str
    fruit: Estimate
    actual_fruit: float | None
    diameter_mm: Estimate | None
    actual_mm: float | None
    cartons: Estimate | None
    actual_cartons: float | None
    count: Layer | None
    size_mm: Layer | None
    cull: Layer | None
    actual_cull: float | None
    stretch: float | None
    days_late: int
    late_mm: float
    steps: tuple[BridgeStep, ...]
    hand_counts: int
    trees: int
    packed_share: float
    remarks: tuple[str, ...] = ()

    @property
    def first_pick(self) -> date:
        """The first day of the pick that was forecast."""
        return self.made_on + timedelta(days=self.days_before)


def compare(
    forecast: Forecast, result: SeasonResult, table_of: TableOf, *, frozen: bool = False
) -> Comparison | None:
    """A block's forecast against its season; None where the forecast says nothing of it that can be
    drawn again."""
    crops = [one for one in forecast.blocks if one.name == result.block_id]
    inputs = [one for one in forecast.inputs if one.estimate.block.block_id == result.block_id]
    drawn = drawn_with(forecast)
    if not crops or not inputs or drawn is None:
        return None
    return _Compared(crops[0], inputs[0], result, drawn.settings).comparison(
        forecast, frozen=frozen, usual=drawn.table, table_of=table_of
    )


class _Compared:
    """The layers of one block, worked out one after the other."""

    def __init__(
        self, crop: CropForecast, inputs: BlockInputs, result: SeasonResult, settings: Settings
    ) -> None:
        self.crop, self.inputs, self.result = crop, inputs, result
        self.settings = settings
        self.days_late = result.days_late(inputs.plan)

    def comparison(
        self, forecast: Forecast, *, frozen: bool, usual: SizeTable, table_of: TableOf
    ) -> Comparison:
        pieces, table, remarks = of_one_table(self.result, usual, table_of)
        packed_share = sum(one.bins for one in pieces) / self.result.bins
        if packed_share < MOSTLY_PACKED:
            pieces = ()
        sized = self.inputs.estimate.sizes is not None
        planned = ExpectedCrop(self.inputs, table, self.settings) if sized else None
        found = _Read(self, pieces, table, planned)
        count, size, cull = found.count(), found.size(self.days_late), found.cull()
        same_table = table.name == forecast.size_table
        crop, factor = self.crop, self.inputs.estimate.factor
        days_before = (self.inputs.plan.picks[0].pick_date - forecast.made_on).days
        return Comparison(
            forecast_id=forecast.forecast_id,
            made_on=forecast.made_on,
            frozen=frozen,
            block_id=self.result.block_id,
            variety=self.result.variety,
            season=self.result.season,
            stage=stage_of(days_before),
            days_before=days_before,
            left_out=self.result.left_out,
            fruit=crop.fruit,
            actual_fruit=found.fruit,
            diameter_mm=crop.diameter_mm,
            actual_mm=found.mean_mm,
            cartons=crop.cartons,
            actual_cartons=found.cartons if same_table else None,
            count=count,
            size_mm=size,
            cull=cull,
            actual_cull=found.cull_share,
            stretch=found.stretch,
            days_late=self.days_late,
            late_mm=found.late_mm(self.days_late),
            steps=found.steps(),
            hand_counts=0 if factor is None else factor.trees,
            trees=self.inputs.estimate.trees_seen,
            packed_share=packed_share,
            remarks=remarks,
        )


class _Read:
    """What the pieces of lots say of one block."""

    def __init__(
        self,
        compared: _Compared,
        pieces: Sequence[LotPiece],
        table: SizeTable,
        planned: ExpectedCrop | None,
    ) -> None:
        self._of, self._pieces, self._table, self._planned = compared, pieces, table, planned
        self._packed_bins = sum(one.bins for one in pieces)
        cartons = packed_by_class([one for piece in pieces for one in piece.cartons], table)
        self._cartons = float(cartons.sum())
        self._sizes: PackedSizes | None = None
        if planned is not None and self._cartons > 0:
            self._sizes = read_sizes(cartons, planned, table)
        # Part of the packed bins that lie in lots with other blocks.
        self._mixed = (
            sum(one.bins for one in pieces if one.of_lot < 1) / self._packed_bins if pieces else 0.0
        )
        self.fruit_packed_bins, self._count_error = self._fruit()
        self.fruit = (
            None
            if self.fruit_packed_bins is None
            else self.fruit_packed_bins * self._up(self._bins_known)
        )

    @property
    def _bins_known(self) -> float:
        return self._packed_bins or self._of.result.bins

    def _up(self, bins: float) -> float:
        """From so many bins to all that hung at the pick."""
        result = self._of.result
        return (result.bins + result.missing_bins) / bins

    # ------------------------------------------------------------ number

    def _fruit(self) -> tuple[float | None, float]:
        """Fruit in the packed bins (in all bins where none are packed), and its relative error."""
        per_bin = self._per_bin()
        if per_bin is not None:
            return per_bin * self._bins_known, COUNTED_ERROR
        mean_g = self._mean_g()
        if mean_g is None:
            return None, 0.0
        culled_kg = self._culled_kg()
        if self._sizes is not None and culled_kg is not None:
            return self._sizes.packed_fruit + 1000 * culled_kg / mean_g, PACKED_ERROR
        return 1000 * self._kg() / mean_g, BY_WEIGHT_ERROR

    def _per_bin(self) -> float | None:
        """Fruit in a bin, counted, by bins."""
        known = [(one.bins, one.fruit_per_bin) for one in self._pieces if one.fruit_per_bin]
        if not known:
            return None
        return sum(bins * fruit for bins, fruit in known) / sum(bins for bins, _ in known)

    def _kg(self) -> float:
        """Weight of the packed bins, of all bins where none are packed."""
        usual = self._of.settings.bin_kg
        if not self._pieces:
            return self._of.result.bins * usual
        return sum(one.bins * (one.bin_kg or usual) for one in self._pieces)

    def _mean_g(self) -> float | None:
        if self._planned is None:
            return None
        return self._planned.mean_g(SizeMove() if self._sizes is None else self._sizes.move)

    def _culled_kg(self) -> float | None:
        """Weight that was not packed, of all pieces; None where one does not tell it."""
        if self._sizes is None:
            return None
        kg_a_carton = self._sizes.packed_kg / self._cartons
        total = 0.0
        for one in self._pieces:
            if one.culled_kg is not None:
                total += one.culled_kg
            elif one.cull_share is not None and one.cull_share < 1:
                packed = kg_a_carton * sum(item.cartons for item in one.cartons)
                total += packed * one.cull_share / (1 - one.cull_share)
            else:
                return None
        return total

    def count(self) -> Layer | None:
        """Logarithm of actual over forecast."""
        of = self._of
        learned = of.inputs.learned
        forecast = of.crop.fruit.p50
        if self.fruit is None or self.fruit <= 0 or forecast <= 0:
            return None
        if of.inputs.estimate.factor is None:
            return None
        before = 0.0 if learned is None else learned.count.value
        return Layer(
            value=log(self.fruit / forecast) + before,
            result_error=float(np.hypot(self._count_error, self._mixed * MIXED_ERROR)),
            forecast_error=_without(
                _log_error(of.crop.fruit), 0.0 if learned is None else learned.count.error
            ),
        )

    # ------------------------------------------------------------ size

    @property
    def mean_mm(self) -> float | None:
        if self._planned is None or self._sizes is None:
            return None
        return self._planned.mean_mm(self._sizes.move)

    @property
    def stretch(self) -> float | None:
        if self._sizes is None or not self._sizes.fits_spread:
            return None
        return self._sizes.move.stretch

    def late_mm(self, days: int) -> float:
        """What the sizes gained by a later pick, mm."""
        if self._planned is None or days == 0:
            return 0.0
        of = self._of
        later = ExpectedCrop(of.inputs, self._table, of.settings, days_late=days)
        return later.mean_mm() - self._planned.mean_mm()

    def size(self, days_late: int) -> Layer | None:
        """Actual less forecast mean diameter, of the day on which it was picked."""
        if self._planned is None or self._sizes is None:
            return None
        mm, learned = self._of.crop.diameter_mm, self._of.inputs.learned
        move = self._sizes.move
        away = self._planned.mean_mm(move) - self._planned.mean_mm()
        return Layer(
            value=away - self.late_mm(days_late),
            result_error=float(np.hypot(SIZER_ERROR_MM, self._mixed * MIXED_ERROR_MM)),
            forecast_error=_without(
                0.0 if mm is None else (mm.p90 - mm.p10) / RANGE_SDS,
                0.0 if learned is None else learned.size_mm.error,
            ),
        )

    # ------------------------------------------------------------ culls

    @property
    def cull_share(self) -> float | None:
        """Share of the fruit within the size table that was not packed."""
        if self._sizes is None or self._planned is None or not self.fruit_packed_bins:
            return None
        inside = float(self._planned.shares(self._sizes.move)[1:-1].sum())
        if inside < SMALLEST_INSIDE:
            return None
        return 1 - self._sizes.packed_fruit / (self.fruit_packed_bins * inside)

    def cull(self) -> Layer | None:
        """Actual less forecast share of culls."""
        share = self.cull_share
        if share is None or self._planned is None:
            return None
        packed = 1 - share
        error = float(np.hypot(self._count_error, self._mixed * MIXED_ERROR))
        return Layer(
            value=share - self._planned.cull_share,
            result_error=packed * error,
            forecast_error=self._of.inputs.losses.cull_share_error,
        )

    # ------------------------------------------------------------ cartons

    @property
    def cartons(self) -> float | None:
        """Cartons of all that hung at the pick, at the rate of what is packed."""
        return self._cartons * self._up(self._packed_bins) if self._pieces else None

    def steps(self) -> tuple[BridgeStep, ...]:
        """From the forecast's expected cartons to the actual ones, a layer at a time."""
        share, planned = self.cull_share, self._planned
        count = self.count()
        if share is None or planned is None or count is None or self._sizes is None:
            return ()
        actual = self.fruit or 0.0
        forecast = actual / float(np.exp(count.value))
        move, more = self._sizes.move, share - planned.cull_share
        stages = (
            planned.cartons(fruit=forecast),
            planned.cartons(fruit=actual),
            planned.cartons(fruit=actual, move=move),
            planned.cartons(fruit=actual, move=move, more_culls=more),
        )
        return tuple(
            BridgeStep(cause=cause, cartons=after - before)
            for cause, before, after in zip(
                ("count", "size", "culls"), stages[:-1], stages[1:], strict=True
            )
        )


def _without(error: float, learned_error: float) -> float:
    """A forecast's own standard error, without that of what was learned and added to it."""
    return float(max(error**2 - learned_error**2, 0.0) ** 0.5)


def _log_error(estimate: Estimate) -> float:
    """Relative standard error of a range."""
    if estimate.p10 <= 0:
        return 0.5 * (estimate.p90 - estimate.p10) / max(estimate.p50, 1e-9)
    return log(estimate.p90 / estimate.p10) / RANGE_SDS
