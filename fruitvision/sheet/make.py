"""A forecast's variety as a sales sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import (
    CropForecast,
    Estimate,
    Forecast,
    FrozenForecast,
    GradeForecast,
    UseQuantiles,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.change import SMALLEST_REASON, ClassChange, added
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import (
    blocks_of,
    is_firm,
    is_first_look,
    is_picked,
    to_promise,
    whole_number,
)
from fruitvision.forecast.words import losses_words, quantile_of_use
from fruitvision.sheet.record import SalesSheet, SheetLine, SheetVersion, TrackRecord
from fruitvision.sheet.stage import PICKED, pick_window, stage_words

# What a class or week that the forecast leaves out brings: it is left out if its P90 is 0.
NOTHING = Estimate(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BehindSheets:
    """What sheets of a version share.

    Attributes
    ----------
    frozen : FrozenForecast or None
        Who froze `forecast`; None where nobody did.
    means : tuple of ClassChange
        Of the forecast against itself, for its expected cartons; empty where it can't be drawn
        again.
    earlier, earlier_frozen, changes
        The version frozen before, and the changes since; empty where there is none.
    left_out : tuple of str
        Blocks that are in none of these numbers, being first looks.
    moved : tuple of str
        Blocks whose passes are not the forecast's.
    no_change : str
        Why `changes` is empty, if it is.
    """

    forecast: Forecast
    quantiles: UseQuantiles
    frozen: FrozenForecast | None = None
    means: tuple[ClassChange, ...] = ()
    earlier: Forecast | None = None
    earlier_frozen: FrozenForecast | None = None
    changes: tuple[ClassChange, ...] = ()
    left_out: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    no_change: str = ""


def make_sheet(
    crop: CropForecast, behind: BehindSheets, *, track_record: TrackRecord | None = None
) -> SalesSheet:
    """The sheet of one variety of the forecast.

    Raises
    ------
    ForecastError
        If cartons of the variety are not known.
    """
    forecast = behind.forecast
    if crop.cartons is None:
        raise ForecastError(
            f"Cartons of {crop.variety} are not known, so that there is no sales sheet of it.",
            fix="See its doubts on the forecast: it lacks hand counts, sizes or a pick date.",
        )
    blocks = blocks_of(crop, forecast)
    inputs = [one for one in forecast.inputs if one.estimate.block.variety == crop.variety]
    pick = pick_window(blocks or (crop,), inputs, forecast.made_on)
    table = _Table(crop, behind)
    moved = tuple(one.name for one in blocks if one.name in behind.moved)
    return SalesSheet(
        farm=forecast.farm,
        variety=crop.variety,
        version=_version(forecast, behind.frozen),
        earlier=None if behind.earlier is None else _version(behind.earlier, behind.earlier_frozen),
        pick=pick,
        stage=PICKED
        if blocks and all(map(is_picked, blocks))
        else stage_words(pick, forecast.made_on),
        size_table=forecast.size_table,
        carton_kg=None if forecast.table is None else forecast.table.carton_kg,
        classes=table.classes,
        weeks=table.weeks,
        lines=table.lines(),
        promise_quantile=behind.quantiles.promise,
        first_look=any(map(is_first_look, blocks)),
        left_out=len(behind.left_out),
        left_out_blocks=behind.left_out,
        moved=len(moved),
        moved_blocks=moved,
        no_change=behind.no_change,
        grades=_grades(crop.grades),
        track_record=track_record,
        doubts=crop.doubts,
        rests_on=f"{crop.rests_on} {losses_words(inputs)}".strip(),
    )


def _version(forecast: Forecast, frozen: FrozenForecast | None) -> SheetVersion:
    return SheetVersion(
        number=forecast.number,
        forecast_id=forecast.forecast_id,
        made_on=forecast.made_on,
        frozen_at=frozen.frozen_at if frozen else None,
        frozen_by=frozen.frozen_by if frozen else "",
        note=frozen.note if frozen else "",
    )


def _grades(grades: Sequence[GradeForecast]) -> tuple[GradeForecast, ...]:
    """Each grade, large fruit first, its sum last."""
    names = list(dict.fromkeys(one.grade for one in grades))
    backwards = grades[::-1]
    order = sorted(backwards, key=lambda one: one.size_class == ALL)
    return tuple(one for name in names for one in order if one.grade == name)


class _Table:
    """The lines of a sheet, each class and week once."""

    def __init__(self, crop: CropForecast, behind: BehindSheets) -> None:
        self._crop = crop
        self._quantiles = behind.quantiles
        self._blocks = blocks_of(crop, behind.forecast)
        self._means = [one for one in behind.means if one.variety == crop.variety]
        self._changes = [one for one in behind.changes if one.variety == crop.variety]
        self._cells = {(row.week, row.size_class): row.cartons for row in crop.weeks}
        self.firm = all(map(is_firm, self._blocks))
        # Also what brings something in fewer than one draw of ten, so that means add up.
        brings = [one for one in self._means if one.cartons > 0]
        brings += [one for one in self._changes if one.earlier_cartons >= SMALLEST_REASON]
        weeks = {row.week for row in crop.weeks} | {one.week for one in brings if one.week}
        self.weeks = tuple(sorted(weeks))
        self.classes = _classes(crop, brings)

    def lines(self) -> tuple[SheetLine, ...]:
        of_weeks = [
            self._line(week, name, self._cells.get((week, name), NOTHING))
            for week in self.weeks
            for name in (*self.classes, ALL)
        ]
        by_class = {one.size_class: one.cartons for one in self._crop.classes}
        of_all = [self._line(None, name, by_class.get(name, NOTHING)) for name in self.classes]
        whole = self._crop.cartons or NOTHING
        return (*of_weeks, *of_all, self._line(None, ALL, whole))

    def _line(self, week: date | None, size_class: str, cartons: Estimate) -> SheetLine:
        means = _added(self._means, week, size_class)
        change = _added(self._changes, week, size_class)
        return SheetLine(
            week=week,
            size_class=size_class,
            cartons=cartons,
            safe_cartons=self._safe(week, size_class, cartons),
            mean_cartons=None if means is None else means.cartons,
            change_cartons=None if change is None else change.change,
            steps=() if change is None else change.reasons(len(change.steps)),
        )

    def _safe(self, week: date | None, size_class: str, cartons: Estimate) -> int | None:
        """Whole cartons, never one too many; of a variety that is firm in parts only its firm
        blocks, and no class or week of it."""
        if self.firm:
            return whole_number(quantile_of_use(cartons, "promise", self._quantiles), "promise")
        some = any(map(is_firm, self._blocks))
        if some and week is None and size_class == ALL:
            return whole_number(
                to_promise(self._crop, self._blocks, self._quantiles) or 0, "promise"
            )
        return None


def _classes(crop: CropForecast, brings: Sequence[ClassChange]) -> tuple[str, ...]:
    """Classes that bring a carton, or did before, large fruit first."""
    if not crop.classes:
        return ()
    told = {row.size_class for row in crop.weeks if row.cartons.p90 > 0}
    told |= {one.size_class for one in crop.classes if one.cartons.p90 > 0}
    told |= {one.size_class for one in brings}
    names = [one.size_class for one in reversed(crop.classes)]
    names += dict.fromkeys(one.size_class for one in brings if one.size_class not in names)
    return tuple(name for name in names if name in told and name != ALL)


def _added(found: Sequence[ClassChange], week: date | None, size_class: str) -> ClassChange | None:
    """The sum of a line; None where its class is not told apart."""
    of_class = [one for one in found if size_class in (ALL, one.size_class)]
    if not of_class:
        return None
    return added([one for one in of_class if week in (None, one.week)])
