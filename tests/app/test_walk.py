"""The scout's page: next tree, photos checked, count hidden until the hand count, all saved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from hashlib import sha256
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from fruitvision.accounts import Role
from fruitvision.domain import Doubt, HandCount, KeptWalk, ThingKind, TreeKind, TreePhoto
from fruitvision.errors import StoreError
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.photos import made_with
from fruitvision.pipeline.walking import (
    WalkSize,
    add_trees,
    current_walk,
    say_found,
    start_walk,
    stops_of_walk,
)
from fruitvision.sampling import rows_of_positions
from fruitvision.settings import Settings
from fruitvision.share import shared_folder
from fruitvision.store import FarmStore, open_farm
from tests import records
from tests.app import pseudo
from tests.app.pages import press, text, visit
from tests.app.test_untranslated import untranslated

SIZE = WalkSize(trees=4, hand_counts=1)
FACE_A, FACE_B = "Face A: this side", "Face B: other side"


def today() -> date:
    return date.today()  # noqa: DTZ011 - the app's own day is this computer's


@pytest.fixture
def started(folder: Path) -> Path:
    """A block of 40 trees, and a walk through it: 4 stops, the third counted by hand."""
    with open_farm(folder) as store:
        store.save_blocks([records.block(trees=40)])
        start_walk(store, records.BLOCK_ID, SIZE, on=today(), who="Ana", row_lengths=(20, 20))
    return folder


@pytest.mark.parametrize(("role", "starts"), [(Role.SCOUT, True), (Role.READER, False)])
def test_who_may_only_look_reads_so_and_finds_no_button_to_start_a_walk(
    folder: Path, monkeypatch: pytest.MonkeyPatch, role: Role, starts: bool
) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(trees=40)])
    monkeypatch.setattr("app.session.role", lambda: role)
    app = opened()
    found = [one for one in app.button if one.label.startswith("Start the walk in ")]
    assert bool(found) is starts
    assert ("You may look and change nothing" in text(app)) is not starts


def test_who_may_only_look_finds_no_button_inside_a_walk_that_would_be_refused(
    started: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    unmeasured(started)
    monkeypatch.setattr("app.session.role", lambda: Role.READER)
    for stop in (1, number):
        app = opened(**address_of(started, stop))
        assert not app.exception
        assert "You may look and change nothing" in text(app)
        assert (len(app.file_uploader), len(app.number_input)) == (0, 0)
        # Only the ways to the next tree.
        assert {one.label for one in app.button} <= {"Next tree", "Leave it for now"}
    with open_farm(started) as store:
        assert len(store.measured_photos()) == 2


def walk_of(store: FarmStore) -> KeptWalk:
    walk = current_walk(store, records.BLOCK_ID, today())
    assert walk is not None
    return walk


def opened(**address: str) -> AppTest:
    return visit("walk", timeout_s=60, **address)


def address_of(folder: Path, number: int) -> dict[str, str]:
    with open_farm(folder) as store:
        tree = walk_of(store).plan.places[number - 1].tree
    return {"block": tree.block_id, "row": f"{tree.row}", "tree": f"{tree.position}"}


def counted_stop(folder: Path) -> int:
    with open_farm(folder) as store:
        places = walk_of(store).plan.places
    return next(n for n, place in enumerate(places, start=1) if place.count_by_hand)


def jpeg(grey: int) -> bytes:
    content = BytesIO()
    Image.new("RGB", (64, 48), (grey, grey, grey)).save(content, "JPEG")
    return content.getvalue()


def choose(app: AppTest, face: str, *files: tuple[str, bytes]) -> AppTest:
    (box,) = (item for item in app.file_uploader if item.label == face)
    box.set_value([(name, content, "image/jpeg") for name, content in files])
    return app.run()


def photographed(
    folder: Path, number: int, fruit: Sequence[int], doubts: Sequence[Doubt] = ()
) -> None:
    """Both faces of a stop with so many fruit, as if they had been measured."""
    origin = made_with(choose_detector(), Settings())
    with open_farm(folder) as store:
        tree = walk_of(store).plan.places[number - 1].tree
        for face, many in zip("AB", fruit, strict=False):
            content = jpeg(10 * number + ord(face))
            photo_id = sha256(content).hexdigest()
            path = folder / f"{photo_id}.jpg"
            path.write_bytes(content)
            store.keep_photo(path, photo_id)
            found = [records.fruit(n, photo_id=photo_id) for n in range(many)]
            measured = replace(records.measured(photo_id, found), made_with=origin)
            store.save_measured_photo(replace(measured, doubts=tuple(doubts)))
            placed = TreePhoto(tree=tree, face=face, photo_id=photo_id, walked_on=today())
            store.save_tree_photos([placed])


def unmeasured(folder: Path) -> str:
    """Face A of the first stop, taken and not measured yet: its photo_id."""
    content = jpeg(90)
    photo_id = sha256(content).hexdigest()
    path = folder / "x.jpg"
    path.write_bytes(content)
    with open_farm(folder) as store:
        tree = walk_of(store).plan.places[0].tree
        store.keep_photo(path, photo_id)
        store.save_tree_photos(
            [TreePhoto(tree=tree, face="A", photo_id=photo_id, walked_on=today())]
        )
    return photo_id


# ---------------------------------------------------------------- start and way


def test_the_first_walk_has_ten_trees_and_asks_once_for_the_rows(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(trees=40)])
    app = opened()
    assert "First walk of this block: 10 trees, 5 of them counted by hand." in text(app)
    app = press(app, "Start the walk in Gala North")
    assert "no tree register" in app.error[0].value
    (rows,) = (item for item in app.text_input if item.label.startswith("Trees in each row"))
    rows.set_value("20, 20")
    app = press(app, "Start the walk in Gala North")
    assert not app.exception
    with open_farm(folder) as store:
        walk = walk_of(store)
    assert len(walk.plan.places) == 10
    first = walk.plan.places[0].tree
    assert f"Row {first.row}<br>Tree {first.position}" in text(app)
    assert "stop 1 of 10" in text(app)


def test_the_block_comes_first_and_the_button_names_it(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(), replace(records.block(), block_id="Fuji *East*")])
    app = opened(block="Fuji *East*")
    assert [item.label for item in app.selectbox] == ["Language", "Block"]
    assert any(item.label == r"Start the walk in Fuji \*East\*" for item in app.button)
    app.selectbox[1].select("Gala North").run()
    assert any(item.label == "Start the walk in Gala North" for item in app.button)
    assert app.query_params["block"] in ("Gala North", ["Gala North"])


def test_photos_that_wait_are_no_first_walk_and_a_past_pick_date_is_said(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(pick_date=date(2020, 9, 3))])
        store.save_tree_photos([records.tree_photo(1, face, face * 64) for face in "ab"])
    app = opened()
    assert "2 photos of this block still wait to be measured" in text(app)
    assert "First walk" not in text(app)
    assert "The pick date, 3 Sep 2020, has passed" in text(app)


def test_a_walk_of_no_trees_gets_a_sentence(folder: Path) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(trees=40)])
        store.save_register(rows_of_positions(records.BLOCK_ID, (20, 20)))
    app = opened()
    (trees,) = (item for item in app.number_input if item.label == "Trees")
    trees.set_value(-5)
    app = press(app, "Start the walk in Gala North")
    assert "A walk of -5 trees is none." in app.error[0].value
    with open_farm(folder) as store:
        assert store.walks(records.BLOCK_ID) == ()


def test_another_scout_sees_the_first_stop_that_is_not_done(started: Path) -> None:
    photographed(started, 1, (5, 6))
    with open_farm(started) as store:
        second = walk_of(store).plan.places[1].tree
    app = opened()
    assert f"Row {second.row}<br>Tree {second.position}" in text(app)
    assert "All saved: 1 tree, 2 photos, 0 counts" in text(app)


def test_a_reload_returns_to_the_same_tree_and_next_goes_on(started: Path) -> None:
    photographed(started, 2, (5, 6))
    app = opened(**address_of(started, 2))
    assert "stop 2 of 4" in text(app)
    app = press(app, "Next tree")
    assert "stop 3 of 4" in text(app)
    # The address has it, so that a reload shows it too.
    now = {name: app.query_params[name] for name in ("row", "tree")}
    wanted = address_of(started, 3)
    assert {
        name: value[-1] if isinstance(value, list) else value for name, value in now.items()
    } == {name: wanted[name] for name in ("row", "tree")}


def test_the_page_says_from_which_end_of_the_row_a_tree_is_counted(started: Path) -> None:
    with open_farm(started) as store:
        places = walk_of(store).plan.places
    first = {}
    for number, place in enumerate(places, start=1):
        first.setdefault(place.tree.row, number)
    words = text(opened(**address_of(started, first[1])))
    assert f"{places[first[1] - 1].tree.position} trees in from tree 1, gaps counted" in words
    words = text(opened(**address_of(started, first[2])))
    steps = 21 - places[first[2] - 1].tree.position
    assert f"{steps} trees in from the far end, tree 20, gaps counted" in words
    # Trees that are added start at the first row again: nothing goes on from the last stop.
    with open_farm(started) as store:
        tree = add_trees(store, walk_of(store), 2).plan.places[4].tree
    words = text(opened(**address_of(started, 5)))
    end = "tree 1" if tree.row == 1 else "the far end, tree 20"
    assert f" from {end}" in words or "on in this row" in words


def test_a_tree_that_is_left_comes_again_at_the_end(started: Path) -> None:
    for number in (2, 3, 4):
        photographed(started, number, (5, 6))
    with open_farm(started) as store:
        counted = walk_of(store).plan.places[counted_stop(started) - 1].tree
        store.save_hand_counts([replace(records.hand_count(1, 20, on=today()), tree=counted)])
    app = opened(**address_of(started, 4))
    assert "stop 1 of 4" in text(press(app, "Next tree"))


def test_any_stop_can_be_chosen_from_the_list(started: Path) -> None:
    app = opened()
    (stops,) = (item for item in app.selectbox if item.label == "All stops")
    assert len(stops.options) == 4
    assert stops.options[0].startswith("○ row ")
    app = stops.select_index(3).run()
    assert "stop 4 of 4" in text(app)


def test_the_list_marks_a_stop_whose_photo_should_be_taken_again(started: Path) -> None:
    first, second = [n for n in (1, 2, 3) if n != counted_stop(started)][:2]
    photographed(started, first, (5, 6))
    photographed(started, second, (5, 6), doubts=[Doubt.BLURRED])
    (stops,) = (item for item in opened().selectbox if item.label == "All stops")
    assert [stops.options[n - 1][0] for n in (first, second)] == ["✓", "!"]


# ---------------------------------------------------------------- photos


@pytest.mark.usefixtures("started")
def test_a_photo_is_checked_at_once_with_one_thing_to_do(started: Path) -> None:
    app = choose(opened(), FACE_A, ("grey.jpg", jpeg(90)))
    assert not app.exception
    assert "No tree in it: aim at the tree" in text(app)
    with open_farm(started) as store:
        (stop, *_) = stops_of_walk(store, walk_of(store))
        assert len(stop.photos) == 1
        assert stop.found is TreeKind.BEARING
    # A better one takes its place.
    app = choose(app, FACE_A, ("other.jpg", jpeg(100)))
    with open_farm(started) as store:
        (stop, *_) = stops_of_walk(store, walk_of(store))
    assert [photo.place for photo in stop.photos] == [1]


def test_a_sample_photo_is_good_with_its_fruit_counted(started: Path) -> None:
    number = 2 if counted_stop(started) == 1 else 1
    with open_farm(started) as store:
        # The picture is 2.1 m wide at the tree.
        store.save_blocks([replace(records.block(trees=40), tree_spacing_m=1.75)])
    path = shared_folder("samples") / "photos" / "gala_r1_t35_A.jpg"
    with Image.open(path) as picture:
        content = BytesIO()
        # Without its date, which is of another walk.
        picture.save(content, "JPEG", quality=92)
    app = opened(**address_of(started, number))
    app = choose(app, FACE_A, ("tree.jpg", content.getvalue()))
    assert not app.exception
    assert "marker, sharp, whole tree, light" in text(app)
    with open_farm(started) as store:
        store.save_blocks([records.block(trees=40)])
    # Nothing is claimed of the sides where the spacing is not known.
    assert "Sides: look yourself" in text(app.run())
    with open_farm(started) as store:
        store.save_blocks([replace(records.block(trees=40), tree_spacing_m=2.5)])
    assert "Step back: sides cut off" in text(app.run())
    seen = next(line for line in text(app).splitlines() if " fruit seen" in line)
    # 47 fruit of this row are seen in it by a third or more, by the truth.
    assert 35 <= int(seen.split()[0]) <= 55


@pytest.mark.usefixtures("started")
def test_what_is_no_photo_or_known_already_gets_a_sentence() -> None:
    app = choose(opened(), FACE_A, ("notes.jpg", b"no photo"), ("grey.jpg", jpeg(90)))
    assert "notes.jpg is no JPEG, PNG, HEIC or TIFF picture." in text(app)
    app = choose(app, FACE_B, ("again.jpg", jpeg(90)))
    assert "again.jpg is saved already, for this tree. Nothing changed." in text(app)


def test_a_photo_of_another_tree_is_refused_with_the_tree(started: Path) -> None:
    choose(opened(**address_of(started, 1)), FACE_A, ("grey.jpg", jpeg(90)))
    app = choose(opened(**address_of(started, 2)), FACE_A, ("grey.jpg", jpeg(90)))
    first = address_of(started, 1)
    assert f"grey.jpg is saved for row {first['row']}, tree {first['tree']}." in text(app)


def test_too_many_photos_for_a_face_are_not_taken_and_not_lost(started: Path) -> None:
    many = [(f"{n}.jpg", jpeg(n)) for n in range(200)]
    app = choose(opened(), FACE_A, *many)
    assert not app.exception
    assert "200 photos for one side of one tree are too many" in text(app)
    with open_farm(started) as store:
        assert store.tree_photos() == ()


def test_the_box_of_the_other_side_comes_before_one_more_of_the_first(started: Path) -> None:
    number = 2 if counted_stop(started) == 1 else 1
    photographed(started, number, (5,))
    app = opened(**address_of(started, number))
    assert [item.label for item in app.file_uploader] == [FACE_B, FACE_A]


def test_photos_that_a_reload_left_unmeasured_are_measured(started: Path) -> None:
    photo_id = unmeasured(started)
    app = opened()
    assert "No tree in it" in text(app)
    assert "still being measured" not in text(app)
    with open_farm(started) as store:
        assert [one.photo.photo_id for one in store.measured_photos()] == [photo_id]


def test_a_photo_of_a_wrong_tree_is_taken_off(started: Path) -> None:
    photographed(started, 1, (5, 6))
    app = press(opened(**address_of(started, 1)), "Take off the photo of face B")
    assert "All saved: 1 tree, 1 photo, 0 counts" in text(app)


def test_a_photo_that_the_farm_does_not_take_off_is_said(
    started: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photographed(started, 1, (5, 6))
    app = opened(**address_of(started, 1))

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.", fix="Make room on the disk and try again.")

    monkeypatch.setattr(FarmStore, "take_photo_off", full)
    press(app, "Take off the photo of face B")
    assert "The disk is full." in app.error[0].value


# ---------------------------------------------------------------- counts, calipers, finds


def test_the_photos_count_is_hidden_until_the_hand_count_is_saved(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = opened(**address_of(started, number))
    shown = text(app)
    assert "Count this tree by hand" in shown
    assert "Fruit count hidden until yours is saved" in shown
    assert not any(word in shown for word in ("33", "44", "77", "fruit seen"))
    # An empty box is not a count of 0.
    app = press(app, "Save my count")
    assert "Type the number of fruit first" in text(app)
    (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
    box.set_value(120)
    app = press(app, "Save my count")
    assert "You counted 120. The photos show 33 + 44." in text(app)
    assert "33 fruit seen" in text(app)
    with open_farm(started) as store:
        (kept,) = store.hand_counts()
        (change,) = store.changes()
    assert (kept.fruit_count, kept.counted_on) == (120, today())
    assert change.after is not None


def test_a_count_like_a_slip_is_saved_at_a_second_word_only(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = opened(**address_of(started, number))
    for count, words in ((1122, "1,122 fruit on one tree?"), (-3, "A number is too small")):
        (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
        box.set_value(count)
        app = press(app, "Save my count")
        assert words in text(app)
    # Nothing of what the photos show is told by it.
    assert not any(word in text(app) for word in ("33", "44", "77"))
    with open_farm(started) as store:
        assert store.hand_counts() == ()
    (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
    box.set_value(1122)
    app = press(press(app, "Save my count"), "Yes, save 1,122")
    with open_farm(started) as store:
        assert [one.fruit_count for one in store.hand_counts()] == [1122]
    assert "If it is a slip, correct it below." in text(app)


def test_a_saved_count_can_be_corrected(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = opened(**address_of(started, number))
    for old, new in ((None, 121), (121, 112)):
        (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
        assert box.value == old
        box.set_value(new)
        app = press(app, "Save my count")
    assert "You counted 112. The photos show 33 + 44." in text(app)
    with open_farm(started) as store:
        assert [one.fruit_count for one in store.hand_counts()] == [112]


def test_not_counted_shows_the_count_and_leaves_no_hand_count(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = press(opened(**address_of(started, number)), "Not counted")
    assert "33 fruit seen" in text(app)
    assert not any(item.label == "Fruit on the whole tree" for item in app.number_input)
    with open_farm(started) as store:
        assert store.hand_counts() == ()
        assert not any(place.count_by_hand for place in walk_of(store).plan.places)


def test_not_counted_is_taken_back_and_who_said_what_is_kept(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = press(opened(who="Ana", **address_of(started, number)), "Not counted")
    app = press(app, "Count this tree after all")
    assert any(item.label == "Fruit on the whole tree" for item in app.number_input)
    assert "33 fruit seen" not in text(app)
    with open_farm(started) as store:
        places = walk_of(store).plan.places
        said = [(one.who, one.fields[0].after) for one in store.changes(kind=ThingKind.WALK)]
    assert [n for n, place in enumerate(places, start=1) if place.count_by_hand] == [number]
    assert said == [("Ana", True), ("Ana", False)]


def test_a_saved_count_is_taken_out_and_can_be_typed_again(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    app = opened(who="Ana", **address_of(started, number))
    for count in (120, 118):
        (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
        box.set_value(count)
        app = press(app, "Save my count")
        if count == 120:
            app = press(app, "Take this count out")
            assert "Fruit count hidden until yours is saved" in text(app)
            with open_farm(started) as store:
                assert store.hand_counts() == ()
                (latest, *_) = store.changes()
            assert (latest.who, latest.before["fruit_count"], latest.after) == ("Ana", 120, None)
    with open_farm(started) as store:
        assert [one.fruit_count for one in store.hand_counts()] == [118]


def test_a_gap_needs_no_photos_and_the_walk_goes_on(started: Path) -> None:
    app = press(opened(), "Gap: no tree")
    assert "Noted: a gap. No photos needed." in text(app)
    assert not app.file_uploader
    app = press(app, "Next tree")
    assert "stop 2 of 4" in text(app)
    with open_farm(started) as store:
        assert [place.found for place in store.visited_places()] == [TreeKind.MISSING]


@pytest.mark.parametrize(
    ("answer", "kind"),
    [("Gap, as listed", TreeKind.MISSING), ("There is a tree", TreeKind.BEARING)],
)
def test_a_listed_gap_is_asked_about_before_all_else(
    folder: Path, answer: str, kind: TreeKind
) -> None:
    with open_farm(folder) as store:
        store.save_blocks([records.block(trees=4)])
        trees = rows_of_positions(records.BLOCK_ID, (5,))
        gap = replace(trees[2], kind=TreeKind.MISSING)
        store.save_register([*trees[:2], gap, *trees[3:]])
        size = WalkSize(trees=4, hand_counts=0)
        start_walk(store, records.BLOCK_ID, size, on=today(), who="Ana")
    app = opened(block=records.BLOCK_ID, row="1", tree="3")
    assert "The register says: gap" in text(app)
    assert "to see whether it is right" in text(app)
    assert not app.file_uploader
    app = press(app, answer)
    assert bool(app.file_uploader) == (kind is TreeKind.BEARING)
    with open_farm(folder) as store:
        assert [(one.tree.position, one.found) for one in store.visited_places()] == [(3, kind)]


def test_calipers_are_kept_one_by_one_and_the_last_can_go(started: Path) -> None:
    app = opened()
    for number, value in ((1, 71.2), (2, 68.5)):
        (box,) = (item for item in app.number_input if item.label == f"Fruit {number}, mm")
        box.set_value(value)
        app = press(app, "Save this fruit")
    assert "2 fruit: 71.2 mm, 68.5 mm" in text(app)
    app = press(app, "Take out the last one")
    with open_farm(started) as store:
        assert [one.diameter_mm for one in store.caliper_readings()] == [71.2]


def test_two_scouts_who_caliper_one_tree_lose_no_reading_unseen(started: Path) -> None:
    def typed(app: AppTest, number: int, value: float) -> None:
        (box,) = (item for item in app.number_input if item.label == f"Fruit {number}, mm")
        box.set_value(value)
        press(app, "Save this fruit")

    def kept() -> list[float]:
        with open_farm(started) as store:
            return [one.diameter_mm for one in store.caliper_readings()]

    ana = opened(who="Ana")
    typed(ana, 1, 71.2)
    ben = opened(who="Ben")
    typed(ana, 2, 68.5)
    # Ben sees one fruit, and would take out the one that Ana read meanwhile.
    press(ben, "Take out the last one")
    assert "Ana changed the caliper readings of Gala North" in text(ben)
    assert kept() == [71.2, 68.5]
    press(ben, "Keep what is there")
    assert "2 fruit: 71.2 mm, 68.5 mm" in text(ben)
    # Nor does what he saves stand on what he never saw.
    typed(ana, 3, 70.0)
    typed(ben, 3, 66.6)
    assert "Ana changed the caliper readings of Gala North" in text(ben)
    assert kept() == [71.2, 68.5, 70.0]


def test_a_count_that_another_scout_corrected_is_not_taken_out_unseen(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    with open_farm(started) as store:
        tree = walk_of(store).plan.places[number - 1].tree
        count = HandCount(tree=tree, fruit_count=120, counted_on=today())
        save_hand_count(count, None, store, who="Ana")
    ben = opened(**address_of(started, number), who="Ben")
    with open_farm(started) as store:
        save_hand_count(replace(count, fruit_count=118), count, store, who="Ana")
    press(ben, "Take this count out")
    assert "Ana changed the hand count of Gala North" in text(ben)
    with open_farm(started) as store:
        assert [one.fruit_count for one in store.hand_counts()] == [118]


@pytest.mark.usefixtures("started")
def test_calipers_in_inches_are_kept_in_millimetres(started: Path) -> None:
    app = opened(units="us")
    (box,) = (item for item in app.number_input if item.label == "Fruit 1, in")
    box.set_value(2.79)
    app = press(app, "Save this fruit")
    assert not app.exception
    with open_farm(started) as store:
        (kept,) = store.caliper_readings()
    assert kept.diameter_mm == pytest.approx(70.866)


@pytest.mark.usefixtures("started")
def test_a_diameter_that_no_fruit_has_is_refused() -> None:
    app = opened()
    # 2.7 is of inches, which a scout who reads millimetres is not told to move to a column.
    for typed in (700.0, 2.7):
        (box,) = (item for item in app.number_input if item.label == "Fruit 1, mm")
        box.set_value(typed)
        app = press(app, "Save this fruit")
        assert not app.exception
        assert f"No fruit is {typed} mm across. Type it again, in mm." in text(app)
        assert "column" not in text(app)
        assert "diameter_mm" not in text(app)


# ---------------------------------------------------------------- the end


def finished(folder: Path, fruit: int = 20) -> None:
    with open_farm(folder) as store:
        walk = walk_of(store)
        counts = [
            replace(records.hand_count(1, 3 * fruit, on=today()), tree=place.tree)
            for place in walk.plan.places
            if place.count_by_hand
        ]
        store.save_hand_counts(counts)
    for number in range(1, len(walk.plan.places) + 1):
        photographed(folder, number, (fruit + number, fruit - number))


def test_the_end_says_what_is_still_wanted_and_the_walk_goes_on(started: Path) -> None:
    finished(started)
    app = opened()
    assert "Every stop is done" in text(app)
    assert "is known to about ±" in text(app)
    (button,) = (item for item in app.button if item.label.startswith(("Walk to", "Choose")))
    many = int(next(word for word in button.label.split() if word.isdigit()))
    app = press(app, button.label)
    assert not app.exception
    with open_farm(started) as store:
        stops = stops_of_walk(store, walk_of(store))
    assert sum(not stop.done for stop in stops) == many
    assert "Every stop is done" not in text(app)


def test_of_a_first_tree_nothing_is_told_but_the_stops_that_are_left(started: Path) -> None:
    number = 2 if counted_stop(started) == 1 else 1
    photographed(started, number, (33, 44))
    app = opened(**address_of(started, number))
    (ask,) = (item for item in app.toggle if item.label == "Is it enough already?")
    app = ask.set_value(True).run()
    assert not app.exception
    shown = text(app)
    assert "Too early to tell" in shown
    assert "Do the 3 stops that are left first" in shown
    assert "±" not in shown


def test_two_photos_of_a_face_that_do_not_fit_are_told_on_the_walk(started: Path) -> None:
    number = 2 if counted_stop(started) == 1 else 1
    photographed(started, number, (5, 6), doubts=[Doubt.VIEWS_NOT_JOINED])
    app = opened(**address_of(started, number))
    assert "Not measured together with the other photo of this side" in text(app)


def test_a_photo_of_an_earlier_day_says_where_it_belongs(started: Path) -> None:
    content = BytesIO()
    dated = Image.Exif()
    dated.get_ifd(0x8769)[0x9003] = "2025:08:12 09:00:00"
    Image.new("RGB", (64, 48), (90, 90, 90)).save(content, "JPEG", exif=dated)
    app = choose(opened(), FACE_A, ("old.jpg", content.getvalue()))
    assert not app.exception
    assert "old.jpg says it was taken on 12 Aug 2025" in text(app)
    assert "bring it on the Photos page" in text(app)
    (tick,) = (item for item in app.checkbox if "12 Aug 2025" in item.label)
    app = choose(tick.check().run(), FACE_A, ("old.jpg", content.getvalue()))
    with open_farm(started) as store:
        assert [one.walked_on for one in store.tree_photos()] == [today()]
    assert any("12 Aug 2025" in item.label and item.value for item in app.checkbox)


def test_the_end_names_photos_that_need_another_try(started: Path) -> None:
    finished(started)
    photographed(started, 2, (5,), doubts=[Doubt.BLURRED])
    second = address_of(started, 2)
    shown = text(opened())
    assert f"Row {second['row']}, tree {second['tree']} A" in shown
    assert "Hold still" in shown


def test_a_missing_tree_does_not_hold_up_the_end(started: Path) -> None:
    with open_farm(started) as store:
        for place in walk_of(store).plan.places:
            say_found(store, place.tree, TreeKind.MISSING, on=today())
    shown = text(opened())
    assert "Every stop is done" in shown
    assert "Not yet" in shown


@pytest.mark.parametrize(
    ("language", "words"),
    [("es", "Hilera {row}<br>Árbol {tree}"), ("fr", "Rang {row}<br>Arbre {tree}")],
)
def test_the_next_tree_in_other_languages(started: Path, language: str, words: str) -> None:
    app = opened(lang=language)
    assert words.format(**address_of(started, 1)) in text(app)


def test_two_scouts_who_count_one_tree_are_asked_which_count_stays(started: Path) -> None:
    number = counted_stop(started)
    photographed(started, number, (33, 44))
    ana, ben = (opened(**address_of(started, number), who=who) for who in ("Ana", "Ben"))
    for app, count in ((ana, 120), (ben, 118)):
        (box,) = (item for item in app.number_input if item.label == "Fruit on the whole tree")
        box.set_value(count)
        press(app, "Save my count")
    assert "Ana changed the hand count of Gala North" in text(ben)
    asked = next(item.value for item in ben.table if "You typed" in item.value)
    assert (asked["There now"].tolist(), asked["You typed"].tolist()) == (["120"], ["118"])
    press(ben, "Keep what I typed")
    with open_farm(started) as store:
        assert [one.fruit_count for one in store.hand_counts()] == [118]
        assert [one.who for one in store.changes()] == ["Ben", "Ana"]


@pytest.mark.parametrize("done", [False, True])
def test_a_walk_under_way_shows_no_untranslated_text(
    started: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, done: bool
) -> None:
    photographed(started, counted_stop(started), (5, 6))
    with open_farm(started) as store:
        say_found(store, walk_of(store).plan.places[3].tree, TreeKind.REPLANT, on=today())
    if done:
        finished(started)
    pseudo.speak(monkeypatch, tmp_path / "texts")
    for number in (1, counted_stop(started), 4):
        app = opened(lang=pseudo.CODE, **address_of(started, number))
        assert untranslated(app, started) == {}
    app = opened(lang=pseudo.CODE)
    app = app.toggle[0].set_value(True).run() if app.toggle else app
    assert untranslated(app, started) == {}
