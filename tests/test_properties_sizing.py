"""What must hold of fruit, trees, units and settings for any numbers."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fruitvision.domain import ColdRoom, Estimate, Fruit, MeasuredPhoto, Scale, TreePhoto
from fruitvision.errors import SettingsError
from fruitvision.fruit.measure import diameter_error_mm, sized_fruit
from fruitvision.harvest.rooms import Arrival, fill_rooms
from fruitvision.scale import remove_off_axis_stretch
from fruitvision.settings import (
    Settings,
    all_settings_to_text,
    settings_from_text,
    settings_to_text,
)
from fruitvision.tree import sample_trees, split_walks
from fruitvision.unit_system import METRIC, US, Unit, per_power
from fruitvision.units import parse_count, parse_number
from tests.records import WALK, fruit, measured, tree_photo

USUAL = Settings()
UNITS = [
    getattr(system, name)
    for system in (METRIC, US)
    for name in ("diameter", "cube", "fruit", "carton", "crop", "distance", "area")
]
pixels = st.floats(20, 200)
scales = st.floats(0.2, 4.0)


def of_size(diameter_px: float, scale: Scale) -> Fruit:
    seen = replace(
        fruit(1), diameter_px=diameter_px, diameter_mm=None, centre_x_px=700.0, centre_y_px=900.0
    )
    return sized_fruit(
        seen, 0.03, fitted=True, photo=measured("a").photo, scale=scale, settings=USUAL
    )


@given(pixels, pixels, scales, st.floats(1.0, 3.0))
def test_more_pixels_or_a_coarser_scale_never_make_a_smaller_fruit(
    one_px: float, other_px: float, mm_per_px: float, coarser: float
) -> None:
    scale = Scale(mm_per_px=mm_per_px, mm_per_px_error=0.01 * mm_per_px)
    small, large = (of_size(px, scale).diameter_mm for px in sorted((one_px, other_px)))
    assert small is not None
    assert large is not None
    assert small <= large
    times = replace(
        scale,
        mm_per_px=coarser * mm_per_px,
        mm_per_px_error=coarser * scale.mm_per_px_error,
    )
    assert of_size(one_px, times).diameter_mm == pytest.approx(
        coarser * (of_size(one_px, scale).diameter_mm or 0)
    )


@given(pixels, st.floats(0, 0.2), st.floats(0, 0.1), st.floats(0, 400), st.floats(500, 5000))
def test_no_part_of_the_error_makes_it_smaller(
    px: float, outline: float, of_scale: float, depth_sd: float, distance: float
) -> None:
    def error(out: float, rel: float, sd: float) -> float:
        scale = Scale(mm_per_px=1.5, mm_per_px_error=1.5 * rel, distance_mm=distance)
        return diameter_error_mm(px, out, scale=scale, at_px=(0.0, 0.0), canopy_depth_sd_mm=sd)

    found = error(outline, of_scale, depth_sd)
    alone = (error(outline, 0, 0), error(0, of_scale, 0), error(0, 0, depth_sd))
    assert max(alone) - 1e-9 <= found <= sum(alone) + 1e-9
    assert found**2 == pytest.approx(sum(one**2 for one in alone), abs=1e-9)


@given(
    st.floats(1, 900), st.floats(0, 2 * np.pi), st.floats(10, 150), st.floats(800, 3000),
    st.floats(0, 180),
)  # fmt: skip
def test_the_stretch_is_alike_all_around_the_axis_and_only_ever_taken_off(
    away: float, at: float, px: float, focal: float, turn: float
) -> None:
    def freed(angle: float, direction: float) -> float:
        outline = [away * np.cos(angle), away * np.sin(angle), px, 0.9 * px, direction]
        return float(
            remove_off_axis_stretch(
                np.array([outline]), focal_px=focal, principal_point_px=(0.0, 0.0)
            )[0]
        )

    found = freed(at, turn)
    assert found <= px * (1 + 1e-12)
    # The same fruit, turned about the optical axis with the whole picture.
    assert freed(at + 1.0, turn + np.degrees(1.0)) == pytest.approx(found, rel=1e-9)
    assert freed(at, turn + 180.0) == pytest.approx(found, rel=1e-9)


faces = st.lists(st.booleans(), max_size=8)


def photo_with(photo_id: str, on_row: list[bool]) -> MeasuredPhoto:
    return measured(
        photo_id,
        [fruit(number, photo_id=photo_id, on_this_row=one) for number, one in enumerate(on_row, 1)],
    )


@given(st.lists(st.tuples(faces, faces), min_size=1, max_size=4), st.randoms())
def test_a_tree_counts_what_its_faces_show_in_whatever_order_photos_come(
    trees: list[tuple[list[bool], list[bool]]], rng: object
) -> None:
    walk: list[TreePhoto] = []
    photos: dict[str, MeasuredPhoto] = {}
    for position, both in enumerate(trees, 1):
        for face, on_row in zip("AB", both, strict=True):
            name = f"{position}{face}"
            walk.append(tree_photo(position, face, name))
            photos[name] = photo_with(name, on_row)
    samples, doubts = sample_trees(walk, photos)
    assert [one.visible_count for one in samples] == [sum(a) + sum(b) for a, b in trees]
    assert doubts == ()
    for one in samples:
        assert sum(one.face_counts) == one.visible_count
        assert len(one.diameters_mm) <= one.visible_count
    rng.shuffle(walk)  # type: ignore[attr-defined]
    again, _ = sample_trees(walk, photos)
    assert [(t.tree, t.visible_count) for t in again] == [
        (t.tree, t.visible_count) for t in samples
    ]


@given(faces, st.lists(st.tuples(st.booleans(), st.booleans()), max_size=8))
def test_a_second_place_adds_diameters_and_never_a_fruit_to_the_count(
    first: list[bool], second: list[tuple[bool, bool]]
) -> None:
    """Each fruit of the second place: of this row or not, seen from the first place or not."""
    assume(any(first))
    near = photo_with("near", first)
    aside = photo_with("aside", [on_row for on_row, _ in second])
    joined = replace(
        aside,
        fruit=tuple(
            replace(one, same_as=("near", "f001") if known else None)
            for one, (_, known) in zip(aside.fruit, second, strict=True)
        ),
    )
    walk = [tree_photo(1, "A", "near"), replace(tree_photo(1, "A", "aside"), place=2)]
    (tree,), _ = sample_trees(walk, {"near": near, "aside": joined})
    assert tree.visible_count == sum(first)
    sees_the_same = any(known for _, known in second)
    only_here = sum(on_row and not known for on_row, known in second)
    assert len(tree.diameters_mm) == sum(first) + (only_here if sees_the_same else 0)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=20))
def test_walks_hold_every_photo_once_and_none_is_longer_than_a_week(days: list[int]) -> None:
    photos = [
        tree_photo(number, "A", f"p{number}", walked_on=WALK + timedelta(days=day))
        for number, day in enumerate(days)
    ]
    walks = split_walks(photos)
    assert sorted(p.photo_id for walk in walks for p in walk) == sorted(p.photo_id for p in photos)
    ends = [(walk[0].walked_on, walk[-1].walked_on) for walk in walks]
    assert all((last - first).days < 7 for first, last in ends)
    assert ends == sorted(ends)


@given(st.sampled_from(UNITS), st.floats(0, 1e6), st.integers(0, 3))
def test_any_unit_goes_there_and_back_and_keeps_the_order(
    unit: Unit, value: float, digits: int
) -> None:
    assert unit.kept(unit.shown(value)) == pytest.approx(value)
    found = unit.shown_range(Estimate(value, value + 1, value + 2))
    assert found is not None
    assert found.p10 <= found.p50 <= found.p90
    assert unit.shown_range(None) is None
    # Rounded to all decimals, a number is off by half of the metric one's last digit at most.
    shown = round(unit.shown(value), unit.all_decimals(digits))
    assert abs(unit.kept(shown) - value) <= 0.5 * 10.0**-digits * (1 + 1e-9) + 1e-9 * value


@given(st.floats(40, 100), st.floats(1e-5, 1e-2), st.floats(2, 4))
def test_a_weight_rule_weighs_the_same_in_either_system(
    mm: float, factor: float, power: float
) -> None:
    shown = per_power(US.fruit, US.diameter, factor, power)
    ounces = shown * US.diameter.shown(mm) ** power
    assert US.fruit.kept(ounces) == pytest.approx(factor * mm**power)


@given(st.integers(1, 9_999_999), st.sampled_from([",", " ", "\u00a0", "\u202f"]))
def test_a_count_is_read_with_any_sign_between_thousands(count: int, sign: str) -> None:
    assert parse_count(f"{count:,}".replace(",", sign)) == count
    assert parse_number(f"-{count}") == -count


NUMBERS = [one.name for one in fields(Settings) if one.type in ("float", "int")]


def read_or_refused(text: str) -> Settings | SettingsError:
    try:
        return settings_from_text(text)
    except SettingsError as err:
        return err


@given(st.dictionaries(st.sampled_from(NUMBERS), st.floats(0.01, 0.99), max_size=6))
def test_settings_come_back_from_their_own_text_or_are_refused_with_a_fix(
    changes: dict[str, float],
) -> None:
    kinds = {one.name: one.type for one in fields(Settings)}
    given_values = {
        name: round(1000 * value) if kinds[name] == "int" else value
        for name, value in changes.items()
    }
    text = "".join(f"{name} = {value!r}\n" for name, value in given_values.items())
    found = read_or_refused(text)
    if isinstance(found, SettingsError):
        assert len(found.fix) > 5
        return
    assert {name: asdict(found)[name] for name in given_values} == given_values
    assert settings_from_text(settings_to_text(found)) == found
    assert settings_from_text(all_settings_to_text(found)).sha256 == found.sha256


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.sampled_from(["Gala", "Fuji"]), st.integers(0, 80)),
        max_size=8,
        unique_by=lambda one: one[:2],
    ),
    st.lists(st.tuples(st.integers(1, 120), st.floats(0.1, 1)), max_size=4),
)
def test_every_bin_is_in_a_room_or_over_and_no_room_takes_more_than_it_holds(
    arrivals: list[tuple[int, str, int]], rooms: list[tuple[int, float]]
) -> None:
    named = [
        ColdRoom(name=f"room {number}", bins=bins, daily_share=daily)
        for number, (bins, daily) in enumerate(rooms)
    ]
    coming = [
        Arrival(day=WALK + timedelta(days=day), variety=variety, bins=np.full(3, float(bins)))
        for day, variety, bins in arrivals
    ]
    plan = fill_rooms(coming, named)
    filled = sum(one.fill.p50 for one in plan.rooms)
    over = sum(one.over.p50 for one in plan.days)
    assert filled + over == pytest.approx(sum(bins for _, _, bins in arrivals))
    for use in plan.rooms:
        assert 0 <= use.fill.p90 <= use.room.bins
    for day in plan.days:
        assert day.over.p50 <= day.arriving.p50
    assert sorted([*(use.room.name for use in plan.rooms), *plan.spare]) == [
        room.name for room in named
    ]
