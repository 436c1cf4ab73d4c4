"""A farm's own detector: taught by its checked photos, tried on others and on hand-counted trees.

All stays on this computer. Needs the extra `train`.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import pi, sqrt
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fruitvision.errors import FieldDataError, TrainingError
from fruitvision.evaluate.average_precision import threshold_for_count
from fruitvision.evaluate.matching import USUAL
from fruitvision.evaluate.tree_trial import Trial, Verdict, verdict
from fruitvision.fruit.learned import LearnedDetector, detector_in, learned_detector
from fruitvision.pipeline.outlines import PHOTO_FOLDER, write_outlines
from fruitvision.pipeline.own_plan import OwnPlan, part_of
from fruitvision.pipeline.own_trial import Trials, coco_file, results_of, trial_rows
from fruitvision.pipeline.photos import Progress, Refused, quiet
from fruitvision.settings import Settings
from fruitvision.store import Store

if TYPE_CHECKING:
    from fruitvision.train.card_facts import CardFacts
    from fruitvision.train.fine_tune import Teaching
    from fruitvision.train.own import PacksToTeach

Say = Callable[[str], None]

# The threshold is set anew by the photos for choosing if so many fruit are outlined in them; else
# that of the shipped detector stays. Our choice: the count is then known to about a tenth.
FRUIT_FOR_A_THRESHOLD = 100
# Thresholds beyond these are slips. Our choice: below, leaves are counted; above, half the fruit
# are not.
THRESHOLDS = (0.15, 0.85)
# Standard deviation of an error for its mean absolute one, of a normal distribution.
DEVIATION_OF_MEAN_ABSOLUTE = sqrt(pi / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDetector:
    """What came of it. `folder` : None if no round was better on the photos for choosing, so that
    nothing was written; then there is no trial either. `refused` : photos that could not be used.
    """

    folder: Path | None
    rounds: int
    before: Trial | None = None
    after: Trial | None = None
    verdict: Verdict | None = None
    refused: tuple[Refused, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HowToTeach:
    """`teaching` : numbers of the fine-tuning, the usual ones if None, with `rounds` at most;
    `device` : cpu or cuda; `say` : gets lines of progress; `on_progress` : photos of the trial."""

    teaching: Teaching | None = None
    rounds: int = 8
    device: str = "cpu"
    say: Say = print
    on_progress: Progress = quiet


def make_own_detector(
    store: Store, settings: Settings, plan: OwnPlan, out: Path, *, made_on: date, how: HowToTeach
) -> OwnDetector:
    """Teach the shipped detector, try both, and write the new one into `out`, a new folder.

    Raises
    ------
    TrainingError
        If the folder is taken, or training can't be done here.
    """
    if out.exists():
        raise TrainingError(f"{out} is there already.", fix="Give a new folder as --out.")
    try:
        from fruitvision.train.fine_tune import Teaching
        from fruitvision.train.own import facts_of, teach, write_own
    except ImportError as err:
        raise TrainingError(
            f"Training needs more than is installed here: {err.name} is missing.",
            fix="Install it: pip install 'fruitvision[train]'.",
        ) from err
    base = learned_detector()
    out.parent.mkdir(parents=True, exist_ok=True)
    # Beside its place, so that a folder of that name is a whole detector or none.
    with tempfile.TemporaryDirectory(prefix=".own-", dir=out.parent) as beside:
        work = Path(beside)
        packs = _packs(plan, work, base, how.say)
        teaching = how.teaching or Teaching(rounds=how.rounds)
        taught = teach(base, packs, teaching, say=how.say, device=how.device)
        rounds = len(taught.tries) - 1
        if taught.best == 0:
            return OwnDetector(folder=None, rounds=rounds)
        made = work / "made"
        facts = replace(facts_of(base), trained_on=_trained_on(plan, base))
        write_own(made, taught, facts, day=made_on.isoformat(), say=how.say)
        facts = _with_threshold(made, facts, work)
        trial = Trials(store, settings, plan, work, how.on_progress)
        before, after = trial.of(base), trial.of(detector_in(made))
        judged = verdict(before, after)
        _write_figures(made, facts, (before, after), judged, made_on)
        shutil.move(made, out)
    return OwnDetector(
        folder=out,
        rounds=rounds,
        before=before,
        after=after,
        verdict=judged,
        refused=tuple(trial.refused.values()),
    )


# ---------------------------------------------------------------- the photos


def _packs(plan: OwnPlan, work: Path, base: LearnedDetector, say: Say) -> PacksToTeach:
    """Packs to learn from and to choose by, and COCO files of these parts and the one to try on."""
    from fruitvision.train.own import PacksToTeach
    from fruitvision.train.pack_make import make_packs
    from fruitvision.train.pack_plan import SCALE_LIMITS, PackPlan

    write_outlines(plan.outlines, work)
    scale = base.card.fruit_width_px / _usual_width_px(plan)
    for name in ("learn", "choose", "tried"):
        part = part_of(plan.outlines.coco, getattr(plan, name))
        coco_file(work, name).write_text(json.dumps(part), encoding="utf-8")
    for name in ("learn", "choose"):
        packing = PackPlan(
            coco=coco_file(work, name),
            images=work / PHOTO_FOLDER,
            out=work / name,
            # At about the network's working scale; never larger than the photo.
            scale=float(np.clip(scale, SCALE_LIMITS[0], 1.0)),
            quality=95,
        )
        make_packs(packing, say, processes=1)
    return PacksToTeach(learn=work / "learn", choose=work / "choose")


def _usual_width_px(plan: OwnPlan) -> float:
    """Median of the longer sides of all outlined fruit that the farm's people checked."""
    sides = [
        max(one["bbox"][2:])  # type: ignore[index]
        for one in part_of(plan.outlines.coco, plan.learn)["annotations"]
        if not one["truncated"]
    ]
    if not sides:
        raise FieldDataError(
            "The checked photos show no whole fruit.", fix="Check photos of bearing trees."
        )
    return float(np.median(sides))


# ---------------------------------------------------------------- the card


def _trained_on(plan: OwnPlan, base: LearnedDetector) -> str:
    return (
        f"{len(plan.learn)} photos of one farm that its people checked ({plan.fruit} fruit), "
        f"{len(plan.choose)} more chose the round and the threshold; before that: "
        f"{base.card.trained_on}"
    )


def _with_threshold(made: Path, facts: CardFacts, work: Path) -> CardFacts:
    """The facts with the threshold at which as many fruit are found as people outlined."""
    from fruitvision.train.own import rewrite_card

    detector = detector_in(made)
    results = results_of(detector, work, "choose", quiet)
    wanted = sum(one.truth.wanted for one in results)
    facts = replace(facts, version=detector.version)
    if wanted < FRUIT_FOR_A_THRESHOLD:
        return facts
    scores = [one.scores[~one.matches[USUAL].ignored] for one in results]
    threshold = threshold_for_count(np.concatenate(scores), wanted)
    low, high = THRESHOLDS
    facts = replace(facts, score_threshold=round(min(max(threshold, low), high), 3))
    rewrite_card(made, facts)
    return facts


def _write_figures(
    made: Path,
    facts: CardFacts,
    trials: tuple[Trial, Trial],
    judged: Verdict,
    day: date,
) -> None:
    from fruitvision.train.card_facts import FigureFacts
    from fruitvision.train.own import rewrite_card

    before, after = trials
    worse = f"Worse than the shipped detector in: {', '.join(judged.worse)}. Do not use it. "
    figures = [
        FigureFacts(what=what, value=value, on=on, date=day.isoformat())
        for what, value, on in trial_rows(before, after)
    ]
    limits = (worse if judged.worse else "") + (f"Made for one farm's photos. {facts.known_limits}")
    # No smaller than the shipped one's, which rests on more photos.
    errs = DEVIATION_OF_MEAN_ABSOLUTE * (after.count_error or 0.0)
    rewrite_card(
        made,
        replace(
            facts,
            known_limits=limits,
            figures=tuple(figures),
            count_error=round(min(max(facts.count_error, errs), 1.0), 3),
        ),
    )
