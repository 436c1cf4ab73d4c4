"""A detector tried on a farm's checked photos and hand-counted trees."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

from fruitvision.domain import MeasuredPhoto, TreePhoto
from fruitvision.errors import FruitVisionError
from fruitvision.evaluate.figures import figures_of
from fruitvision.evaluate.run import Looking, PhotoResult, evaluate, threshold_of
from fruitvision.evaluate.tree_trial import Pair, TreeTrial, Trial, tree_trial
from fruitvision.evaluate.truth import read_truth
from fruitvision.fruit.detector import Detector
from fruitvision.fruit.learned import LearnedDetector
from fruitvision.hidden_pairs import pair_counts
from fruitvision.pipeline.outlines import PHOTO_FOLDER
from fruitvision.pipeline.own_plan import OwnPlan
from fruitvision.pipeline.photos import Progress, Refused, made_with, measure_photo
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.tree import sample_trees, split_walks


def coco_file(work: Path, part: str) -> Path:
    """Of the photos of a part, in the folder where a detector is made."""
    return work / f"{part}.json"


class Trials:
    """Detectors tried on the same photos and trees."""

    def __init__(
        self, store: Store, settings: Settings, plan: OwnPlan, work: Path, progress: Progress
    ) -> None:
        self._store, self._settings, self._plan = store, settings, plan
        self._work, self._progress = work, progress
        self.refused: dict[str, Refused] = {}

    def of(self, detector: LearnedDetector) -> Trial:
        """Figures on the checked photos kept for it, and on all hand-counted trees."""
        results = results_of(detector, self._work, "tried", self._progress)
        own = figures_of(results, threshold_of(detector))
        error = own.count.mean_absolute_percent
        return Trial(
            photos=own.photos,
            fruit=own.wanted,
            ap50=own.ap50,
            f1=own.usual.own.f1,
            f1_there=own.there.own.f1,
            count_error=None if error is None else error / 100,
            trees=self._on_trees(detector),
        )

    def _on_trees(self, detector: Detector) -> TreeTrial | None:
        placed: dict[str, list[TreePhoto]] = defaultdict(list)
        for photo in self._store.tree_photos():
            if photo.tree in self._plan.counted:
                placed[photo.tree.block_id].append(photo)
        photos = [one for several in placed.values() for one in several]
        measured: dict[str, MeasuredPhoto] = {}
        for done, photo in enumerate(photos, start=1):
            found = self._measured(photo, detector)
            if found is not None:
                measured[photo.photo_id] = found
            self._progress(done, len(photos))
        return tree_trial([self._pairs(block, of, measured) for block, of in placed.items()])

    def _pairs(
        self, block_id: str, photos: Sequence[TreePhoto], measured: dict[str, MeasuredPhoto]
    ) -> list[Pair]:
        found: list[Pair] = []
        for walk in split_walks(photos):
            trees, _ = sample_trees(walk, measured)
            pairs, _ = pair_counts(trees, self._store.hand_counts(block_id))
            found += [(tree.visible_count, count.fruit_count) for tree, count in pairs]
        return found

    def _measured(self, photo: TreePhoto, detector: Detector) -> MeasuredPhoto | None:
        """As the detector finds it, without what people put right; kept results are used."""
        lenses = self._store.lenses()
        origin = made_with(detector, self._settings, lenses)
        kept = self._store.measured_photo(photo.photo_id, origin)
        if kept is not None:
            return kept
        try:
            return measure_photo(
                self._store.photo_path(photo.photo_id),
                detector=detector,
                settings=self._settings,
                lenses=lenses,
                pointed=self._store.pointed_references(photo.photo_id),
            )
        except FruitVisionError as err:
            name = f"{photo.tree}, face {photo.face}"
            self.refused[name] = Refused(name=name, what=err.what, fix=err.fix)
            return None


def results_of(
    detector: LearnedDetector, work: Path, part: str, progress: Progress
) -> tuple[PhotoResult, ...]:
    """Of the photos of a part."""
    results, _ = evaluate(
        detector,
        read_truth(coco_file(work, part)),
        work / PHOTO_FOLDER,
        looking=Looking(),
        on_progress=progress,
    )
    return results


def trial_rows(before: Trial, after: Trial) -> list[tuple[str, str, str]]:
    """What was measured, before → after, and on what; a row a figure."""
    photos = f"{after.photos} checked photos not learned from, {after.fruit} fruit"
    rows = [
        ("AP50", _two(before.ap50, after.ap50, "{:.3f}"), photos),
        ("F1 at overlap 0.5", _two(before.f1, after.f1, "{:.3f}"), photos),
        ("F1 at overlap 0.2", _two(before.f1_there, after.f1_there, "{:.3f}"), photos),
        (
            "count of a photo, mean absolute error",
            _two(before.count_error, after.count_error, "{:.1%}"),
            photos,
        ),
    ]
    if before.trees is not None and after.trees is not None:
        on = f"{after.trees.trees} hand-counted trees"
        rows += [
            (
                "fruit by hand for each seen",
                _two(before.trees.ratio, after.trees.ratio, "{:.2f}"),
                on,
            ),
            (
                "the same, spread between trees",
                _two(before.trees.scatter, after.trees.scatter, "{:.1%}"),
                on,
            ),
            (
                "count of a tree from the others' ratio, mean absolute error",
                _two(before.trees.error, after.trees.error, "{:.1%}"),
                on,
            ),
        ]
    return rows


def _two(before: float | None, after: float | None, form: str) -> str:
    return " → ".join("–" if one is None else form.format(one) for one in (before, after))
