"""The farm folder: records come back as they were saved, once, also after a crash."""

from __future__ import annotations

import hashlib
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine

from fruitvision.domain import (
    Ball,
    BinTicket,
    CaliperReading,
    Camera,
    DepthGrade,
    Doubt,
    Forecast,
    Fruit,
    HandCount,
    LensCalibration,
    MeasuredPhoto,
    Photo,
    Pick,
    PickPlan,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreePhoto,
    VisitedPlace,
    WeighedFruit,
)
from fruitvision.errors import StoreError
from fruitvision.records import from_json, from_plain, to_json, to_plain
from fruitvision.store import DATABASE_NAME, Farm, FarmStore, Store, open_farm
from fruitvision.store import tables as store_tables
from tests.farm_records import (
    HILL,
    MADE_WITH,
    MILL,
    TREE,
    forecast,
    fruit,
    measured_photo,
    sha256,
    tree_photo,
)

OTHER_SETTINGS = replace(MADE_WITH, settings_sha256="ba9876543210")
DAY = date(2026, 8, 12)


@pytest.fixture
def farm(tmp_path: Path):
    with open_farm(tmp_path / "farm") as store:
        yield store


def content(folder: Path) -> str:
    """All that the database holds, as SQL text."""
    with sqlite3.connect(folder / DATABASE_NAME) as connection:
        return "\n".join(connection.iterdump())


# ---------------------------------------------------------------- records as JSON


finite = st.floats(allow_nan=False, allow_infinity=False)
moments = st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2100, 1, 1)) | (  # noqa: DTZ001
    st.datetimes(
        min_value=datetime(1990, 1, 1),  # noqa: DTZ001
        max_value=datetime(2100, 1, 1),  # noqa: DTZ001
        timezones=st.integers(-14 * 60, 14 * 60).map(
            lambda minutes: timezone(timedelta(minutes=minutes))
        ),
    )
)
texts = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"))
photos = st.builds(
    Photo,
    photo_id=texts.map(sha256),
    name=texts,
    width_px=st.integers(1, 20_000),
    height_px=st.integers(1, 20_000),
    taken_at=st.none() | moments,
    latitude_deg=st.none() | finite,
    longitude_deg=st.none() | finite,
    lens=texts,
    focal_35mm=st.none() | finite,
    sharpness=finite,
    brightness=finite,
    doubts=st.lists(st.sampled_from(Doubt)).map(tuple),
)


@given(photos)
def test_a_record_comes_back_from_json_as_it_went(photo: Photo) -> None:
    assert from_json(Photo, to_json(photo)) == photo


def test_nested_records_come_back_from_json() -> None:
    measured = measured_photo(taken_at=datetime(2026, 8, 12, 9, 30, tzinfo=UTC))
    assert from_json(MeasuredPhoto, to_json(measured)) == measured
    assert from_json(Forecast, to_json(forecast())) == forecast()


def test_a_field_with_a_default_may_be_missing_in_an_older_document() -> None:
    plain = to_plain(TREE)
    photo = to_plain(measured_photo().photo)
    del photo["latitude_deg"]
    assert from_plain(Photo, photo).latitude_deg is None
    del plain["row"]
    with pytest.raises(ValueError, match="TreeId lacks row"):
        from_plain(TreeId, plain)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": "red"}, "Fruit has no field colour"),
        ({"score": "high"}, "need float, got 'high'"),
        ({"on_this_row": 1}, "need bool, got 1"),
        ({"fruit_id": 7}, "need str, got 7"),
        ({"doubts": "blurred"}, "need a list"),
        ({"doubts": ["sour"]}, "'sour' is not a valid Doubt"),
    ],
)
def test_a_document_that_does_not_fit_the_record_is_refused(change: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        from_plain(Fruit, to_plain(fruit(1, sha256("a"))) | change)


def test_what_a_record_can_not_hold_is_refused() -> None:
    with pytest.raises(TypeError, match="can't hold a list"):
        to_plain(replace(HILL, variety=["Gala"]))  # type: ignore[arg-type]


# ---------------------------------------------------------------- farm, blocks, hand work


def test_name_and_settings_of_the_farm_are_kept(farm: FarmStore) -> None:
    assert farm.farm() == Farm(name="farm")
    farm.save_farm(Farm(name="Lindengrund"))
    farm.save_farm(Farm(name="Lindengrund", settings_text="bin_kg = 400\n"))
    assert farm.farm() == Farm(name="Lindengrund", settings_text="bin_kg = 400\n")
    with open_farm(farm.folder, name="Lindenhof") as renamed:
        assert renamed.farm() == Farm(name="Lindenhof", settings_text="bin_kg = 400\n")
    assert farm.farm_name == "Lindenhof"


def test_blocks_come_back_and_a_corrected_one_replaces_the_old(farm: FarmStore) -> None:
    farm.save_blocks([MILL, HILL])
    farm.save_blocks([replace(MILL, missing=16)])
    assert farm.blocks() == (HILL, replace(MILL, missing=16))


def test_hand_counts_are_one_per_tree_day_and_protocol(farm: FarmStore) -> None:
    count = HandCount(tree=TREE, fruit_count=96, counted_on=DAY)
    one_face = replace(count, protocol=Protocol.ONE_FACE, fruit_count=50)
    other = replace(count, tree=TreeId("Mill", 1, 1))
    farm.save_hand_counts([count, one_face, other])
    farm.save_hand_counts([replace(count, fruit_count=97)])
    assert set(farm.hand_counts("Hill")) == {replace(count, fruit_count=97), one_face}
    assert set(farm.hand_counts()) == {replace(count, fruit_count=97), one_face, other}
    assert farm.hand_counts("Nowhere") == ()


def test_caliper_readings_of_named_and_unnamed_fruit_are_kept(farm: FarmStore) -> None:
    unnamed = CaliperReading(tree=TREE, measured_on=DAY, diameter_mm=71.5)
    named = replace(unnamed, fruit="7", diameter_mm=68.25)
    next_week = replace(unnamed, measured_on=date(2026, 8, 19), diameter_mm=74.0)
    saved = [unnamed, unnamed, replace(unnamed, diameter_mm=73.0), named, next_week]
    farm.save_caliper_readings(saved)
    farm.save_caliper_readings(saved)
    assert sorted(map(str, farm.caliper_readings("Hill"))) == sorted(map(str, saved))
    farm.save_caliper_readings([replace(unnamed, diameter_mm=70.0)])
    assert {reading.diameter_mm for reading in farm.caliper_readings()} == {70.0, 68.25, 74.0}


def test_a_photo_shows_the_tree_that_was_named_last(farm: FarmStore) -> None:
    photo = tree_photo("1", face="A")
    other_face = tree_photo("2", face="B")
    farm.save_tree_photos([photo, other_face])
    moved = replace(photo, tree=TreeId("Mill", 1, 1))
    farm.save_tree_photos([moved])
    assert farm.tree_photos("Hill") == (other_face,)
    assert farm.tree_photos() == (other_face, moved)


# ---------------------------------------------------------------- measured photos


@pytest.mark.parametrize(
    "taken_at",
    [
        None,
        datetime(2026, 8, 12, 9, 30, 1),  # noqa: DTZ001
        datetime(2026, 8, 12, 9, 30, tzinfo=UTC),
        datetime(2026, 8, 12, 23, 30, 0, 250_000, tzinfo=timezone(timedelta(hours=-7))),
        datetime(2026, 8, 12, 0, 30, tzinfo=timezone(timedelta(hours=5, minutes=45))),
    ],
    ids=["no date", "no zone", "UTC", "west", "east"],
)
def test_a_measured_photo_comes_back_exactly(farm: FarmStore, taken_at: datetime | None) -> None:
    measured = measured_photo(taken_at=taken_at)
    farm.save_measured_photo(measured)
    found = farm.measured_photo(measured.photo.photo_id, MADE_WITH)
    assert found == measured
    assert found.photo.taken_at is None or (
        found.photo.taken_at.utcoffset() == (taken_at and taken_at.utcoffset())
    )


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(photos)
def test_any_photo_comes_back_exactly(farm: FarmStore, photo: Photo) -> None:
    measured = MeasuredPhoto(
        photo=photo, references=(), scale=None, fruit=(), doubts=(), made_with=MADE_WITH
    )
    farm.save_measured_photo(measured)
    found = farm.measured_photo(photo.photo_id, MADE_WITH)
    assert found == measured
    assert (found.photo.taken_at is None) == (photo.taken_at is None)


def test_lens_balls_and_depth_come_back_with_their_own_measurement(farm: FarmStore) -> None:
    plain = measured_photo()
    bent = Camera(
        focal_px=3000.5,
        middle_x_px=1999.5,
        middle_y_px=1510.25,
        distortion=(0.1, -0.2, 0.001, -0.002, 0.3),
        calibrated=True,
    )
    ball = Ball(
        diameter_mm=70.0,
        centre_x_px=400.0,
        centre_y_px=300.5,
        width_px=41.0,
        height_px=40.0,
        angle_deg=15.0,
        mm_per_px=1.72,
        mm_per_px_error=0.02,
        found_by="colour",
    )
    twin = replace(
        plain.fruit[0],
        depth_grade=DepthGrade.TWO_VIEWS,
        distance_mm=2210.5,
        same_as=(sha256("IMG_2.jpg"), "f004"),
    )
    tagged = replace(plain.photo, phone="Larkhill Nine", focal_mm=5.43, zoom=2.0, turned_deg=270)
    rich = replace(
        plain,
        photo=replace(tagged, calibration=bent),
        fruit=(twin, *plain.fruit[1:]),
        balls=(ball,),
        made_with=OTHER_SETTINGS,
    )
    farm.save_measured_photo(replace(plain, photo=tagged))
    farm.save_measured_photo(rich)
    assert farm.measured_photo(rich.photo.photo_id, OTHER_SETTINGS) == rich
    before = farm.measured_photo(plain.photo.photo_id, MADE_WITH)
    assert before is not None
    assert before.photo.calibration is None


def test_a_lens_takes_the_place_of_the_same_phone_lens_and_size(farm: FarmStore) -> None:
    lens = LensCalibration(
        phone="Orchard Phone One",
        lens="Orchard Phone One",
        focal_35mm=26.0,
        focal_mm=5.4,
        width_px=4000,
        height_px=3000,
        camera=Camera(focal_px=3004.6, middle_x_px=1999.5, middle_y_px=1499.5, calibrated=True),
        focal_error_px=3.1,
        reprojection_px=0.31,
        distance_mm=420.0,
        square_mm=25.0,
        photos=12,
        corners=540,
        made_on=DAY,
        remarks=("No corner of the board lay top left.",),
    )
    wide = replace(lens, focal_35mm=13.0, focal_mm=None)
    again = replace(lens, photos=14, made_on=DAY + timedelta(days=1))
    for one in (lens, wide, again):
        farm.save_lens(one)
    assert farm.lenses() == (wide, again)


def test_a_photo_without_marker_and_without_fruit_comes_back(farm: FarmStore) -> None:
    without_marker = measured_photo("1.jpg", sized=False)
    without_fruit = measured_photo("2.jpg", fruit_count=0)
    farm.save_measured_photo(without_fruit)
    farm.save_measured_photo(without_marker)
    assert farm.measured_photos() == (without_marker, without_fruit)


def test_other_settings_add_a_result_and_the_latest_counts(farm: FarmStore) -> None:
    first = measured_photo()
    second = measured_photo(made_with=OTHER_SETTINGS, fruit_count=5)
    photo_id = first.photo.photo_id
    farm.save_measured_photo(first)
    farm.save_measured_photo(second)
    assert farm.measured_photos() == (second,)
    assert farm.measured_photo(photo_id, MADE_WITH) == first
    farm.save_measured_photo(first)
    assert farm.measured_photos() == (first,)
    assert farm.measured_photo(photo_id, OTHER_SETTINGS) == second
    assert farm.measured_photo(photo_id, replace(MADE_WITH, version="9")) is None


def test_results_of_one_block_come_together_and_only_those_made_with_just_this(
    farm: FarmStore,
) -> None:
    first, second, elsewhere = (measured_photo(name) for name in ("1.jpg", "2.jpg", "3.jpg"))
    for one in (second, first, elsewhere):
        farm.save_measured_photo(one)
    farm.save_measured_photo(measured_photo("1.jpg", made_with=OTHER_SETTINGS, fruit_count=5))
    shown = [tree_photo("1.jpg", face="A"), tree_photo("2.jpg", face="B")]
    farm.save_tree_photos([*shown, replace(tree_photo("3.jpg"), tree=TreeId("Mill", 1, 1))])
    assert farm.measured_photos_of("Hill", MADE_WITH) == (first, second)
    assert [len(one.fruit) for one in farm.measured_photos_of("Hill", OTHER_SETTINGS)] == [5]
    assert farm.measured_photos_of("Nowhere", MADE_WITH) == ()


def test_the_same_settings_replace_a_result(farm: FarmStore) -> None:
    farm.save_measured_photo(measured_photo(fruit_count=5))
    farm.save_measured_photo(measured_photo(fruit_count=2))
    assert farm.measured_photos() == (measured_photo(fruit_count=2),)


def test_a_renamed_photo_stays_one_photo(farm: FarmStore) -> None:
    measured = measured_photo()
    renamed = replace(measured, photo=replace(measured.photo, name="copy.jpg"))
    farm.save_measured_photo(measured)
    farm.save_measured_photo(renamed)
    assert farm.measured_photos() == (renamed,)


def test_a_repeated_import_changes_nothing_in_the_database(tmp_path: Path) -> None:
    def import_all() -> str:
        with open_farm(tmp_path) as farm:
            farm.save_farm(Farm(name="Lindengrund"))
            farm.save_blocks([HILL, MILL])
            farm.save_measured_photo(measured_photo())
            farm.save_measured_photo(measured_photo("2.jpg"))
            farm.save_tree_photos([tree_photo("1", face="A")])
            farm.save_hand_counts([HandCount(tree=TREE, fruit_count=96, counted_on=DAY)])
            farm.save_caliper_readings(
                [CaliperReading(tree=TREE, measured_on=DAY, diameter_mm=71.5)] * 3
            )
            farm.save_forecast(forecast())
        return content(tmp_path)

    assert import_all() == import_all()


# ---------------------------------------------------------------- forecasts


def test_forecasts_come_back_exactly_and_in_order(farm: FarmStore) -> None:
    later = replace(forecast("b"), made_on=date(2026, 8, 24))
    farm.save_forecast(later)
    farm.save_forecast(forecast("a"))
    farm.save_forecast(forecast("a"))
    assert farm.forecasts() == (forecast("a"), later)


def test_forecasts_from_the_latest_back_read_no_more_than_is_asked_for(farm: FarmStore) -> None:
    for number in range(1, 4):
        farm.save_forecast(forecast(f"2026-08-17-{number}"))
    change(farm, "UPDATE forecast SET document = '{' WHERE forecast_id = '2026-08-17-1'")
    newest = farm.newest_forecasts()
    assert [next(newest).forecast_id for _ in range(2)] == ["2026-08-17-3", "2026-08-17-2"]
    with pytest.raises(StoreError, match="damaged"):
        next(newest)


def test_a_published_forecast_is_never_changed(farm: FarmStore) -> None:
    farm.save_forecast(forecast("a"))
    with pytest.raises(StoreError, match=r"a was published with other numbers.*new forecast"):
        farm.save_forecast(replace(forecast("a"), next_action="Nothing."))
    assert farm.forecasts() == (forecast("a"),)


def test_a_forecast_of_a_newer_version_or_a_damaged_one_is_refused(farm: FarmStore) -> None:
    farm.save_forecast(forecast("a"))
    change(farm, "UPDATE forecast SET document = '{}'")
    with pytest.raises(StoreError, match="Forecast a is damaged"):
        farm.forecasts()
    change(farm, "UPDATE forecast SET schema_version = 6")
    with pytest.raises(StoreError, match="Forecast a is of a newer fruitvision"):
        farm.forecasts()


def change(farm: FarmStore, statement: str) -> None:
    with sqlite3.connect(farm.folder / DATABASE_NAME) as connection:
        connection.execute(statement)
    connection.close()


# ---------------------------------------------------------------- photo files


def test_a_photo_is_copied_under_the_name_of_its_content(farm: FarmStore, tmp_path: Path) -> None:
    original = tmp_path / "IMG 1.JPG"
    original.write_bytes(b"picture")
    photo_id = hashlib.sha256(b"picture").hexdigest()
    with pytest.raises(StoreError, match=r"is not in .*photos.*Load its walk again"):
        farm.photo_path(photo_id)
    kept = farm.keep_photo(original, photo_id)
    assert kept == farm.folder / "photos" / f"{photo_id}.jpg"
    assert farm.keep_photo(tmp_path / "no longer there.jpg", photo_id) == kept
    assert farm.photo_path(photo_id) == kept
    assert kept.read_bytes() == b"picture"
    assert list(kept.parent.iterdir()) == [kept]


def test_a_photo_whose_content_changed_is_not_kept(farm: FarmStore, tmp_path: Path) -> None:
    original = tmp_path / "IMG_1.jpg"
    original.write_bytes(b"picture")
    with pytest.raises(StoreError, match=r"IMG_1\.jpg is not the photo that was measured"):
        farm.keep_photo(original, sha256("other"))
    with pytest.raises(StoreError, match=r"Can't copy none\.jpg"):
        farm.keep_photo(tmp_path / "none.jpg", sha256("other"))
    assert not list((farm.folder / "photos").glob("*"))


def test_a_photo_id_that_leads_elsewhere_is_a_mistake(farm: FarmStore, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="must be a sha256"):
        farm.keep_photo(tmp_path / "a.jpg", "../../evil")


# ---------------------------------------------------------------- opening


def test_the_store_fits_the_protocol_that_the_pipeline_asks_for(farm: FarmStore) -> None:
    store: Store = farm
    assert {name for name in vars(Store) if not name.startswith("_")} <= set(dir(store))


def test_a_closed_farm_is_one_file_that_can_be_copied(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as farm:
        farm.save_measured_photo(measured_photo())
    assert [path.name for path in (tmp_path / "farm").iterdir()] == [DATABASE_NAME]
    shutil.copytree(tmp_path / "farm", tmp_path / "copy é % #")
    with open_farm(tmp_path / "copy é % #", create=False) as copy:
        assert copy.measured_photos() == (measured_photo(),)


def test_a_farm_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no farm in"):
        open_farm(tmp_path / "farm", create=False)
    assert not (tmp_path / "farm").exists()


def test_a_folder_that_can_not_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match=r"Can't make the folder.*can write to"):
        open_farm(tmp_path / "file" / "farm")


def test_a_database_that_can_not_be_opened_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE_NAME).mkdir()
    with pytest.raises(StoreError, match=r"unable to open database file.*can be written"):
        open_farm(tmp_path)


def test_a_file_that_is_no_database_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / DATABASE_NAME).write_bytes(b"holiday pictures" * 100)
    with pytest.raises(StoreError, match=r"file is not a database.*Restore"):
        open_farm(tmp_path)
    assert (tmp_path / DATABASE_NAME).read_bytes() == b"holiday pictures" * 100


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("CREATE TABLE song (title TEXT)", "a database of another program"),
        (
            "CREATE TABLE alembic_version (version_num TEXT);"
            "INSERT INTO alembic_version VALUES ('abc')",
            "a database of another program",
        ),
        (
            "CREATE TABLE alembic_version (version_num TEXT);"
            "INSERT INTO alembic_version VALUES ('fruitvision_9999')",
            r"newer fruitvision \(fruitvision_9999.*Update fruitvision",
        ),
    ],
)
def test_a_database_of_something_else_is_refused(tmp_path: Path, script: str, words: str) -> None:
    connection = sqlite3.connect(tmp_path / DATABASE_NAME)
    connection.executescript(script)
    connection.close()
    with pytest.raises(StoreError, match=words):
        open_farm(tmp_path)
    assert "fruit_id" not in content(tmp_path)


def test_a_new_farm_has_just_the_tables_that_the_store_uses(farm: FarmStore) -> None:
    engine = create_engine(f"sqlite:///{farm.folder / DATABASE_NAME}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, store_tables.metadata) == []
        assert context.get_current_revision() == store_tables.SCHEMA
    engine.dispose()


def test_a_new_farm_and_one_that_is_up_to_date_open_without_the_migration_machinery(
    tmp_path: Path,
) -> None:
    script = (
        "import sys; from pathlib import Path; from fruitvision.store import open_farm;"
        "[open_farm(Path(sys.argv[1])).close() for time in ('new', 'again')];"
        "assert 'alembic' not in sys.modules"
    )
    command = [sys.executable, "-c", script, str(tmp_path)]
    assert subprocess.run(command, check=False).returncode == 0  # noqa: S603


# ---------------------------------------------------------------- interrupted


def test_a_save_that_fails_midway_keeps_nothing_of_it(farm: FarmStore) -> None:
    before = tree_photo("1", face="A")
    farm.save_tree_photos([before])
    too_large = replace(before, photo_id=sha256("3"), tree=TreeId("Hill", 2**70, 1))
    with pytest.raises(OverflowError):
        farm.save_tree_photos([replace(before, photo_id=sha256("2")), too_large])
    assert farm.tree_photos() == (before,)

    farm.save_measured_photo(measured_photo())
    twice = measured_photo(fruit_count=5)
    twice = replace(twice, fruit=(*twice.fruit, twice.fruit[0]))
    with pytest.raises(Exception, match="UNIQUE constraint failed: fruit"):
        farm.save_measured_photo(twice)
    assert farm.measured_photos() == (measured_photo(),)


def test_two_writers_of_one_farm_wait_for_each_other(farm: FarmStore) -> None:
    with open_farm(farm.folder) as second:
        for number in range(5):
            farm.save_measured_photo(measured_photo(f"a{number}.jpg"))
            second.save_measured_photo(measured_photo(f"b{number}.jpg"))
    assert len(farm.measured_photos()) == 10


BATCH = """
import sys
from pathlib import Path
from fruitvision.store import open_farm
from tests.farm_records import measured_photo
with open_farm(Path(sys.argv[1])) as farm:
    for number in range(int(sys.argv[2])):
        farm.save_measured_photo(measured_photo(f"{number:04d}.jpg", fruit_count=40))
        print(number, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_a_batch_that_is_killed_goes_on_with_none_lost_and_none_doubled(tmp_path: Path) -> None:
    root = Path(__file__).parents[1]

    def start(photos: int) -> subprocess.Popen[str]:
        return subprocess.Popen(  # noqa: S603
            [sys.executable, "-c", BATCH, str(tmp_path), str(photos)],
            cwd=root,
            stdout=subprocess.PIPE,
            text=True,
        )

    saved = 0
    for lines in (2, 15):
        batch = start(100_000)
        assert batch.stdout is not None
        acknowledged = [int(batch.stdout.readline()) for _ in range(lines)]
        batch.send_signal(signal.SIGKILL)
        batch.communicate()
        saved = max(saved, acknowledged[-1] + 1)
        with open_farm(tmp_path, create=False) as farm:
            found = farm.measured_photos()
        assert len(found) >= saved
        assert all(len(measured.fruit) == 40 for measured in found)

    total = len(found) + 3
    again = start(total)
    again.communicate(timeout=60)
    assert again.returncode == 0
    with open_farm(tmp_path, create=False) as farm:
        expected = [measured_photo(f"{n:04d}.jpg", fruit_count=40) for n in range(total)]
        assert list(farm.measured_photos()) == expected
    with sqlite3.connect(tmp_path / DATABASE_NAME) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("SELECT count(*) FROM fruit").fetchone() == (40 * total,)
    connection.close()


# ---------------------------------------------------------------- register, picks, weights


def test_a_register_replaces_the_one_before_block_by_block(farm: FarmStore) -> None:
    def place(block_id: str, position: int, kind: TreeKind = TreeKind.BEARING) -> RegisteredTree:
        return RegisteredTree(
            tree=TreeId(block_id, 1, position), kind=kind, stratum="low", bearing_share=0.5
        )

    farm.save_register([place("Mill", 1), place("Mill", 2), place("Hill", 1)])
    corrected = place("Mill", 1, TreeKind.REPLANT)
    farm.save_register([corrected])
    assert farm.register("Mill") == (corrected,)
    assert farm.register() == (place("Hill", 1), corrected)


def test_the_last_word_on_a_visited_place_counts(farm: FarmStore) -> None:
    first = VisitedPlace(tree=TREE, visited_on=DAY, found=TreeKind.BEARING)
    farm.save_visited_places([first])
    farm.save_visited_places([replace(first, found=TreeKind.MISSING)])
    assert farm.visited_places(TREE.block_id) == (replace(first, found=TreeKind.MISSING),)


def test_a_bin_ticket_that_comes_again_replaces_the_one_before(farm: FarmStore) -> None:
    first = BinTicket(ticket="0007", block_id="Mill", picked_on=DAY, bins=4.0)
    farm.save_bin_tickets([first, replace(first, ticket="0006", lot="L1", pass_number=2)])
    farm.save_bin_tickets([replace(first, bins=3.5)])
    assert [(one.ticket, one.bins) for one in farm.bin_tickets()] == [("0006", 4.0), ("0007", 3.5)]


def test_a_pick_plan_comes_back_exactly(farm: FarmStore) -> None:
    plan = PickPlan(
        picks=(
            Pick(pick_date=DAY, date_error_days=2.5, share=0.35),
            Pick(pick_date=date(2026, 8, 20), share=0.65),
        ),
        left_share=0.04,
    )
    farm.save_pick_plan("Mill", plan)
    farm.save_pick_plan("Hill", replace(plan, doubling_g=15.0))
    farm.save_pick_plan("Mill", plan)
    assert farm.pick_plans() == {"Hill": replace(plan, doubling_g=15.0), "Mill": plan}


def test_weighed_fruit_of_named_and_unnamed_fruit_are_kept(farm: FarmStore) -> None:
    named = WeighedFruit(variety="Gala", weighed_on=DAY, diameter_mm=70, mass_g=130, fruit="7")
    unnamed = replace(named, fruit="")
    farm.save_weighed_fruit([named, unnamed, replace(unnamed, mass_g=140)])
    farm.save_weighed_fruit([replace(named, mass_g=131), unnamed])
    assert farm.weighed_fruit() == (unnamed, replace(named, mass_g=131))


def test_the_stamp_is_another_one_after_every_write_and_after_no_reading(
    farm: FarmStore, tmp_path: Path
) -> None:
    stamps = [farm.stamp]
    for fruit_count in (70, 71, 72):
        farm.save_hand_counts([HandCount(tree=TREE, fruit_count=fruit_count, counted_on=DAY)])
        farm.hand_counts()
        farm.blocks()
        assert farm.stamp == farm.stamp
        stamps.append(farm.stamp)
    assert len(set(stamps)) == 4


def test_a_farm_of_the_first_version_keeps_all_it_had(tmp_path: Path) -> None:
    with open_farm(tmp_path) as store:
        store.save_blocks([MILL])
        store.save_hand_counts([HandCount(tree=TREE, fruit_count=71, counted_on=DAY)])
        photo = TreePhoto(tree=TREE, face="A", photo_id="a", walked_on=DAY)
        store.save_tree_photos([photo])
        before = (store.blocks(), store.hand_counts(), store.tree_photos())
    _back_to_first_version(tmp_path / DATABASE_NAME)
    with open_farm(tmp_path) as store:
        assert (store.blocks(), store.hand_counts(), store.tree_photos()) == before
        panel = replace(photo, trees=4, vigour=2.5)
        store.save_tree_photos([panel])
        assert store.tree_photos() == (panel,)
        assert store.register() == ()
        store.save_blocks([replace(MILL, row_spacing_m=3.5, group="old")])
        assert store.blocks()[0].row_spacing_m == 3.5


def _back_to_first_version(database: Path) -> None:
    """Undo the later migrations by hand."""
    with sqlite3.connect(database) as connection:
        for table in (
            "registered_tree",
            "visited_place",
            "pick_plan",
            "weighed_fruit",
            "variety_cull",
            "variety_grade",
            "lens_calibration",
            "calipered_fruit",
            "pointed_reference",
            "photo_edit",
            "job",
            "change",
            "frozen_forecast",
            "walk_plan",
            "order_line",
            "bin_ticket",
            "packed_lot",
            "season_note",
            "learned_choice",
            "name_mapping",
            "price",
            "cold_room",
        ):
            connection.execute(f"DROP TABLE {table}")
        for table, columns in (
            ("block", ("row_spacing_m", "tree_spacing_m", "area_ha", '"group"')),
            ("block", ("target_fruit_per_tree", "target_diameter_mm")),
            ("block", ("trunk_area_cm2", "full_bloom_on")),
            ("tree_photo", ("trees", "vigour", "place")),
            ("photo", ("phone", "focal_mm", "zoom", "turned_deg")),
            ("measurement", ("calibration", "balls", "seen_with")),
            ("fruit", ("depth_grade", "distance_mm", "same_as", "diameter_error_px")),
        ):
            for column in columns:
                connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
        connection.execute("UPDATE alembic_version SET version_num = 'fruitvision_0001'")
