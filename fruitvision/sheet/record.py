"""The records of a sales sheet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from fruitvision.domain import BridgeStep, Doubts, Estimate, GradeForecast
from fruitvision.forecast.summary import ALL


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """Packed cartons of one class in one week, of all classes, of all weeks, or of both.

    Attributes
    ----------
    week : date or None
        Its Monday; None for all weeks together.
    size_class : str
        "all" for all classes together.
    cartons : Estimate
        P10, P50 and P90; three times 0 where nothing comes in even at P90.
    safe_cartons : int or None
        Whole cartons that may be promised at the farm's quantile; None of a first look, and in a
        buyer's copy.
    mean_cartons : float or None
        Expected cartons. Means add up, of classes to the week and of weeks to the variety; None
        where the forecast can't be drawn again.
    change_cartons : float or None
        Expected cartons more than in the version before; None where there is none.
    steps : tuple of BridgeStep
        Why, every cause that moved half a carton, the largest first.
    """

    week: date | None
    size_class: str
    cartons: Estimate
    safe_cartons: int | None = None
    mean_cartons: float | None = None
    change_cartons: float | None = None
    steps: tuple[BridgeStep, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetVersion:
    """Which forecast, made when; who froze it, when and why, where somebody did."""

    number: int
    forecast_id: str
    made_on: date
    frozen_at: datetime | None = None
    frozen_by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PickWindow:
    """Planned first and last day of the pick, what the first may err by (one standard deviation,
    days), and how many days it is ahead of the forecast."""

    first: date
    last: date
    error_days: float
    days_ahead: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackRecord:
    """How many earlier results ended inside P10–P90, of how many, and of forecasts made when: the
    stage of the season that this sheet is of, in words."""

    inside: int
    of: int
    stage: str

    def __post_init__(self) -> None:
        if not 0 <= self.inside <= self.of or self.of == 0:
            raise ValueError(f"need 0 <= inside <= of, of above 0, got {self.inside}, {self.of}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SalesSheet:
    """What sales may promise of one variety.

    Attributes
    ----------
    stage : str
        How far the pick is ahead, in plain words.
    classes : tuple of str
        In the order of the page: large fruit first. Empty for a first look.
    weeks : tuple of date
        Mondays, ascending.
    lines : tuple of SheetLine
        Every week and class, week by week, each week's sum after its classes; then all weeks
        together by class, and the variety last.
    promise_quantile : float or None
        The chance that less than `safe_cartons` comes in; None in a buyer's copy.
    first_look : bool
        Blocks of the variety were photographed on too few trees, so that no class of it is safe.
    left_out : int
        So many blocks are not in the numbers, being first looks.
    left_out_blocks : tuple of str
        Their names; none in a buyer's copy.
    moved : int
        So many blocks have other passes than the forecast's.
    moved_blocks : tuple of str
        Their names; none in a buyer's copy.
    no_change : str
        Why no change is told; empty where it is.
    """

    farm: str
    variety: str
    version: SheetVersion
    earlier: SheetVersion | None
    pick: PickWindow | None
    stage: str
    size_table: str
    carton_kg: float | None
    classes: tuple[str, ...]
    weeks: tuple[date, ...]
    lines: tuple[SheetLine, ...]
    promise_quantile: float | None
    first_look: bool
    left_out: int = 0
    left_out_blocks: tuple[str, ...] = ()
    moved: int = 0
    moved_blocks: tuple[str, ...] = ()
    no_change: str = ""
    grades: tuple[GradeForecast, ...] = ()
    track_record: TrackRecord | None = None
    doubts: Doubts = ()
    rests_on: str = ""
    for_buyer: bool = False

    def line(self, week: date | None, size_class: str = ALL) -> SheetLine:
        """The line of a week (None: all weeks) and class.

        Raises
        ------
        KeyError
            If there is none.
        """
        for one in self.lines:
            if (one.week, one.size_class) == (week, size_class):
                return one
        raise KeyError((week, size_class))

    @property
    def whole(self) -> SheetLine:
        """The variety: all weeks, all classes."""
        return self.line(None)
