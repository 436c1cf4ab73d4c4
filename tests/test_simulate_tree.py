"""Trees, fruit, skins, ground, who stands where: what each dial moves, what never happens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.balls import Ball
from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.dress import RINGS_UNSEEN
from fruitvision.simulate.picture.fallen import drop_fruit
from fruitvision.simulate.picture.foliage import leaf_mesh
from fruitvision.simulate.picture.ground import GroundDials, surroundings
from fruitvision.simulate.picture.meshes import Mesh
from fruitvision.simulate.picture.references import References
from fruitvision.simulate.picture.scene import Picture, compose, meshes
from fruitvision.simulate.picture.shot import Look, Shot
from fruitvision.simulate.picture.sight import before
from fruitvision.simulate.picture.skin import (
    SKINS,
    SkinDials,
    looks_of,
    painted_fruit,
    skin_of,
    sunny_sides,
)
from fruitvision.simulate.picture.tree import Fruits, Tree, TreeDials, grow_tree
from fruitvision.simulate.season.draw import SeasonBlock, draw_season

SEED = 2026
FOOT = np.array([40.0, 0.0, -30.0])


@pytest.fixture(scope="module")
def block() -> SeasonBlock:
    return draw_season(SEED)[0]


@pytest.fixture(scope="module")
def usual(block: SeasonBlock) -> Picture:
    return picture_of(block)


def tree_of(dials: TreeDials, count: int = 80, size_mm: float = 70.0, seed: int = 4) -> Tree:
    return grow_tree(dials, np.full(count, size_mm), FOOT, np.random.default_rng(seed))


def room(fruits: Fruits) -> Floats:
    """(N, N) gap between the spheres around each two fruit, mm; below 0 they overlap."""
    gaps = np.linalg.norm(fruits.centres_mm[:, None] - fruits.centres_mm[None], axis=2)
    touch = (fruits.diameters_mm[:, None] + fruits.diameters_mm[None]) / 2.0
    return np.asarray(gaps - touch + np.diag(np.full(len(gaps), np.inf)))


# ---------------------------------------------------------------- fruit


@pytest.mark.parametrize(
    ("count", "size_mm", "shares"),
    [
        (80, 70.0, TreeDials().cluster_shares),
        (250, 20.0, TreeDials().cluster_shares),
        (120, 95.0, (0.0, 0.0, 0.0, 0.0, 1.0)),
        (260, 80.0, (0.2, 0.2, 0.2, 0.2, 0.2)),
    ],
    ids=["usual", "fruitlets", "fives of 95 mm", "overloaded"],
)
def test_fruit_press_against_each_other_by_few_millimetres_at_most(
    count: int, size_mm: float, shares: tuple[float, ...]
) -> None:
    for seed in (1, 2, 3):
        tree = tree_of(TreeDials(cluster_shares=shares), count, size_mm, seed)
        assert room(tree.fruits).min() > -3.0
        middle = np.stack(
            [
                np.interp(tree.fruits.centres_mm[:, 1], tree.trunk_mm[:, 1], tree.trunk_mm[:, axis])
                for axis in (0, 2)
            ],
            axis=1,
        )
        from_trunk = np.linalg.norm(tree.fruits.centres_mm[:, [0, 2]] - middle, axis=1)
        assert (from_trunk > size_mm / 2.0).all()


def test_single_fruit_hang_apart_and_fives_hang_tight() -> None:
    alone = room(tree_of(TreeDials(cluster_shares=(1.0,)), 40).fruits).min(axis=1)
    fives = room(tree_of(TreeDials(cluster_shares=(0, 0, 0, 0, 1.0)), 40).fruits).min(axis=1)
    assert (fives < 3.0).mean() > 0.9
    assert (alone < 3.0).mean() < 0.4


def test_a_fruitlet_is_nearly_as_high_as_wide_and_a_mature_fruit_is_flatter() -> None:
    small, large = tree_of(TreeDials(), 200, 20.0).fruits, tree_of(TreeDials(), 200, 90.0).fruits
    assert (small.heights_mm <= 0.99 * small.diameters_mm + 1e-9).all()
    assert (small.heights_mm / 20.0).mean() == pytest.approx(0.985, abs=0.01)
    # 0.99 - 0.0016 * 70
    assert (large.heights_mm / 90.0).mean() == pytest.approx(0.878, abs=0.01)


def test_fruit_hang_below_their_spot_from_a_stalk_of_the_length_asked_for() -> None:
    for stalk_mm in (10.0, 35.0):
        fruits = tree_of(TreeDials(stalk_mm=stalk_mm, cluster_shares=(1.0,)), 30).fruits
        assert (fruits.spots_mm[:, 1] > fruits.centres_mm[:, 1]).mean() > 0.95
        length = np.linalg.norm(fruits.spots_mm - fruits.centres_mm, axis=1)
        # On average 0.85 of the dial, and a little more since they swing aside.
        assert np.median(length - fruits.heights_mm / 2.0) == pytest.approx(stalk_mm, rel=0.45)


def test_more_tilt_turns_the_stem_end_further_from_upright() -> None:
    upright = tree_of(TreeDials(tilt_deg=0.0)).fruits.turns[:, 1, 1].mean()
    assert tree_of(TreeDials(tilt_deg=30.0)).fruits.turns[:, 1, 1].mean() < upright - 0.05


# ---------------------------------------------------------------- wood and leaves


def spread(tree: Tree, axis: int) -> float:
    return float(np.ptp(tree.limbs_mm[..., axis]))


def test_a_wall_is_flat_and_a_spindle_is_round() -> None:
    calm = TreeDials(crossing_limbs=0.0)
    wall = tree_of(replace(calm, width_mm=1800.0, depth_mm=450.0))
    spindle = tree_of(calm)
    assert spread(wall, 0) / spread(wall, 2) > 2.5
    assert 0.7 < spread(spindle, 0) / spread(spindle, 2) < 1.4
    assert spread(wall, 0) == pytest.approx(1800.0, rel=0.2)


def crossing(tree: Tree, spacing_mm: float) -> int:
    return int((np.abs(tree.limbs_mm[:, -1, 0] - FOOT[0]) > spacing_mm / 2.0).sum())


def spread_of_top(tree: Tree) -> float:
    top = tree.limbs_mm[-8:]
    return float(np.linalg.norm(top[:, -1] - top[:, 0], axis=1).mean())


def yellow(tree: Tree) -> int:
    red, green, blue = tree.leaves.colours.T
    return int(((red > green) & (blue < 0.5 * red)).sum())


def filled_cells(tree: Tree) -> int:
    """Cells of 120 mm with a leaf in them."""
    return len(np.unique((tree.leaves.bases_mm // 120.0).astype(int), axis=0))


def leaf_lengths(tree: Tree) -> Floats:
    return tree.leaves.lengths_mm


@pytest.mark.parametrize(
    ("low", "high", "measure"),
    [
        (
            TreeDials(height_mm=2000.0),
            TreeDials(height_mm=3200.0),
            lambda t: t.trunk_mm[:, 1].max(),
        ),
        (TreeDials(limbs=10), TreeDials(limbs=40), lambda t: len(t.limbs_mm)),
        (TreeDials(taper=0.3), TreeDials(taper=1.0), spread_of_top),
        (
            TreeDials(lowest_limb_mm=500.0),
            TreeDials(lowest_limb_mm=1100.0),
            lambda t: t.limbs_mm[:, 0, 1].min(),
        ),
        (
            TreeDials(crossing_limbs=0.0),
            TreeDials(crossing_limbs=6.0),
            lambda t: crossing(t, 1750.0),
        ),
        (TreeDials(leaves=500), TreeDials(leaves=4000), lambda t: len(t.leaves.lengths_mm)),
        (
            TreeDials(leaf_mm=(30.0, 60.0)),
            TreeDials(leaf_mm=(60.0, 110.0)),
            lambda t: leaf_lengths(t).max(),
        ),
        (TreeDials(yellow_leaves=0.0), TreeDials(yellow_leaves=0.5), yellow),
        (
            TreeDials(eaten_leaves=0.0),
            TreeDials(eaten_leaves=0.6),
            lambda t: (t.leaves.kinds >= 8).sum(),
        ),
        (TreeDials(gaps=0.0), TreeDials(gaps=0.6), lambda t: -filled_cells(t)),
        (TreeDials(water_shoots=0), TreeDials(water_shoots=40), lambda t: len(t.twigs_mm)),
    ],
    ids=[
        "height",
        "limbs",
        "taper",
        "lowest limb",
        "crossing limbs",
        "leaves",
        "leaf length",
        "yellow leaves",
        "eaten leaves",
        "gaps",
        "water shoots",
    ],
)
def test_a_dial_of_the_tree_moves_what_it_says(
    low: TreeDials, high: TreeDials, measure: Callable[[Tree], float]
) -> None:
    assert measure(tree_of(high)) > 1.1 * measure(tree_of(low)) + 1e-9 * abs(measure(tree_of(low)))


def test_leaves_are_as_many_as_asked_for_and_lie_outside_of_fruit() -> None:
    tree = tree_of(TreeDials(leaves=1500), 90)
    assert len(tree.leaves.lengths_mm) == 1500
    away = tree.leaves.middles_mm()[:, None] - tree.fruits.centres_mm[None]
    # The blade bends away from the straight middle by up to 0.2 * 0.5² of its length.
    gap = np.linalg.norm(away, axis=2) - tree.fruits.diameters_mm[None] / 2.0
    assert gap.min() > -0.05 * tree.leaves.lengths_mm.max()


def test_more_leaves_or_a_yellow_one_move_no_fruit() -> None:
    plain = tree_of(TreeDials())
    for other in (TreeDials(leaves=100), TreeDials(yellow_leaves=0.3), TreeDials(gaps=0.0)):
        assert np.array_equal(tree_of(other).fruits.centres_mm, plain.fruits.centres_mm)


def test_a_tree_without_fruit_and_one_without_leaves_can_be_grown() -> None:
    assert len(tree_of(TreeDials(), 0).fruits.diameters_mm) == 0
    assert len(tree_of(TreeDials(leaves=0)).leaves.lengths_mm) == 0


def test_a_leaf_is_paler_from_below_and_flat_without_curl() -> None:
    leaves = tree_of(TreeDials()).leaves
    above, below = np.array([0.0, 9e5, 0.0]), np.array([0.0, -9e5, 0.0])
    seen_above = leaf_mesh(leaves, detail=2, eye_mm=above)
    seen_below = leaf_mesh(leaves, detail=2, eye_mm=below)
    grey = [
        np.concatenate([mesh.colours for mesh in one]).mean() for one in (seen_above, seen_below)
    ]
    assert grey[1] > 1.15 * grey[0]
    one = leaves.where(np.array([0]))
    flat = leaf_mesh(one, detail=2, eye_mm=above, curl=0.0)[0].points_mm
    thin = np.linalg.svd(flat - flat.mean(axis=0))[1]
    assert thin[2] < 0.35 * thin[1]


def test_a_leaf_of_a_row_behind_is_a_blunt_oval() -> None:
    leaves = tree_of(TreeDials()).leaves
    one = leaves.where(np.array([0]))
    (mesh,) = leaf_mesh(one, detail=0, eye_mm=np.array([0.0, 9e5, 0.0]), curl=0.0)
    # Foot, tip and two rows of three between them; the halves of six quads, less two points.
    assert (len(mesh.points_mm), len(mesh.faces)) == (8, 8)
    own = (mesh.points_mm - one.bases_mm) @ one.frames[0] / one.lengths_mm[0]
    near_ends = np.abs(own[(own[:, 0] > 0.1) & (own[:, 0] < 0.9), 2])
    # As wide a quarter from its ends as half of a leaf 0.4 as wide as long, at least.
    assert near_ends.max() > 0.2
    sides = mesh.points_mm[mesh.faces]
    areas = np.linalg.norm(np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0]), axis=1)
    assert areas.min() > 0.002 * one.lengths_mm[0] ** 2


def test_leaves_are_of_many_sizes_some_of_them_small() -> None:
    lengths = leaf_lengths(tree_of(TreeDials(leaf_mm=(40.0, 100.0))))
    assert 0.2 < (lengths < 55.0).mean() < 0.5
    assert (lengths > 75.0).mean() > 0.2


# ---------------------------------------------------------------- skins


def painted(dials: SkinDials, size_mm: float = 70.0, variety: str = "Gala") -> Mesh:
    fruits = tree_of(TreeDials(), 60, size_mm).fruits
    skin = skin_of(dials, variety)
    sunny = sunny_sides(fruits, FOOT, np.random.default_rng(1))
    looks = looks_of(fruits, skin, sunny, dials, np.random.default_rng(2))
    return painted_fruit(fruits, np.arange(1, 61), skin, looks, dials, rows=33)


def redness(mesh: Mesh) -> float:
    return float((mesh.colours[:, 0] / mesh.colours[:, 1]).mean())


def test_each_kind_of_skin_has_its_colour() -> None:
    bare = SkinDials(spots=0.0, russet_share=0.0, sunburn_share=0.0, dust=0.0, bloom=0.0)
    red = {kind: redness(painted(replace(bare, kind=kind))) for kind in SKINS}
    assert red["dark_red"] > red["red_striped"] > red["pink_blush"] > red["green_blush"]
    assert red["green"] < red["green_blush"]
    assert red["green"] < 0.95 < red["yellow"] < red["pink_blush"]
    assert painted(replace(bare, kind="yellow")).colours.mean() > 0.3


def test_films_and_spots_on_the_skin_do_what_they_say() -> None:
    bare = SkinDials(spots=0.0, russet_share=0.0, sunburn_share=0.0, dust=0.0, bloom=0.0)
    plain = painted(bare)
    more = redness(painted(replace(bare, cover_change=0.3)))
    assert redness(painted(replace(bare, cover_change=-0.4))) < redness(plain) < more
    spotted = painted(replace(bare, spots=1.5)).colours - plain.colours
    assert 0.01 < (np.abs(spotted).max(axis=1) > 0.02).mean() < 0.15
    for films in (replace(bare, dust=0.8), replace(bare, bloom=0.9)):
        coloured = np.ptp(painted(films).colours, axis=1).mean()
        assert coloured < 0.85 * np.ptp(plain.colours, axis=1).mean()
    assert plain.normals is not None
    dusty = np.abs(painted(replace(bare, dust=0.8)).colours - plain.colours).sum(axis=1)
    upper, lower = plain.normals[:, 1] > 0.5, plain.normals[:, 1] < -0.5
    assert dusty[upper].mean() > 1.5 * dusty[lower].mean()
    for faults in (replace(bare, russet_share=1.0), replace(bare, sunburn_share=1.0)):
        changed = np.abs(painted(faults).colours - plain.colours).max(axis=1) > 0.05
        assert 0.01 < changed.mean() < 0.5


def test_streaks_are_fine_and_faint_and_only_on_striped_skins() -> None:
    bare = SkinDials(spots=0.0, russet_share=0.0, sunburn_share=0.0, dust=0.0, bloom=0.0)

    def ring(kind: str) -> float:
        # Green light around the middle of each fruit: 33 rings of 66 vertices.
        green = painted(replace(bare, kind=kind)).colours[:, 1].reshape(60, 33, 66)[:, 16]
        return float(np.abs(np.fft.rfft(green, axis=1)[:, 10:]).mean())

    assert ring("red_striped") > 3.0 * ring("dark_red")
    assert ring("red_striped") > 2.0 * ring("yellow")
    mesh = painted(replace(bare, kind="red_striped"))
    green = mesh.colours[:, 1].reshape(60, 33, 66)[:, 8:25]
    steps = np.abs(np.diff(green, axis=2)) / SKINS["red_striped"].ground[1]
    assert np.quantile(steps, 0.99) < 0.3


def test_materials_follow_size_and_weather() -> None:
    assert painted(SkinDials()).material == "fruit"
    assert painted(SkinDials(wet=True)).material == "wet_fruit"
    assert painted(SkinDials(kind="green"), 22.0).material == "fruitlet"


@pytest.mark.parametrize("size_mm", [20.0, 90.0])
def test_the_painted_fruit_stays_within_its_ellipsoid_and_reaches_its_equator(
    size_mm: float,
) -> None:
    fruits = tree_of(TreeDials(), 1, size_mm).fruits
    skin, dials = SKINS["Gala"], SkinDials()
    looks = looks_of(fruits, skin, np.array([[0.0, 0.0, 1.0]]), dials, np.random.default_rng(2))
    mesh = painted_fruit(fruits, np.array([1]), skin, looks, dials, rows=33)
    own = (mesh.points_mm - fruits.centres_mm[0]) @ fruits.turns[0]
    half = np.array([size_mm, fruits.heights_mm[0], size_mm]) / 2.0
    assert ((own / half) ** 2).sum(axis=1).max() <= 1.0 + 1e-9
    assert np.linalg.norm(own[:, [0, 2]], axis=1).max() == pytest.approx(size_mm / 2.0, rel=1e-3)


# ---------------------------------------------------------------- ground


def around(dials: GroundDials) -> list[Mesh]:
    return surroundings(dials, 875.0, 1750.0, np.random.default_rng(3))


def points(dials: GroundDials, material: str) -> Floats:
    found = [mesh.points_mm for mesh in around(dials) if mesh.material == material]
    return np.concatenate(found) if found else np.zeros((0, 3))


def in_strip(dials: GroundDials) -> int:
    blades = points(dials, "leaf")
    near = (np.abs(blades[:, 2]) < 250.0) & (np.abs(blades[:, 0]) < 2000.0)
    return int(near.sum())


def test_each_dial_of_the_ground_moves_what_it_says() -> None:
    plain = GroundDials(weeds=0, tall_grass=0, dandelions=0, litter=0, backdrop="sky")
    assert in_strip(plain) == 0
    assert in_strip(replace(plain, bare_half_mm=0.0)) > 1000
    for more in (replace(plain, weeds=3000), replace(plain, litter=400)):
        assert in_strip(more) > 500
    tall = points(replace(plain, tall_grass=50), "leaf")[:, 1]
    assert tall.max() > 600.0 > points(plain, "leaf")[:, 1].max()
    assert points(plain, "leaf")[:, 2].min() > -17000.0
    # Land reaches far enough that nothing black shows under the horizon.
    assert points(plain, "ground")[:, 2].min() < -100000.0
    for backdrop in ("hedge", "rows"):
        assert points(replace(plain, backdrop=backdrop), "leaf")[:, 2].min() < -18000.0
    flowers = len(points(replace(plain, dandelions=100), "leaf")) - len(points(plain, "leaf"))
    assert flowers > 100 * 7 * 4


def test_posts_wires_and_drip_line_are_as_asked_for() -> None:
    plain = GroundDials(drip_mm=0.0, wire_heights_mm=())
    assert len(points(plain, "metal")) == 0
    wires = points(replace(plain, wire_heights_mm=(1000.0, 2000.0)), "metal")
    assert np.ptp(wires[np.abs(wires[:, 1] - 1000.0) < 100.0][:, 2]) > 10000.0
    assert len(points(replace(plain, post="concrete"), "concrete")) > 0
    assert len(points(replace(plain, post="steel"), "metal")) > 0
    few, many = (
        len(points(replace(plain, trees_per_post=n, post="concrete"), "concrete")) for n in (10, 2)
    )
    assert many > 3 * few
    bark = len(points(plain, "bark"))
    drip = points(replace(plain, drip_mm=500.0), "bark")
    assert len(drip) > bark
    assert np.abs(drip[:, 1] - 500.0).min() < 5.0


def test_fallen_fruit_lie_on_the_ground_and_not_in_each_other() -> None:
    rng = np.random.default_rng(5)
    found = [drop_fruit(12.0, np.full(80, 70.0), FOOT, rng) for _ in range(60)]
    assert np.mean([len(one.diameters_mm) for one in found]) == pytest.approx(12.0, rel=0.1)
    for fruits in found:
        assert room(fruits).min(initial=0.0) > -3.0
        assert (np.abs(fruits.centres_mm[:, 1] - fruits.diameters_mm / 2.0) < 10.0).all()
    assert len(drop_fruit(5.0, np.zeros(0), FOOT, rng).diameters_mm) == 0


# ---------------------------------------------------------------- who stands where


def picture_of(block: SeasonBlock, **changes: object) -> Picture:
    shot = Shot(block=block, tree=block.photographed[3], face="A", seed=SEED)
    return compose(replace(shot, **changes))  # type: ignore[arg-type]


def test_the_same_seed_gives_the_same_scene_and_a_step_moves_only_the_camera(
    block: SeasonBlock, usual: Picture
) -> None:
    first, again, step = usual, picture_of(block), picture_of(block, step=1)
    assert first.camera == again.camera
    assert first.camera != step.camera
    for other in (again, step):
        assert len(other.scenery) == len(first.scenery)
        for mine, theirs in zip(first.scenery, other.scenery, strict=True):
            assert np.array_equal(mine.points_mm, theirs.points_mm)
        assert np.array_equal(first.fruits().centres_mm, other.fruits().centres_mm)
        assert np.array_equal(first.fallen().centres_mm, other.fallen().centres_mm)
        for stand, same in zip(first.stands, other.stands, strict=True):
            assert np.array_equal(stand.tree.leaves.colours, same.tree.leaves.colours)


def test_fruit_are_drawn_as_finely_from_a_step_along_the_row(block: SeasonBlock) -> None:
    vertices = []
    for step in (0, 1):
        found = meshes(picture_of(block, step=step), References(sheet=None))
        labels = np.concatenate([mesh.labels for mesh in found if mesh.labels is not None])
        vertices.append(np.bincount(labels))
    in_both = np.min(vertices, axis=0) > 2 * RINGS_UNSEEN**2
    assert in_both.sum() > 100
    assert np.array_equal(vertices[0][in_both], vertices[1][in_both])


def test_leaves_before_a_ball_from_the_first_place_are_gone_from_all(block: SeasonBlock) -> None:
    first, step = picture_of(block), picture_of(block, step=1)
    ball = Ball(centre_mm=(150.0, 1500.0, -200.0), diameter_mm=100.0, colour="white")

    def in_the_way(picture: Picture, references: References) -> int:
        leaves = [m.points_mm for m in meshes(picture, references) if m.material == "leaf"]
        centre = np.array(ball.centre_mm)
        return int(before(first.camera, np.concatenate(leaves), centre, 30.0, margin_mm=0.0).sum())

    for picture in (first, step):
        assert in_the_way(picture, References(sheet=None)) > 20
        assert in_the_way(picture, References(sheet=None, balls=(ball,))) == 0


def test_labels_number_hanging_fruit_first_and_fallen_ones_after_them(block: SeasonBlock) -> None:
    look = Look(ground=GroundDials(fallen_per_tree=3.0))
    picture = picture_of(block, look=look)
    hanging, fallen = len(picture.fruits().diameters_mm), len(picture.fallen().diameters_mm)
    assert fallen > 10
    assert len(picture.outlines()) == hanging
    assert len(picture.fallen_outlines()) == fallen
    fruit = [mesh for mesh in meshes(picture, References(sheet=None)) if mesh.labels is not None]
    labels = np.concatenate([mesh.labels for mesh in fruit if mesh.labels is not None])
    places = np.concatenate([mesh.points_mm for mesh in fruit])
    assert np.array_equal(np.unique(labels), np.arange(1, hanging + fallen + 1))
    everyone = np.concatenate([picture.fruits().centres_mm, picture.fallen().centres_mm])
    for number in (1, hanging, hanging + 1, hanging + fallen):
        middle = places[labels == number].mean(axis=0)
        assert np.abs(middle - everyone[number - 1]).max() < 6.0


def test_a_tree_has_the_same_fruit_in_the_row_behind_as_in_its_own(
    block: SeasonBlock, usual: Picture
) -> None:
    here = usual
    row, position = block.places[block.photographed[3]].tolist()
    behind = block.tree_at(row - 1, position)
    tree = behind if behind is not None else block.tree_at(row - 1, position + 1)
    there = picture_of(block, tree=tree)
    own = next(one for one in here.stands if one.offset == 0 and one.row_behind == 0)
    same = next(one for one in there.stands if one.place == own.place)
    assert same.row_behind == 1
    assert same.fruit_ids == own.fruit_ids
    assert same.tree.fruits.centres_mm - same.foot_mm == pytest.approx(
        own.tree.fruits.centres_mm - own.foot_mm, abs=1e-6
    )
    # Coarser there, but as red or green.
    assert fruit_colours(there, same.fruit_ids) == pytest.approx(
        fruit_colours(here, own.fruit_ids), abs=0.03
    )


def fruit_colours(picture: Picture, names: tuple[str, ...]) -> Floats:
    """(N, 3) mean colour of each of these fruit, away from stem and calyx."""
    everyone = [name for stand in picture.stands for name in stand.fruit_ids]
    fruit = [mesh for mesh in meshes(picture, References(sheet=None)) if mesh.labels is not None]
    labels = np.concatenate([mesh.labels for mesh in fruit if mesh.labels is not None])
    colours = np.concatenate([mesh.colours for mesh in fruit])
    numbers = [everyone.index(name) + 1 for name in names]
    return np.array([colours[labels == number].mean(axis=0) for number in numbers])


def test_trees_stand_as_far_apart_as_asked_for(block: SeasonBlock) -> None:
    picture = picture_of(block, look=Look(tree=TreeDials(spacing_mm=1200.0)))
    row = [one for one in picture.stands if one.row_behind == 0]
    feet = {one.offset: one.foot_mm[0] for one in row}
    assert feet[1] - feet[0] == pytest.approx(1200.0, abs=150.0)


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: TreeDials(leaves=-1), "leaves is -1.*0 to 20000"),
        (lambda: TreeDials(gaps=1.0), "gaps is 1.*0 to 0.8"),
        (lambda: TreeDials(cluster_shares=(0.5, 0.4)), "cluster_shares is 0.5, 0.4.*sum to 1"),
        (lambda: TreeDials(cluster_shares=(0.0,) * 5 + (1.0,)), "cluster_shares.*1 to 5 shares"),
        (lambda: TreeDials(leaf_mm=(90.0, 40.0)), "leaf_mm runs from 90 down to 40"),
        (lambda: TreeDials(lowest_limb_mm=2500.0), "lowest_limb_mm is 2500.*300 to 1950"),
        (lambda: TreeDials(depth_mm=float("nan")), "depth_mm is nan"),
        (lambda: SkinDials(kind="purple"), "kind is 'purple'.*Gala.*dark_red"),
        (lambda: skin_of(SkinDials(), "Quince"), "kind is 'Quince'.*Braeburn"),
        (lambda: SkinDials(dust=1.5), "dust is 1.5.*0 to 1"),
        (lambda: GroundDials(post="bamboo"), "post is 'bamboo'.*concrete"),
        (lambda: GroundDials(backdrop="sea"), "backdrop is 'sea'.*hedge, rows, sky"),
        (lambda: GroundDials(fallen_per_tree=-2.0), "fallen_per_tree is -2"),
        (lambda: GroundDials(wire_heights_mm=(50.0,)), "wire_heights_mm is 50"),
    ],
)
def test_an_impossible_dial_is_refused_with_its_name_and_the_valid_values(
    make: Callable[[], object], words: str
) -> None:
    with pytest.raises(SimulationError, match=words):
        make()
