"""Photos of one face: what is joined, what is refused and why, and the millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from fruitvision.domain import Camera, DepthGrade, Doubt, MeasuredPhoto
from fruitvision.settings import Settings
from fruitvision.views.face import JoinedFace, join_face
from tests.two_places import (
    FOCAL_PX,
    HEIGHT_PX,
    LENS_35MM,
    WIDTH_PX,
    Canopy,
    Noise,
    camera_at,
    canopy,
    photographed,
    right_pairs,
    with_name,
)

SETTINGS = Settings()
TREE = canopy(1)


def _photo(
    name: str,
    step_mm: float,
    *,
    scene: Canopy = TREE,
    yaw_deg: float = 0.0,
    zoom: float = 1.0,
    lens_35mm: float | None = LENS_35MM,
    taken_at: datetime | None = None,
    noise: Noise | None = None,
) -> tuple[MeasuredPhoto, tuple[int, ...]]:
    return photographed(
        name,
        scene,
        camera_at(step_mm, yaw_deg=yaw_deg, zoom=zoom),
        sum(map(ord, name)),
        lens_35mm=lens_35mm,
        taken_at=taken_at,
        noise=noise,
    )


FIRST, OF_FIRST = _photo("a", 0.0)
SECOND, OF_SECOND = _photo("b", 400.0, yaw_deg=-6.0)
PAIR = join_face((FIRST, SECOND), SETTINGS)


def _refused(face: JoinedFace, photos: Sequence[MeasuredPhoto], words: str) -> None:
    """Nothing is joined: every photo keeps its own fruit, and says why."""
    assert face.joined == ()
    assert face.shared == face.distinct == 0
    assert any(words in problem.what for problem in face.not_joined), face.not_joined
    assert [photo.fruit for photo in face.photos] == [photo.fruit for photo in photos]
    for photo in face.photos:
        assert Doubt.VIEWS_NOT_JOINED in photo.doubts
    alone = [photo for photo in face.photos if Doubt.VIEWS_NOT_JOINED in photo.doubts]
    assert all(photo.remarks for photo in alone), "see why, but no reason"
    assert all(problem.fix for problem in face.not_joined)


# ---------------------------------------------------------------- joined


def test_fruit_of_both_photos_name_their_twin_in_the_second_and_count_once() -> None:
    right, wrong, both = right_pairs(PAIR.photos, (OF_FIRST, OF_SECOND))
    assert right >= 0.9 * both
    assert wrong <= 1
    assert PAIR.joined == ("a.jpg", "b.jpg")
    assert PAIR.shared == right + wrong
    assert PAIR.distinct == len(FIRST.fruit) + len(SECOND.fruit) - PAIR.shared
    assert PAIR.step_mm == pytest.approx(400.0, rel=0.05)
    assert all(fruit.same_as is None for fruit in PAIR.photos[0].fruit)
    assert not PAIR.not_joined
    assert Doubt.VIEWS_NOT_JOINED not in PAIR.photos[0].doubts


def test_a_shared_fruit_has_its_own_distance_and_the_same_mm_in_both_photos() -> None:
    by_id = {fruit.fruit_id: fruit for fruit in PAIR.photos[0].fruit}
    camera = camera_at(400.0, yaw_deg=-6.0)
    depths = camera.seen_from(TREE.centres_mm)[:, 2]
    for fruit, number in zip(PAIR.photos[1].fruit, OF_SECOND, strict=True):
        if fruit.same_as is None or number < 0:
            continue
        assert fruit.depth_grade is DepthGrade.TWO_VIEWS
        assert fruit.diameter_mm == by_id[fruit.same_as[1]].diameter_mm
        assert fruit.distance_mm == pytest.approx(depths[number], abs=90.0)


def test_millimetres_are_freed_of_depth_and_their_errors_are_true() -> None:
    errors, alone, stated = [], [], []
    for seed in (40, 42, 44, 46):
        scene = canopy(seed, depth_sd_mm=150.0)
        noise = Noise(outline_share=0.03, false=0)
        (one, numbers), (other, _) = (
            _photo(f"{seed}-{step}", step, scene=scene, noise=noise) for step in (0.0, 400.0)
        )
        known = [_with_outline_error(photo, 0.03) for photo in (one, other)]
        face = join_face(known, SETTINGS)
        for fruit, before, number in zip(face.photos[0].fruit, one.fruit, numbers, strict=True):
            if fruit.depth_grade is DepthGrade.TWO_VIEWS:
                assert fruit.diameter_mm is not None
                assert fruit.diameter_error_mm is not None
                assert before.diameter_mm is not None
                true = scene.diameters_mm[number]
                errors.append(fruit.diameter_mm - true)
                alone.append(before.diameter_mm - true)
                stated.append((fruit.diameter_mm - true) / fruit.diameter_error_mm)
    assert len(errors) > 150
    assert np.abs(errors).mean() < 1.6
    assert np.abs(errors).mean() < 0.45 * np.abs(alone).mean()
    assert abs(np.mean(errors)) < 0.5
    # Outlines err independently here; real ones partly alike, which the stated error allows for.
    assert 0.7 < np.std(stated) < 1.1


def _with_outline_error(photo: MeasuredPhoto, share: float) -> MeasuredPhoto:
    return replace(
        photo,
        fruit=tuple(replace(one, diameter_error_px=share * one.diameter_px) for one in photo.fruit),
    )


def test_fruit_seen_once_take_the_depth_of_their_neighbours_and_a_learned_spread() -> None:
    """The marker hangs 23 cm before the trunk, the fruit here 10 cm behind it."""
    deep = canopy(3, depth_sd_mm=40.0)
    deep = replace(deep, centres_mm=deep.centres_mm - np.array([0.0, 0.0, 300.0]))
    noise = Noise(missed=0.25, false=0, outline_share=0.0)
    one, numbers = _photo("deep-a", 0.0, scene=deep, noise=noise)
    other, _ = _photo("deep-b", 400.0, scene=deep, noise=noise)
    face = join_face((one, other), SETTINGS)
    seen_once = [
        (fruit, before, deep.diameters_mm[number])
        for fruit, before, number in zip(face.photos[0].fruit, one.fruit, numbers, strict=True)
        if fruit.depth_grade is DepthGrade.ONE_PLANE
    ]
    assert len(seen_once) >= 5
    now = [fruit.diameter_mm / true - 1 for fruit, _, true in seen_once]
    before = [fruit.diameter_mm / true - 1 for _, fruit, true in seen_once]
    assert np.mean(before) < -0.10
    assert abs(np.mean(now)) < 0.02
    assert all(fruit.diameter_error_mm < old.diameter_error_mm for fruit, old, _ in seen_once)


def test_a_fruit_too_hidden_in_one_photo_is_sized_by_the_other() -> None:
    hidden = tuple(
        replace(
            fruit,
            visible_share=0.5,
            doubts=(Doubt.PARTLY_HIDDEN,),
            diameter_mm=None,
            diameter_error_mm=None,
        )
        for fruit in FIRST.fruit
    )
    face = join_face((replace(FIRST, fruit=hidden), SECOND), SETTINGS)
    shared = [one for one in face.photos[0].fruit if one.depth_grade is DepthGrade.TWO_VIEWS]
    assert len(shared) == face.shared > 30
    assert all(fruit.diameter_mm is not None for fruit in shared)
    assert not any(fruit.doubts for fruit in shared)
    alone = [one for one in face.photos[0].fruit if one.depth_grade is not DepthGrade.TWO_VIEWS]
    assert all(fruit.diameter_mm is None and fruit.doubts for fruit in alone)


def test_three_places_share_more_fruit_than_two_and_none_is_named_twice() -> None:
    third, of_third = _photo("c", -400.0, yaw_deg=6.0)
    face = join_face((FIRST, SECOND, third), SETTINGS)
    assert face.joined == ("a.jpg", "b.jpg", "c.jpg")
    assert face.shared > PAIR.shared
    right, wrong, _ = right_pairs(face.photos, (OF_FIRST, OF_SECOND, of_third))
    assert wrong <= 2
    assert right > 90
    twins = [fruit.same_as for fruit in face.photos[2].fruit if fruit.same_as is not None]
    assert len(twins) == len(set(twins))
    counted = {(photo.photo.photo_id, one.fruit_id) for photo in face.photos for one in photo.fruit}
    assert set(twins) <= counted


def test_another_phone_from_the_second_place_is_as_good() -> None:
    other, of_other = _photo("wide", 400.0, zoom=0.85, lens_35mm=LENS_35MM * 0.85)
    face = join_face((FIRST, other), SETTINGS)
    right, wrong, both = right_pairs(face.photos, (OF_FIRST, of_other))
    assert face.joined
    assert right >= 0.85 * both
    assert wrong <= 2


def test_the_bend_of_a_lens_that_nobody_calibrated_is_found() -> None:
    """A bend of 2 % at the focal length moves fruit near the rim by 10 px."""
    bent = Camera(
        focal_px=FOCAL_PX,
        middle_x_px=(WIDTH_PX - 1) / 2,
        middle_y_px=(HEIGHT_PX - 1) / 2,
        distortion=(0.02, 0.0, 0.0, 0.0, 0.0),
    )
    photos = [_bent(photo, bent) for photo in (FIRST, SECOND)]
    face = join_face(photos, SETTINGS)
    depths = camera_at(0.0).seen_from(TREE.centres_mm)[:, 2]
    gaps = [
        fruit.distance_mm / depths[number] - 1
        for fruit, number in zip(face.photos[0].fruit, OF_FIRST, strict=True)
        if fruit.depth_grade is DepthGrade.TWO_VIEWS and fruit.distance_mm and number >= 0
    ]
    assert face.shared >= 0.9 * PAIR.shared
    assert np.sqrt(np.mean(np.square(gaps))) < 0.02


def _bent(photo: MeasuredPhoto, lens: Camera) -> MeasuredPhoto:
    from fruitvision.camera import drawn_px

    middles = drawn_px([(one.centre_x_px, one.centre_y_px) for one in photo.fruit], lens)
    corners = drawn_px(photo.references[0].corners_px, lens)
    return replace(
        photo,
        references=(replace(photo.references[0], corners_px=tuple(map(tuple, corners.tolist()))),),
        fruit=tuple(
            replace(one, centre_x_px=float(x), centre_y_px=float(y))
            for one, (x, y) in zip(photo.fruit, middles, strict=True)
        ),
    )


# ---------------------------------------------------------------- refused


@pytest.mark.parametrize("seed", range(100, 106))
def test_photos_of_two_trees_are_no_pair(seed: int) -> None:
    other, _ = _photo(f"tree{seed}", 400.0, scene=canopy(seed))
    photos = (FIRST, other)
    _refused(join_face(photos, SETTINGS), photos, "do not fit together")


@pytest.mark.parametrize("fruit", [5, 8, 12])
def test_few_fruit_of_two_trees_are_no_pair_either(fruit: int) -> None:
    one, _ = _photo("few-a", 0.0, scene=canopy(7, fruit=fruit))
    other, _ = _photo("few-b", 400.0, scene=canopy(8, fruit=fruit))
    _refused(join_face((one, other), SETTINGS), (one, other), "do not fit together")


def test_the_same_photo_twice_or_saved_again_is_no_pair() -> None:
    again = with_name(FIRST, "saved")
    _refused(join_face((FIRST, again), SETTINGS), (FIRST, again), "nearly the same place")
    _refused(join_face((FIRST, FIRST), SETTINGS), (FIRST, FIRST), "one and the same photo")


@pytest.mark.parametrize(
    ("step_mm", "yaw_deg", "zoom", "lens_35mm"),
    [
        (0.0, 5.0, 1.0, LENS_35MM),
        (25.0, 0.0, 1.0, LENS_35MM),
        (0.0, 0.0, 1.3, LENS_35MM),
        (0.0, 0.0, 1.3, 1.3 * LENS_35MM),
    ],
    ids=["turned", "too short", "zoom that the photo does not name", "zoom that it names"],
)
def test_a_turn_or_a_zoom_is_no_step(
    step_mm: float, yaw_deg: float, zoom: float, lens_35mm: float
) -> None:
    other, _ = _photo("still", step_mm, yaw_deg=yaw_deg, zoom=zoom, lens_35mm=lens_35mm)
    _refused(join_face((FIRST, other), SETTINGS), (FIRST, other), "nearly the same place")


def test_photos_weeks_apart_are_no_pair_and_midnight_is_no_week() -> None:
    def dated(name: str, step_mm: float, day: datetime) -> MeasuredPhoto:
        return _photo(name, step_mm, taken_at=day)[0]

    evening, night = (
        datetime(2026, 8, 12, 23, 58, tzinfo=UTC),
        datetime(2026, 8, 13, 0, 3, tzinfo=UTC),
    )
    pair = (dated("a", 0.0, evening), dated("b", 400.0, night))
    assert join_face(pair, SETTINGS).joined
    late = (pair[0], dated("b", 400.0, datetime(2026, 9, 2, 10, 0, tzinfo=UTC)))
    _refused(join_face(late, SETTINGS), late, "21 days apart")


def test_photos_of_one_name_are_told_apart_by_day_or_number() -> None:
    def called(photo: MeasuredPhoto, day: int | None) -> MeasuredPhoto:
        taken_at = None if day is None else datetime(2026, 8, day, 10, 0, tzinfo=UTC)
        return replace(photo, photo=replace(photo.photo, name="x.jpg", taken_at=taken_at))

    late = join_face((called(FIRST, 12), called(SECOND, 20)), SETTINGS)
    (problem,) = late.not_joined
    assert problem.names == ("x.jpg (2026-08-12)", "x.jpg (2026-08-20)")
    assert all("(2026-08-20)" in photo.remarks[-1] for photo in late.photos)
    same = join_face((called(FIRST, None), called(SECOND, None)), SETTINGS)
    assert same.joined == ("x.jpg (1)", "x.jpg (2)")
    # A stranger of the same name is not taken for one of those that were joined.
    stranger, _ = _photo("x", 400.0, scene=canopy(9))
    three = join_face((called(FIRST, 12), called(SECOND, 12), called(stranger, 13)), SETTINGS)
    doubted = [Doubt.VIEWS_NOT_JOINED in photo.doubts for photo in three.photos]
    assert doubted == [False, False, True]


def test_a_photo_without_lens_or_marker_is_measured_by_itself() -> None:
    no_lens, _ = _photo("no lens", 400.0, lens_35mm=None)
    _refused(join_face((FIRST, no_lens), SETTINGS), (FIRST, no_lens), "lens is unknown")
    bare = replace(SECOND, references=())
    _refused(join_face((FIRST, bare), SETTINGS), (FIRST, bare), "no usable marker")
    cut = replace(SECOND.references[0], doubts=(Doubt.MARKER_CUT,))
    covered = replace(SECOND, references=(cut,))
    _refused(join_face((FIRST, covered), SETTINGS), (FIRST, covered), "no usable marker")
    other = replace(SECOND.references[0], marker_id=8)
    renumbered = replace(SECOND, references=(other,))
    _refused(join_face((FIRST, renumbered), SETTINGS), (FIRST, renumbered), "marker")


def test_a_marker_that_was_moved_between_the_photos_is_noticed() -> None:
    moved = replace(TREE, marker_mm=TREE.marker_mm + np.array([150.0, 80.0, 0.0]))
    other, _ = _photo("moved", 400.0, scene=moved)
    _refused(join_face((FIRST, other), SETTINGS), (FIRST, other), "do not fit together")


def test_one_wrong_photo_leaves_the_others_joined() -> None:
    stranger, _ = _photo("stranger", 400.0, scene=canopy(77))
    face = join_face((FIRST, stranger, SECOND), SETTINGS)
    assert face.joined == ("a.jpg", "b.jpg")
    assert face.shared == PAIR.shared
    assert face.photos[1].fruit == stranger.fruit
    assert Doubt.VIEWS_NOT_JOINED in face.photos[1].doubts
    assert Doubt.VIEWS_NOT_JOINED not in face.photos[0].doubts
    assert {name for problem in face.not_joined for name in problem.names} >= {"stranger.jpg"}


@pytest.mark.parametrize("fruit", [0, 1, 2])
def test_hardly_any_fruit_is_no_pair_and_no_crash(fruit: int) -> None:
    bare = [replace(photo, fruit=photo.fruit[:fruit]) for photo in (FIRST, SECOND)]
    _refused(join_face(bare, SETTINGS), bare, "do not fit together")
