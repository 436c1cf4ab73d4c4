"""Sized fruit count by the inverse of their chance of being sized."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import MeasuredPhoto
from fruitvision.settings import Settings
from fruitvision.sizes import size_distribution
from fruitvision.sizing_chance import LARGEST_RATIO, sizing_chances, sizing_weights
from fruitvision.tree import sample_trees
from tests import records


def _photo(rng: np.random.Generator, name: str, *, fruit: int = 80) -> MeasuredPhoto:
    """Fruit low in the picture (large y) are 8 mm smaller, and seldom sized."""
    y = rng.uniform(0, 2000, fruit)
    mm = 78 - 8 * y / 2000 + rng.normal(0, 2, fruit)
    chance = 1 / (1 + np.exp(1.2 * (y / 1000 - 1)))
    sized = rng.random(fruit) < chance
    found = [
        replace(
            records.fruit(i, photo_id=name, diameter_mm=float(mm[i]) if sized[i] else None),
            centre_y_px=float(y[i]),
            centre_x_px=float(rng.uniform(0, 1500)),
            diameter_px=float(0.7 * mm[i]),
        )
        for i in range(fruit)
    ]
    return records.measured(name, found)


def test_fruit_that_are_seldom_sized_count_for_more() -> None:
    rng = np.random.default_rng(1)
    photos = {name: _photo(rng, name) for name in (f"p{i}" for i in range(20))}
    walk = [records.tree_photo(i, "A", f"p{i}") for i in range(20)]
    trees, _ = sample_trees(walk, photos)
    weights = np.concatenate([tree.sizing_weights for tree in trees])
    assert len(weights) == sum(len(tree.diameters_mm) for tree in trees)
    assert weights.mean() == pytest.approx(1, abs=1e-9)
    assert weights.max() / weights.min() <= LARGEST_RATIO + 1e-9
    plain = [replace(tree, sizing_weights=()) for tree in trees]
    found = [
        size_distribution(these, [], walked_on=records.WALK, settings=Settings())
        for these in (plain, trees)
    ]
    # All fruit have a mean of 74 mm; those that were sized are 0.7 mm larger.
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].mean_mm > 74.5
    assert found[1].mean_mm == pytest.approx(74.0, abs=0.25)


def test_outlines_of_hidden_fruit_drawn_too_small_move_no_weight() -> None:
    # Size has nothing to do with being sized; the outlines of the unsized are 5 % too small.
    rng = np.random.default_rng(2)
    sized = rng.random(1500) < 0.5
    size = rng.normal(0, 0.08, 1500) - 0.05 * ~sized
    chances = sizing_chances(rng.normal(0, 1, (1500, 2)), size, sized)
    assert np.std(chances) < 0.04
    assert chances.mean() == pytest.approx(0.5, abs=0.03)


def test_chances_of_places_are_found() -> None:
    rng = np.random.default_rng(3)
    place = rng.uniform(-1, 1, (3000, 2))
    true = 1 / (1 + np.exp(-(0.3 - 0.9 * place[:, 0])))
    chances = sizing_chances(place, rng.normal(0, 0.08, 3000), rng.random(3000) < true)
    assert np.abs(chances - true).mean() < 0.02


def test_few_fruit_or_none_unsized_leave_all_weights_alike() -> None:
    few = _photo(np.random.default_rng(4), "a", fruit=40)
    assert set(sizing_weights([few]).values()) <= {1.0}
    all_sized = records.measured("b", [records.fruit(i, photo_id="b") for i in range(60)])
    assert set(sizing_weights([all_sized]).values()) == {1.0}
    assert sizing_weights([replace(all_sized, scale=None)]) == {}
    assert sizing_weights([]) == {}
