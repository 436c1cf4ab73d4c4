"""Where each block stands today: load and size against target, bins, trust, the next work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from fruitvision.advice import LEAST_CALIPERED, Advice, Lack, Work
from fruitvision.domain import (
    Block,
    BlockEstimate,
    CropForecast,
    Doubt,
    Forecast,
    JobKind,
    PickPlan,
)
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.blocks import BlockWalks, estimate_blocks
from fruitvision.pipeline.photos import Refused, made_with
from fruitvision.pipeline.pick_plans import farm_plans
from fruitvision.pipeline.picked import picked_blocks
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.target import (
    LoadAgainstTarget,
    SizeAgainstTarget,
    Standing,
    load_against,
    mean_pick_day,
    size_against,
)
from fruitvision.trust import Grade, Trust, trust_of

# Trees of a first walk. Common practice.
FIRST_WALK_TREES = 10
# Trees to count by hand where hidden fruit are not known at all. Common practice.
FIRST_HAND_COUNTS = 5


class Todo(StrEnum):
    """What a block needs next. The value names it in the texts of an interface."""

    # Photos are being loaded, or wait to be measured.
    LOADING = "loading"
    WAIT = "wait"
    LOOK = "look"
    COUNT_FIRST = "count_first"
    MARKER = "marker"
    REGISTER = "register"
    PHOTOGRAPH = "photograph"
    PHOTOGRAPH_PANELS = "photograph_panels"
    COUNT = "count"
    COUNT_AGAIN = "count_again"
    CALIPER = "caliper"
    WALK = "walk"
    LITTLE = "little"
    NOTHING = "nothing"
    # The day of the last pick is over: what is found now is what was left on the trees.
    PICK_PAST = "pick_past"
    # Somebody marked the last pass through it finished.
    PICKED = "picked"


@dataclass(frozen=True, slots=True, kw_only=True)
class NextWork:
    """What to do next, and how much of it: trees, panels, hand counts; photos that wait."""

    todo: Todo
    number: int = 0


class Urgency(StrEnum):
    """How a block is ordered: what needs somebody today, what can be made surer, the rest, and
    blocks whose pick is over, by plan or as somebody said."""

    ACT = "act"
    SURER = "surer"
    WAITING = "waiting"
    NOT_WALKED = "not_walked"
    FINE = "fine"
    PICK_PAST = "pick_past"
    PICKED = "picked"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockStanding:
    """All that one line on a block tells.

    `walks` is None for a block that was not walked or could not be estimated; `refused` says why.
    `pick_day` is the mean day of the passes, which need not be one of them; `pick_days` are theirs.
    `crop` is the block in the latest forecast of record. Load and size against target are None
    where no target is set, or nothing is known to hold against it.
    """

    block: Block
    urgency: Urgency
    work: NextWork
    pick_day: date | None = None
    pick_days: tuple[date, ...] = ()
    walks: BlockWalks | None = None
    refused: Refused | None = None
    load: LoadAgainstTarget | None = None
    size: SizeAgainstTarget | None = None
    trust: Trust | None = None
    crop: CropForecast | None = None

    @property
    def off_target(self) -> bool:
        """Whether load or size is beyond chance away from its target."""
        off = (Standing.ABOVE, Standing.BELOW)
        behind = self.size is not None and self.size.standing is Standing.BELOW
        return behind or (self.load is not None and self.load.standing in off)


def standings(
    store: Store, settings: Settings, *, on: date | None = None
) -> tuple[BlockStanding, ...]:
    """Every block of the farm, what needs somebody first; see `stand`."""
    walks, refused = estimate_blocks(store, settings)
    return stand(
        store, settings, walks=walks, refused=refused, forecast=forecast_of_record(store), on=on
    )


def forecast_of_record(store: Store) -> Forecast | None:
    """The latest forecast that is no what-if; None if none was made."""
    return next((one for one in store.newest_forecasts() if not one.what_if), None)


def stand(
    store: Store,
    settings: Settings,
    *,
    walks: Sequence[BlockWalks],
    refused: Sequence[Refused] = (),
    forecast: Forecast | None = None,
    on: date | None = None,
) -> tuple[BlockStanding, ...]:
    """Every block of the farm with what is known of it, what needs somebody first.

    Parameters
    ----------
    walks, refused
        What `estimate_blocks` gave.
    forecast : Forecast
        The forecast that the bins are of.
    on : date
        The day on which the numbers are used; None leaves the age of a walk out.
    """
    plans = store.pick_plans()
    by_name = {one.estimate.block.block_id: one for one in walks}
    left_out = {one.name: one for one in refused}
    crops = {crop.name: crop for crop in forecast.blocks} if forecast else {}
    waiting = _Waiting(store, settings)
    picked = picked_blocks(store, farm_plans(store))
    found = []
    for block in store.blocks():
        name = block.block_id
        crop, plan = crops.get(name), plans.get(name)
        if name in by_name:
            one = _walked(block, by_name[name], settings, plan=plan, crop=crop, on=on)
            found.append(_as_picked(one) if name in picked else one)
        else:
            work = waiting.work_of(name) or _first_work(photos=bool(store.tree_photos(name)))
            found.append(_not_walked(block, left_out.get(name), plan, work=work, crop=crop))
    return tuple(sorted(found, key=_order))


def _walked(
    block: Block,
    walks: BlockWalks,
    settings: Settings,
    *,
    plan: PickPlan | None,
    crop: CropForecast | None,
    on: date | None,
) -> BlockStanding:
    estimate, pick_day = walks.estimate, mean_pick_day(block, plan)
    target = block.target_fruit_per_tree
    load = load_against(estimate, target) if target else None
    size = _size(block, walks, pick_day, settings)
    # What was known at the pick does not grow older after it.
    used_on = min(on, pick_day) if on and pick_day else on
    trust = trust_of(estimate, walks.growth, walks.advice, on=used_on)
    last = last_pick_day(block, plan)
    past = on is not None and last is not None and on > last
    work = NextWork(todo=Todo.PICK_PAST) if past else next_work(walks.advice, estimate)
    standing = BlockStanding(
        block=block,
        urgency=Urgency.FINE,
        work=work,
        pick_day=pick_day,
        pick_days=pick_days(block, plan),
        walks=walks,
        load=load,
        size=size,
        trust=trust,
        crop=crop,
    )
    return replace(standing, urgency=_urgency(standing))


def pick_days(block: Block, plan: PickPlan | None) -> tuple[date, ...]:
    """The days of the passes in order; the block's pick date where no passes are planned."""
    if plan is not None:
        return tuple(sorted(pick.pick_date for pick in plan.picks))
    return () if block.pick_date is None else (block.pick_date,)


def last_pick_day(block: Block, plan: PickPlan | None) -> date | None:
    """The day of the last pass; the block's pick date where no passes are planned."""
    return max(pick_days(block, plan), default=None)


def _as_picked(standing: BlockStanding) -> BlockStanding:
    """A block of which somebody said that it is picked: nothing is to be done there."""
    return replace(standing, urgency=Urgency.PICKED, work=NextWork(todo=Todo.PICKED))


def _urgency(standing: BlockStanding) -> Urgency:
    work, trust = standing.work.todo, standing.trust
    if work is Todo.PICK_PAST:
        return Urgency.PICK_PAST
    if work is Todo.WALK:
        return Urgency.NOT_WALKED
    first_look = trust is not None and trust.grade is Grade.FIRST_LOOK and work is not Todo.LITTLE
    urgent = (Todo.LOOK, Todo.COUNT_FIRST, Todo.MARKER, Todo.REGISTER)
    if work in urgent or first_look or standing.off_target:
        return Urgency.ACT
    return Urgency.FINE if work in (Todo.NOTHING, Todo.LITTLE) else Urgency.SURER


def _size(
    block: Block, walks: BlockWalks, pick_day: date | None, settings: Settings
) -> SizeAgainstTarget | None:
    sizes = walks.estimate.sizes
    if sizes is None or block.target_diameter_mm is None or pick_day is None:
        return None
    if pick_day < sizes.measured_on:
        return None
    return size_against(
        sizes,
        walks.growth,
        target_mm=block.target_diameter_mm,
        pick_day=pick_day,
        settings=settings,
    )


def _not_walked(
    block: Block,
    refused: Refused | None,
    plan: PickPlan | None,
    *,
    work: NextWork,
    crop: CropForecast | None,
) -> BlockStanding:
    """A block without an estimate."""
    urgencies = {Todo.WALK: Urgency.NOT_WALKED, Todo.LOOK: Urgency.ACT}
    return BlockStanding(
        block=block,
        urgency=urgencies.get(work.todo, Urgency.WAITING),
        work=work,
        pick_day=mean_pick_day(block, plan),
        pick_days=pick_days(block, plan),
        refused=refused if work.todo is Todo.LOOK else None,
        crop=crop,
    )


def _first_work(*, photos: bool) -> NextWork:
    """Nobody walked the block, or its photos and numbers need a look."""
    return NextWork(todo=Todo.LOOK) if photos else NextWork(todo=Todo.WALK, number=FIRST_WALK_TREES)


class _Waiting:
    """What the photos wait for that a block without an estimate has."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store, self._settings = store, settings
        self._jobs = store.jobs(only_open=True)

    def work_of(self, block_id: str) -> NextWork | None:
        """None where nothing goes on."""
        if not self._jobs:
            return None
        origin = made_with(choose_detector(DEFAULT_DETECTOR), self._settings, self._store.lenses())
        unmeasured = len(self._store.unmeasured(block_id, origin))
        if unmeasured:
            return NextWork(todo=Todo.WAIT, number=unmeasured)
        # A walk that is being loaded places its photos when all are measured.
        loading = any(job.kind is JobKind.LOAD for job in self._jobs)
        if loading and not self._store.tree_photos(block_id):
            return NextWork(todo=Todo.LOADING)
        return None


_LACKS: Mapping[Lack, NextWork] = {
    Lack.HAND_COUNTS: NextWork(todo=Todo.COUNT_FIRST, number=FIRST_HAND_COUNTS),
    Lack.SIZES: NextWork(todo=Todo.MARKER),
    Lack.REGISTER: NextWork(todo=Todo.REGISTER),
}


def next_work(advice: Advice, estimate: BlockEstimate) -> NextWork:
    """The advice for a block in one word and a number.

    Hand counts that are old or look wrong are made again rather than added to.
    """
    if advice.lack is not None:
        return _LACKS[advice.lack]
    if advice.enough:
        unchecked = Doubt.NO_CALIPERS in estimate.doubts
        return (
            NextWork(todo=Todo.CALIPER, number=LEAST_CALIPERED)
            if unchecked
            else NextWork(todo=Todo.NOTHING)
        )
    if not advice.steps:
        return NextWork(todo=Todo.LITTLE)
    best = advice.steps[0]
    return NextWork(todo=kind_of_work(best.work, estimate), number=best.more)


def kind_of_work(work: Work, estimate: BlockEstimate) -> Todo:
    """A step of the advice; hand counts that are old or look wrong are made again."""
    if work is Work.CALIPER:
        return Todo.CALIPER
    if work is Work.COUNT:
        again = {Doubt.OLD_FACTOR, Doubt.SUSPECT_PAIRS}.intersection(estimate.doubts)
        return Todo.COUNT_AGAIN if again else Todo.COUNT
    return Todo.PHOTOGRAPH_PANELS if estimate.trees_per_place > 1 else Todo.PHOTOGRAPH


def _order(standing: BlockStanding) -> tuple[int, int, date, float, str]:
    """What needs somebody first; there the gravest grade, the nearest pick, the widest range."""
    trust = standing.trust
    return (
        list(Urgency).index(standing.urgency),
        -list(Grade).index(trust.grade) if trust else 0,
        standing.pick_day or date.max,
        -trust.half_range if trust else 0.0,
        standing.block.block_id,
    )
