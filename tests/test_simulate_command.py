"""The simulate commands: presets, refusals, tables that are the same anywhere, folders gone on."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fruitvision.errors import SimulationError
from fruitvision.simulate.album import Album, Filled, Progress, fill_albums
from fruitvision.simulate.benchmark import BENCHMARK
from fruitvision.simulate.numbers import fill_page
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.skin import skin_of
from fruitvision.simulate.presets import PRESETS, Preset, preset_names, preset_of
from fruitvision.simulate.season.draw import SeasonBlock
from fruitvision.simulate.work import Pictures, Work, start_folder
from fruitvision.store import open_farm
from tests.test_bad_input import run

pytestmark = pytest.mark.usefixtures("season_over")

ROOT = Path(__file__).parents[1]
TABLES = (
    "blocks.csv",
    "calipers.csv",
    "hand_counts.csv",
    "harvest.csv",
    "register.csv",
    "truth.csv",
    "truth_trees.csv",
    "walk.csv",
)


def simulate(out: Path, *options: str, preset: str = "easy-wall") -> tuple[int, str]:
    """`fruitvision simulate block`, tables only."""
    always = ("simulate", "block", "--preset", preset, "--out", str(out), "--tables-only")
    return run(*always, *options)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def drawn(name: str, seed: int = 41) -> SeasonBlock:
    return Work(preset=preset_of(name), seed=seed).draw()[0]


# ---------------------------------------------------------------- presets


def test_presets_are_listed_with_a_sentence_each() -> None:
    status, text = run("simulate", "presets")
    lines = text.splitlines()
    assert status == 0
    assert [line.split()[0] for line in lines] == list(preset_names())
    assert {
        "easy-wall",
        "leafy-spindle",
        "green-early",
        "low-sun",
        "night-flash",
        "frost-hit",
        "fruitlets",
        "sample-farm",
    } == set(preset_names())
    assert all(line.rstrip().endswith(".") and len(line.split()) > 8 for line in lines)


def test_blocks_of_all_presets_fit_into_one_farm() -> None:
    plans = [plan for preset in PRESETS for plan in preset.plans]
    assert len({plan.letter for plan in plans}) == len(plans)
    assert len({plan.block_id for plan in plans}) == len(plans)


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_variety_has_a_skin(preset: Preset) -> None:
    for plan in preset.plans:
        assert skin_of(preset.look.skin, plan.variety).ground


@pytest.mark.parametrize(
    ("name", "low_mm", "middle_mm", "high_mm"),
    [
        ("easy-wall", 50.0, 68.0, 86.0),
        ("leafy-spindle", 52.0, 74.0, 94.0),
        ("green-early", 30.0, 37.5, 45.0),
        ("fruitlets", 20.0, 24.0, 28.0),
        ("frost-hit", 60.0, 79.0, 98.0),
    ],
)
def test_fruit_are_as_large_as_the_preset_says(
    name: str, low_mm: float, middle_mm: float, high_mm: float
) -> None:
    diameter_mm = drawn(name).diameter_mm
    assert np.median(diameter_mm) == pytest.approx(middle_mm, abs=1.5)
    assert np.mean((diameter_mm >= low_mm) & (diameter_mm <= high_mm)) > 0.97


def test_frost_leaves_a_quarter_of_the_load_on_the_lower_half_and_large_fruit() -> None:
    block = drawn("frost-hit")
    low = block.places[:, 1] <= 15
    counts = block.fruit_counts()
    assert 0.15 < counts[low].mean() / counts[~low].mean() < 0.4
    assert block.diameter_mm.max() > 93.0


def test_each_preset_turns_the_dials_that_its_sentence_names() -> None:
    looks = {preset.name: preset.look for preset in PRESETS}
    usual = looks["sample-farm"]
    assert looks["easy-wall"].tree.depth_mm < 0.5 * usual.tree.depth_mm
    assert looks["easy-wall"].tree.leaves < 0.7 * usual.tree.leaves
    assert looks["leafy-spindle"].tree.leaves > 1.5 * usual.tree.leaves
    assert looks["leafy-spindle"].tree.crossing_limbs >= 2.0
    assert looks["green-early"].skin.wet
    assert looks["low-sun"].light.sun_height_deg == (8.0, 18.0)
    assert looks["low-sun"].light.sun_aside_deg[1] > 150.0
    assert looks["low-sun"].camera.k1 != 0.0
    assert looks["night-flash"].light.night
    assert looks["night-flash"].phone.noise > 2.0 * usual.phone.noise
    frost = looks["frost-hit"]
    assert frost.skin.dust > 0.4
    assert frost.skin.spots > usual.skin.spots
    assert frost.ground.weeds > 2 * usual.ground.weeds
    assert frost.ground.fallen_per_tree >= 10.0
    assert frost.references.balls >= 3


def test_green_fruit_are_green_yellow_ones_yellow_dark_red_ones_dark() -> None:
    def colours(name: str) -> tuple[np.ndarray, np.ndarray, float]:
        preset = preset_of(name)
        skin = skin_of(preset.look.skin, preset.plans[0].variety)
        return np.array(skin.ground), np.array(skin.blush), skin.cover

    green, _, cover = colours("green-early")
    assert green[1] > green[0] > green[2]
    assert cover == 0.0
    yellow, _, cover = colours("low-sun")
    assert yellow[0] > yellow[1] > 3 * yellow[2]
    assert cover < 0.3
    _, dark, cover = colours("night-flash")
    assert dark.sum() < 0.4
    assert cover > 0.8


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--trees", "0"], "from 1 to 113 (bearing trees of easy-wall)"),
        (["--trees", "114"], "from 1 to 113"),
        (["--seed", "-1"], "--seed is -1."),
        (["--seed", "99999999999"], "from 0 to 999999999"),
        (["--samples", "0"], "from 1 to 4096"),
        (["--shrink", "21"], "from 1 to 20"),
        (["--width", "10"], "from 60 to 12000"),
        (["--height", "20000"], "from 60 to 12000"),
        (["--steps", "3"], "from 1 to 2"),
        (["--second-places", "-1"], "--second-places is -1."),
        (["--jpeg-quality", "0"], "from 30 to 100"),
        (["--faces", "C"], "Known: A, both."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_impossible_numbers_are_refused_with_the_valid_ones(
    tmp_path: Path, options: list[str], said: str
) -> None:
    status, text = simulate(tmp_path / "new", *options)
    assert status == 2
    assert said in text
    assert not (tmp_path / "new").exists()


def test_an_unknown_preset_is_refused_with_the_nearest_and_all_names(tmp_path: Path) -> None:
    status, text = simulate(tmp_path / "new", preset="leafy-spindel")
    assert status == 2
    assert "There is no preset 'leafy-spindel'." in text
    assert "Did you mean 'leafy-spindle'?" in text
    assert all(name in text for name in preset_names())


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--variant", "cuda"], "Known: cuda_ad_rgb, llvm_ad_rgb, scalar_rgb."),
        (["--workers", "0"], "from 1 to 64"),
    ],
)
def test_an_impossible_machine_is_refused(tmp_path: Path, options: list[str], said: str) -> None:
    out = str(tmp_path / "new")
    status, text = run("simulate", "block", "--preset", "easy-wall", "--out", out, *options)
    assert status == 2
    assert said in text
    assert not (tmp_path / "new").exists()


def test_a_folder_of_another_seed_or_preset_is_left_alone(tmp_path: Path) -> None:
    assert simulate(tmp_path, "--seed", "1", "--trees", "2")[0] == 0
    before = contents(tmp_path)
    for options, preset, said in (
        (("--seed", "2", "--trees", "2"), "easy-wall", "its seed is 1, not 2"),
        (("--seed", "1", "--trees", "3"), "easy-wall", "its trees is 2, not 3"),
        (("--seed", "1", "--trees", "2"), "low-sun", "its preset is 'easy-wall', not 'low-sun'"),
    ):
        status, text = simulate(tmp_path, *options, preset=preset)
        assert status == 2
        assert said in text
    assert contents(tmp_path) == before


def test_a_farm_a_file_and_a_folder_with_other_things_are_left_alone(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm"):
        pass
    (tmp_path / "walk").mkdir()
    (tmp_path / "walk" / "walk.csv").write_text("photo,block,row,position,face\n")
    (tmp_path / "notes.txt").write_text("mine")
    for name, said in (
        ("farm", "is a farm's folder"),
        ("walk", "holds other files (walk.csv"),
        ("notes.txt", "is a file"),
    ):
        status, text = simulate(tmp_path / name)
        assert status == 2
        assert said in text
        assert "Give a" in text
    assert [path.name for path in (tmp_path / "walk").iterdir()] == ["walk.csv"]


def test_an_unknown_preset_of_the_benchmark_is_refused(tmp_path: Path) -> None:
    status, text = run("simulate", "benchmark", "--out", str(tmp_path), "--only", "fruitlets")
    assert status == 2
    assert "The benchmark has no preset 'fruitlets'." in text
    assert "Known: easy-wall," in text


# ---------------------------------------------------------------- tables


def test_tables_are_the_same_in_every_process(tmp_path: Path) -> None:
    for number in (1, 2):
        environment = {**os.environ, "PYTHONHASHSEED": str(number), "OMP_NUM_THREADS": str(number)}
        command = [sys.executable, "-m", "fruitvision.simulate", "block", "--preset", "frost-hit"]
        command += ["--seed", "7", "--trees", "3", "--tables-only"]
        subprocess.run(  # noqa: S603
            [*command, "--out", str(tmp_path / str(number))],
            check=True,
            cwd=ROOT,
            env=environment,
            capture_output=True,
        )
    first = contents(tmp_path / "1")
    assert set(first) == {*TABLES, "simulated.json"}
    assert first == contents(tmp_path / "2")


def test_tables_made_again_are_the_same_and_another_seed_gives_others(tmp_path: Path) -> None:
    assert simulate(tmp_path / "1", "--seed", "1")[0] == 0
    first = contents(tmp_path / "1")
    assert simulate(tmp_path / "1", "--seed", "1")[0] == 0
    assert contents(tmp_path / "1") == first
    assert simulate(tmp_path / "2", "--seed", "2")[0] == 0
    assert contents(tmp_path / "2")["truth.csv"] != first["truth.csv"]


def test_more_photographed_trees_change_no_fruit(tmp_path: Path) -> None:
    for trees in ("2", "9"):
        assert simulate(tmp_path / trees, "--trees", trees, "--seed", "3")[0] == 0
    few, many = contents(tmp_path / "2"), contents(tmp_path / "9")
    assert few["truth.csv"] == many["truth.csv"]
    assert len(rows_of(tmp_path / "2" / "walk.csv")) == 2 * 2
    assert len(rows_of(tmp_path / "9" / "walk.csv")) == 9 * 2


def test_photographed_trees_are_spread_over_the_block(tmp_path: Path) -> None:
    assert simulate(tmp_path, "--trees", "8")[0] == 0
    walk = rows_of(tmp_path / "walk.csv")
    # Every 14th of 113 trees in 4 rows: two in each row.
    rows = [int(row["row"]) for row in walk if row["face"] == "A"]
    assert sorted(rows) == [1, 1, 2, 2, 3, 3, 4, 4]


def test_one_face_is_walked_and_counted_as_one(tmp_path: Path) -> None:
    assert simulate(tmp_path, "--faces", "A", "--trees", "3")[0] == 0
    assert {row["face"] for row in rows_of(tmp_path / "walk.csv")} == {"A"}
    assert {row["protocol"] for row in rows_of(tmp_path / "hand_counts.csv")} == {"one face"}


def test_the_tables_go_into_a_farm_and_photos_that_are_missing_are_said(tmp_path: Path) -> None:
    assert simulate(tmp_path / "walk", "--trees", "2", preset="low-sun")[0] == 0
    status, text = run("load", str(tmp_path / "walk"), "--farm", str(tmp_path / "farm"))
    assert status == 1
    # 2 trees with 10 tagged fruit each, read twice.
    assert "1 block, 0 photos, 2 hand counts, 40 caliper readings." in text
    with open_farm(tmp_path / "farm", create=False) as store:
        assert [block.block_id for block in store.blocks()] == ["Lowfield"]


# ---------------------------------------------------------------- seasons


def test_seasons_are_drawn_without_pictures(tmp_path: Path) -> None:
    status, text = run(
        "simulate", "season", "--seasons", "3", "--preset", "easy-wall", "--preset", "frost-hit",
        "--seed", "5", "--out", str(tmp_path),
    )  # fmt: skip
    assert status == 0
    assert "Wall East" in text
    assert "Frost Bottom" in text
    rows = rows_of(tmp_path / "seasons.csv")
    assert len(rows) == 3 * 2
    # Season 0 is the season that `simulate block` draws from the same seed.
    first = next(row for row in rows if row["block_id"] == "Wall East")
    assert int(first["fruit"]) == len(drawn("easy-wall", seed=5).tree)


def test_no_seasons_and_an_unknown_preset_are_refused() -> None:
    assert run("simulate", "season", "--seasons", "0")[0] == 2
    status, text = run("simulate", "season", "--seasons", "1", "--preset", "sample")
    assert status == 2
    assert "Known: easy-wall," in text


# ---------------------------------------------------------------- the benchmark


def test_the_benchmark_is_six_presets_eight_trees_two_faces(tmp_path: Path) -> None:
    albums = BENCHMARK.albums(tmp_path)
    assert len(albums) == 6
    for album in albums:
        assert album.folder == tmp_path / album.work.preset.name
        shots = album.work.shots(album.work.draw())
        assert len(shots) == len({shot.name for shot in shots}) == 18
    assert len({album.work.seed for album in albums}) == 6


def test_the_benchmark_of_one_preset_is_what_block_makes(tmp_path: Path) -> None:
    status, _ = run(
        "simulate", "benchmark", "--out", str(tmp_path / "set"), "--only", "low-sun",
        "--tables-only",
    )  # fmt: skip
    assert status == 0
    assert [path.name for path in (tmp_path / "set").iterdir()] == ["low-sun"]
    seed = json.loads((tmp_path / "set" / "low-sun" / "simulated.json").read_text())["seed"]
    same = ("--seed", str(seed), "--trees", "8", "--second-places", "2")
    assert simulate(tmp_path / "one", *same, preset="low-sun")[0] == 0
    assert contents(tmp_path / "one") == contents(tmp_path / "set" / "low-sun")


# ---------------------------------------------------------------- where little is installed


BARE = """
import sys
class Nothing:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"cv2", "typer", "click", "sqlalchemy", "alembic", "streamlit",
                                  "scipy", "skimage", "reportlab", "xlsxwriter", "pi_heif"}:
            raise ImportError(f"{name} is not on a bare machine")
sys.meta_path.insert(0, Nothing())
from fruitvision.simulate.__main__ import main
import fruitvision.simulate.picture.render
sys.exit(main(sys.argv[1:]))
"""


def test_the_renderer_runs_where_only_numpy_and_pillow_are_installed(tmp_path: Path) -> None:
    arguments = ["benchmark", "--out", str(tmp_path), "--tables-only", "--only", "easy-wall"]
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", BARE, *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Wall East" in done.stdout
    assert set(contents(tmp_path / "easy-wall")) == {*TABLES, "simulated.json"}


# ---------------------------------------------------------------- progress


def test_progress_says_what_is_done_how_fast_and_how_long_it_still_takes() -> None:
    # 4 photos in 30 s are 8 a minute; 80 more take 10 minutes.
    line = Progress(name="x.jpg", done=16, of=96, made=4, seconds=30.0).words()
    assert line == "16 of 96 photos, 8.0 a minute, 10 min left: x.jpg"
    failed = Progress(name="x.jpg", done=1, of=2, made=1, seconds=1.0, problem="no light")
    assert failed.words() == "failed: x.jpg: no light"


# ---------------------------------------------------------------- photos, if the renderer is there


def sparse() -> Album:
    """Two photos of a tree with hardly a leaf, so that they take seconds."""
    usual = preset_of("low-sun")
    look = replace(
        usual.look,
        tree=replace(usual.look.tree, leaves=60, limbs=6, water_shoots=0),
        ground=GroundDials(
            weeds=0, tall_grass=0, dandelions=0, litter=0, bare_half_mm=1700.0, backdrop="sky"
        ),
    )
    preset = Preset(
        name="sparse",
        words="For tests.",
        plans=(replace(usual.plans[0], fruit_per_tree=6.0),),
        look=look,
    )
    pictures = Pictures(samples=1, shrink=10)
    return Album(
        work=Work(preset=preset, seed=3, trees=1, pictures=pictures), folder=Path("nowhere")
    )


def own_fruit(folder: Path) -> list[dict[str, str]]:
    """What hangs on the photographed trees."""
    rows = rows_of(folder / "truth_photos.csv")
    return [r for r in rows if r["own_tree"] == "true" and r["category"] == "hanging fruit"]


def fill(folder: Path, workers: int = 1) -> tuple[Filled, list[str]]:
    """Fill a folder with the sparse photos; what came of it, and the lines on the screen."""
    lines: list[str] = []
    album = replace(sparse(), folder=folder)
    filled = fill_albums(
        (album,),
        variant="scalar_rgb",
        workers=workers,
        on_progress=lambda progress: lines.append(progress.words()),
    )
    return filled, lines


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose first photo could not be written at first."""
    pytest.importorskip("mitsuba")
    folder = tmp_path_factory.mktemp("album")
    shots = sparse().work.shots(sparse().work.draw())
    in_the_way = folder / shots[0].name
    start_folder(sparse().work, folder)
    in_the_way.mkdir(parents=True)
    filled, lines = fill(folder)
    assert (filled.photos, filled.made, filled.failed) == (2, 1, (str(in_the_way),))
    assert lines[0].startswith(f"failed: {in_the_way}: ")
    assert lines[1].startswith("1 of 2 photos, ")
    in_the_way.rmdir()
    filled, lines = fill(folder)
    assert (filled.made, filled.failed) == (1, ())
    assert len(lines) == 1
    assert lines[0].startswith("2 of 2 photos, ")
    return folder


def test_a_failed_photo_is_named_and_made_the_next_time(album: Path) -> None:
    coco = json.loads((album / "truth_coco.json").read_text(encoding="utf-8"))
    walk = [row["photo"] for row in rows_of(album / "walk.csv")]
    assert [image["file_name"] for image in coco["images"]] == walk
    assert [row["photo"] for row in rows_of(album / "truth_markers.csv")] == walk
    for name in walk:
        with Image.open(album / name) as picture:
            assert picture.size == (150, 200)
    hanging = own_fruit(album)
    truth = {row["fruit_id"]: row["diameter_mm"] for row in rows_of(album / "truth.csv")}
    assert len(hanging) >= 6
    assert all(row["diameter_mm"] == truth[row["fruit_id"]] for row in hanging)


def test_a_finished_folder_is_left_as_it_is(album: Path) -> None:
    before = contents(album)
    filled, lines = fill(album)
    assert (filled.photos, filled.made, lines) == (2, 0, [])
    assert contents(album) == before


KILLED = """
import sys
from pathlib import Path
from tests.test_simulate_command import fill_albums, replace, sparse
if __name__ == "__main__":
    fill_albums((replace(sparse(), folder=Path(sys.argv[1])),), variant="scalar_rgb", workers=2,
                on_progress=lambda progress: print(progress.words(), flush=True))
"""


def test_killed_after_a_photo_of_two_processes_it_goes_on_to_the_files_of_one(
    album: Path, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", KILLED, str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:  # noqa: S603
        assert process.stdout is not None
        assert process.stdout.readline().startswith("1 of 2 photos")
        process.kill()
        # Ends only when its workers, which hold the same pipe, have ended themselves.
        process.stdout.read()
    (tmp_path / "photos" / ".0123456789abcdef.part").write_bytes(b"half a photo")
    finished = {
        path.stem: (tmp_path / "photos" / f"{path.stem}.jpg").stat().st_mtime_ns
        for path in (tmp_path / ".made").glob("*.json")
    }
    assert finished
    filled, lines = fill(tmp_path)
    assert filled.made == len(lines) == 2 - len(finished)
    for stem, made_at in finished.items():
        assert (tmp_path / "photos" / f"{stem}.jpg").stat().st_mtime_ns == made_at
    assert contents(tmp_path) == contents(album)


def test_the_numbers_of_a_folder_are_those_of_its_truth(album: Path, tmp_path: Path) -> None:
    page = tmp_path / "README.md"
    page.write_text("# Set\n\n<!-- numbers -->\nold\n<!-- end of numbers -->\n\nEnd.\n")
    status, text = run("simulate", "numbers", str(album), "--page", str(page))
    assert status == 0
    assert page.read_text(encoding="utf-8") == (
        f"# Set\n\n<!-- numbers -->\n{text}<!-- end of numbers -->\n\nEnd.\n"
    )
    cells = [cell.strip() for cell in text.splitlines()[2].strip("|").split("|")]
    own = own_fruit(album)
    assert cells[:2] == [album.name, "2"]
    assert int(cells[3]) == len(own)
    assert int(cells[4]) == sum(float(row["visible_share"]) >= 0.2 for row in own)


def test_a_folder_without_photos_has_no_numbers(tmp_path: Path) -> None:
    status, text = run("simulate", "numbers", str(tmp_path))
    assert status == 2
    assert "holds no simulated photos" in text


def test_a_page_without_marks_is_left_alone(tmp_path: Path) -> None:
    page = tmp_path / "README.md"
    page.write_text("# Set\n")
    with pytest.raises(SimulationError, match="has no place for numbers"):
        fill_page(page, ["| a |"])
    assert page.read_text() == "# Set\n"


def test_block_renders_a_photo_end_to_end(tmp_path: Path) -> None:
    pytest.importorskip("mitsuba")
    status, text = run(
        "simulate", "block", "--preset", "easy-wall", "--trees", "1", "--faces", "A", "--steps",
        "1", "--samples", "1", "--width", "150", "--height", "200", "--jpeg-quality", "60",
        "--out", str(tmp_path),
    )  # fmt: skip
    assert status == 0
    assert "1 of 1 photos are there, 1 of them made now" in text
    (photo,) = (tmp_path / "photos").iterdir()
    with Image.open(photo) as picture:
        assert picture.size == (150, 200)
