"""Fruit that two photos share, as found, against those that they truly share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fruitvision.domain import MeasuredPhoto
from fruitvision.evaluate.sizing import LEAST_SHARE, SizedPhoto, SizingTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinFigures:
    """Counts over pairs of photos.

    `pairs` : of photos; `joined` : of these measured together; `matched` : fruit that were said to
    be in both; `wrong` : of these, pairs of finds that are not one and the same fruit;
    `found_twice` : fruit of this row that were found in both photos; `seen_twice` : of which a
    fifth or more is seen in both.
    """

    pairs: int = 0
    joined: int = 0
    matched: int = 0
    wrong: int = 0
    found_twice: int = 0
    seen_twice: int = 0

    def __add__(self, other: TwinFigures) -> TwinFigures:
        return TwinFigures(
            pairs=self.pairs + other.pairs,
            joined=self.joined + other.joined,
            matched=self.matched + other.matched,
            wrong=self.wrong + other.wrong,
            found_twice=self.found_twice + other.found_twice,
            seen_twice=self.seen_twice + other.seen_twice,
        )

    @property
    def matched_share(self) -> float | None:
        """Right matches, as a share of the fruit found in both photos."""
        return (self.matched - self.wrong) / self.found_twice if self.found_twice else None

    @property
    def matched_of_seen(self) -> float | None:
        """Right matches, as a share of the fruit seen in both, found or not."""
        return (self.matched - self.wrong) / self.seen_twice if self.seen_twice else None

    @property
    def wrong_share(self) -> float | None:
        """Wrong ones, as a share of all matches."""
        return self.wrong / self.matched if self.matched else None


def twin_figures(
    photos: Sequence[MeasuredPhoto],
    sized: Sequence[SizedPhoto],
    truths: Sequence[SizingTruth],
) -> TwinFigures:
    """Twins of two photos that were measured together.

    Parameters
    ----------
    photos : two of MeasuredPhoto
        As `views.face.join_face` gives them.
    sized : two of SizedPhoto
        The same photos against their truth: `evaluate.sizing.sized_photo`.
    truths : two of SizingTruth
    """
    names = [{fruit.found_id: fruit.fruit_id for fruit in one.fruit} for one in sized]
    twins = [fruit for fruit in photos[1].fruit if fruit.same_as is not None]
    wrong = sum(not _one_fruit(names, fruit.same_as, fruit.fruit_id) for fruit in twins)
    return TwinFigures(
        pairs=1,
        joined=int(bool(twins)),
        matched=len(twins),
        wrong=wrong,
        found_twice=len(_this_row(sized[0]) & _this_row(sized[1])),
        seen_twice=len(_seen(truths[0]) & _seen(truths[1])),
    )


def _one_fruit(
    names: Sequence[Mapping[str, str]], first: tuple[str, str] | None, second_id: str
) -> bool:
    true = None if first is None else names[0].get(first[1])
    return true is not None and true == names[1].get(second_id)


def _this_row(photo: SizedPhoto) -> set[str]:
    return {one.fruit_id for one in photo.fruit if one.on_this_row and one.said_this_row}


def _seen(truth: SizingTruth) -> set[str]:
    seen = truth.on_this_row & (truth.visible_shares >= LEAST_SHARE)
    return {name for name, is_seen in zip(truth.fruit_ids, seen, strict=True) if is_seen}
