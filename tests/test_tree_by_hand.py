"""Trees out of photos, rows behind and chances of being sized, with numbers worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import statsmodels.api as sm

from fruitvision.domain import Doubt, Fruit, MeasuredPhoto, Protocol, TreeId, TreePhoto
from fruitvision.rows_behind import BEHIND_BELOW, without_rows_behind
from fruitvision.sizing_chance import FEWEST, LARGEST_RATIO, sizing_chances, sizing_weights
from fruitvision.tree import WALK_DAYS, sample_trees, split_walks
from tests.records import WALK, fruit, measured, tree_photo


def shown(photo_id: str, number: int) -> MeasuredPhoto:
    return measured(photo_id, [fruit(n, photo_id=photo_id) for n in range(1, number + 1)])


# ---------------------------------------------------------------- walks and trees


def test_a_walk_is_the_days_within_a_week_before_its_last() -> None:
    for apart, walks in ((WALK_DAYS - 1, 1), (WALK_DAYS, 2)):
        photos = [
            tree_photo(1, "A", "new"),
            tree_photo(2, "A", "old", walked_on=WALK - timedelta(days=apart)),
        ]
        found = split_walks(photos)
        assert len(found) == walks
        assert found[0][0].photo_id == "old"
    assert split_walks([]) == ()


def test_a_walk_stands_in_the_order_of_days_trees_faces_and_places() -> None:
    photos = [
        tree_photo(2, "A", "5"),
        replace(tree_photo(1, "B", "4"), place=2),
        tree_photo(1, "B", "3"),
        tree_photo(1, "A", "2"),
        tree_photo(9, "A", "1", walked_on=WALK - timedelta(days=1)),
    ]
    (walk,) = split_walks(photos)
    assert [photo.photo_id for photo in walk] == ["1", "2", "3", "4", "5"]


def test_a_tree_keeps_what_its_two_faces_say() -> None:
    dim = replace(shown("b", 2), doubts=(Doubt.LENS_UNKNOWN,))
    photos = {"a": shown("a", 3), "b": dim}
    walk = [
        replace(tree_photo(4, "A", "a", walked_on=WALK - timedelta(days=2)), vigour=2.0),
        replace(tree_photo(4, "B", "b"), vigour=3.0),
    ]
    (tree,), doubts = sample_trees(walk, photos)
    assert (tree.tree.position, tree.walked_on) == (4, WALK)
    assert (tree.visible_count, tree.face_counts, tree.vigour) == (5, (3, 2), 2.5)
    assert tree.diameter_errors_mm == (3.0,) * 5
    assert tree.sizing_weights == (1.0,) * 5
    assert tree.doubts == (Doubt.LENS_UNKNOWN,)
    assert (tree.trees, tree.protocol, doubts) == (1, Protocol.TWO_FACES, ())


@pytest.mark.parametrize(
    ("vigours", "mean"), [((None, None), None), ((2.0, None), 2.0), ((None, 4.0), 4.0)]
)
def test_a_vigour_of_one_face_is_the_trees(
    vigours: tuple[float | None, float | None], mean: float | None
) -> None:
    walk = [
        replace(tree_photo(1, face, face), vigour=vigour)
        for face, vigour in zip("AB", vigours, strict=True)
    ]
    (tree,), _ = sample_trees(walk, {"A": shown("A", 1), "B": shown("B", 1)})
    assert tree.vigour == mean


def test_trees_stand_in_the_order_of_the_register() -> None:
    places = [TreeId("Gala North", 2, 1), TreeId("Gala North", 1, 9), TreeId("Gala North", 1, 2)]
    walk = [
        TreePhoto(tree=place, face="A", photo_id=str(n), walked_on=WALK)
        for n, place in enumerate(places)
    ]
    trees, _ = sample_trees(walk, {str(n): shown(str(n), 1) for n in range(3)})
    assert [tree.tree for tree in trees] == sorted(places)


@pytest.mark.parametrize(
    ("numbers", "doubts"),
    [((1, 1), ()), ((4, 4), ()), ((4, 3), ()), ((4, 1), (Doubt.PANELS_AND_TREES,))],
)
def test_panels_are_doubted_beside_single_trees_only(
    numbers: tuple[int, int], doubts: tuple[Doubt, ...]
) -> None:
    walk = [
        replace(tree_photo(1 + 10 * n, "A", str(n)), trees=trees) for n, trees in enumerate(numbers)
    ]
    trees, found = sample_trees(walk, {str(n): shown(str(n), 2) for n in range(2)})
    assert found == doubts
    assert [tree.trees for tree in trees] == list(numbers)
    panels = Protocol.PANEL_ONE_FACE if max(numbers) > 1 else Protocol.ONE_FACE
    assert {tree.protocol for tree in trees} == {panels}


def test_a_face_seen_from_three_places_adds_what_each_sees_alone() -> None:
    twin = ("a", "f001")
    second = measured(
        "b",
        [
            replace(fruit(1, photo_id="b"), same_as=twin),
            fruit(2, photo_id="b", diameter_mm=64.0),
            fruit(3, photo_id="b", diameter_mm=None),
            fruit(4, photo_id="b", diameter_mm=61.0, on_this_row=False),
        ],
    )
    third = measured(
        "c",
        [
            replace(fruit(1, photo_id="c"), same_as=("b", "f002")),
            fruit(2, photo_id="c", diameter_mm=66.0),
        ],
    )
    walk = [
        replace(tree_photo(4, "A", name), place=place) for place, name in enumerate("abc", start=1)
    ]
    (tree,), _ = sample_trees(walk, {"a": shown("a", 2), "b": second, "c": third})
    assert tree.visible_count == 2
    assert tree.diameters_mm == (70.0, 70.0, 64.0, 66.0)


# ---------------------------------------------------------------- rows behind


def of_size(photo_id: str, *sizes_mm: float, visible: float = 0.9) -> MeasuredPhoto:
    """Scale 1.4 mm per px."""
    return measured(
        photo_id,
        [
            replace(
                fruit(n, photo_id=photo_id, diameter_mm=mm),
                diameter_px=mm / 1.4,
                visible_share=visible,
            )
            for n, mm in enumerate(sizes_mm, 1)
        ],
    )


def behind(photos: list[MeasuredPhoto]) -> list[Fruit]:
    return [
        one for photo in without_rows_behind(photos) for one in photo.fruit if not one.on_this_row
    ]


SMALL = of_size("d", 80.0, 81.0, 30.0)


def test_three_photos_of_three_well_seen_fruit_tell_what_is_usual() -> None:
    usual = [of_size(name, 80.0, 80.0, 80.0) for name in "abc"]
    assert [one.fruit_id for one in behind([*usual, SMALL])] == ["f003"]
    # With one photo less, the small one's own three are the third.
    assert len(behind([*usual[:2], SMALL])) == 1
    assert behind([*usual[:2], of_size("d", 80.0, 30.0)]) == []
    # Two fruit a photo, or three that are half hidden, tell nothing.
    assert behind([*(of_size(name, 80.0, 80.0) for name in "abc"), SMALL]) == []
    half = [of_size(name, 80.0, 80.0, 80.0, visible=0.49) for name in "abc"]
    assert behind([*half, SMALL]) == []
    just = [of_size(name, 80.0, 80.0, 80.0, visible=0.5) for name in "abc"]
    assert len(behind([*just, SMALL])) == 1


def test_a_fruit_exactly_at_the_limit_stays_and_one_that_somebody_drew_too() -> None:
    usual = [of_size(name, 80.0, 80.0, 80.0) for name in "abc"]
    at = of_size("d", 80.0 * BEHIND_BELOW * (1 + 1e-12))
    assert behind([*usual, at]) == []
    (seen,) = of_size("e", 30.0).fruit
    drawn = replace(of_size("e", 30.0), fruit=(replace(seen, doubts=(Doubt.BY_HAND,)),))
    assert behind([*usual, drawn]) == []


def test_a_fruit_behind_keeps_its_doubts_and_loses_its_size() -> None:
    usual = [of_size(name, 80.0, 80.0, 80.0) for name in "abc"]
    (seen,) = of_size("d", 30.0).fruit
    hidden = replace(
        of_size("d", 30.0),
        fruit=(replace(seen, doubts=(Doubt.PARTLY_HIDDEN,)),),
        doubts=(Doubt.LENS_UNKNOWN,),
    )
    *_, photo = without_rows_behind([*usual, hidden])
    (found,) = photo.fruit
    assert found.doubts == (Doubt.NOT_SIZED, Doubt.PARTLY_HIDDEN)
    assert (found.diameter_mm, found.diameter_error_mm) == (None, None)
    assert set(photo.doubts) == {Doubt.LENS_UNKNOWN, Doubt.ROW_BEHIND}


# ---------------------------------------------------------------- chances of being sized


def test_chances_without_a_penalty_to_speak_of_are_those_of_another_library() -> None:
    # The prior of the slopes is worth a few of 40,000 fruit. statsmodels: maximum likelihood.
    rng = np.random.default_rng(7)
    places = rng.normal(0, 1, (40_000, 2)) * [3.0, 0.2] + [10.0, 1.0]
    logit = 0.4 + 0.5 * (places[:, 0] - 10) / 3 - 0.3 * (places[:, 1] - 1) / 0.2
    sized = rng.random(40_000) < 1 / (1 + np.exp(-logit))
    sizes = np.zeros(40_000)
    found = sizing_chances(places, sizes, sized)
    fit = sm.Logit(sized.astype(float), sm.add_constant(places)).fit(disp=0)
    assert np.abs(found - fit.predict(sm.add_constant(places))).max() < 1e-3


def test_a_slope_on_size_is_held_back_as_stated() -> None:
    # Penalised score: Σ(y − p)·x = penalty · slope at the maximum, with the slope's own penalty
    # (1 + bias²·information)/1.5² of the unpenalised fit, bias = 0.03 / var(log size).
    rng = np.random.default_rng(8)
    size = rng.normal(0, 0.1, 400)
    sized = rng.random(400) < 1 / (1 + np.exp(-(0.2 + 8 * size)))
    found = sizing_chances(np.zeros((400, 1)), size, sized)
    x = size - size.mean()
    logit = np.log(found / (1 - found))
    slope, level = np.polyfit(x, logit, 1)
    assert logit == pytest.approx(level + slope * x, abs=1e-6)
    score = float(np.sum((sized - found) * x))
    assert np.sum(sized - found) == pytest.approx(0.0, abs=1e-5)

    def fitted(penalty: float) -> np.ndarray:
        a, b = 0.0, 0.0
        for _ in range(60):
            p = 1 / (1 + np.exp(-(a + b * x)))
            w = p * (1 - p)
            hessian = np.array([[w.sum(), w @ x], [w @ x, w @ x**2 + penalty]])
            a, b = np.array([a, b]) + np.linalg.solve(
                hessian, [np.sum(sized - p), np.sum((sized - p) * x) - penalty * b]
            )
        return 1 / (1 + np.exp(-(a + b * x)))

    free = fitted(1.5**-2)
    information = float(np.sum(free * (1 - free) * x**2))
    bias = 0.03 / float(np.var(size))
    assert score == pytest.approx((1 + bias**2 * information) / 1.5**2 * slope, rel=1e-4)


def many(photo_id: str, sized: int, unsized: int, *, on_row: bool = True) -> MeasuredPhoto:
    """Fruit in a row from left to right; every other one is low in the picture."""
    total = sized + unsized
    every = [n * sized // total != (n + 1) * sized // total for n in range(total)]
    return measured(
        photo_id,
        [
            replace(
                fruit(
                    n, photo_id=photo_id, diameter_mm=70.0 if is_sized else None, on_this_row=on_row
                ),
                centre_y_px=300.0 if is_sized else 1500.0,
                centre_x_px=20.0 * n,
            )
            for n, is_sized in enumerate(every)
        ],
    )


def test_thirty_sized_and_thirty_unsized_fruit_tell_the_chance() -> None:
    for sized, unsized, tells in ((30, 30, True), (29, 31, False), (31, 29, False)):
        weights = sizing_weights([many("a", sized, unsized)])
        assert len(weights) == sized
        assert (max(weights.values()) != min(weights.values())) is tells
    assert FEWEST == 30
    # Fruit of other rows tell nothing, and have no weight.
    assert sizing_weights([many("a", 40, 40, on_row=False)]) == {}


def test_weights_are_one_on_average_and_keep_their_largest_ratio() -> None:
    # Low fruit are hardly ever sized: one of a hundred stands for many, and is held to the limit.
    photo = many("a", 100, 100)
    (first, *rest) = [one for one in photo.fruit if one.diameter_mm is not None]
    low = replace(first, centre_y_px=1500.0)
    moved = replace(photo, fruit=tuple(low if one is first else one for one in photo.fruit))
    weights = sizing_weights([moved])
    values = np.array(list(weights.values()))
    assert values.mean() == pytest.approx(1.0)
    assert values.max() / values.min() == pytest.approx(LARGEST_RATIO**0.5, rel=0.2)
    assert weights["a", first.fruit_id] == values.max()
    assert len(rest) == 99


def test_a_slope_on_a_place_is_held_back_as_stated() -> None:
    # Σ(y − p)·x = slope / 0.5² at the maximum, with places in units of their own spread.
    rng = np.random.default_rng(9)
    place = rng.normal(5, 3, (300, 1))
    x = (place[:, 0] - place.mean()) / place.std()
    sized = rng.random(300) < 1 / (1 + np.exp(-0.8 * x))
    found = sizing_chances(place, np.zeros(300), sized)
    slope, level = np.polyfit(x, np.log(found / (1 - found)), 1)
    assert float(np.sum((sized - found) * x)) == pytest.approx(slope / 0.5**2, rel=1e-5)
    assert abs(level) < 1


def test_sizes_are_held_against_those_of_their_own_photo() -> None:
    # The same fruit at half the scale: small ones are seldom sized in both photos.
    rng = np.random.default_rng(10)
    px = rng.uniform(40, 60, 100)
    sized = rng.random(100) < (px - 35) / 30

    def photo(name: str, times: float) -> MeasuredPhoto:
        return measured(
            name,
            [
                replace(
                    fruit(n, photo_id=name, diameter_mm=70.0 if sized[n] else None),
                    diameter_px=float(times * px[n]),
                    centre_x_px=750.0,
                )
                for n in range(100)
            ],
        )

    weights = sizing_weights([photo("a", 1.0), photo("b", 0.5)])
    alone = sizing_weights([photo("a", 1.0), photo("b", 1.0)])
    assert weights == pytest.approx(alone)
    small = int(np.flatnonzero(sized)[px[sized].argmin()])
    assert weights["a", f"f{small:03d}"] == max(weights.values())
