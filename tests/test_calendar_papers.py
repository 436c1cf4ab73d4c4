"""The harvest calendar on phones and on paper: read by other means than it was written."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import ceil
from pathlib import Path
from threading import Barrier

import pandas as pd
import pytest
from filelock import FileLock
from pypdf import PdfReader

from fruitvision.archive.make import NOT_ARCHIVED
from fruitvision.domain import Pick, PickPlan
from fruitvision.errors import SettingsError
from fruitvision.export import write_harvest_csv
from fruitvision.export.calendar_ics import harvest_ics, passes_gone, sequence_at
from fruitvision.export.calendar_pdf import write_harvest_pdf
from fruitvision.harvest import HarvestCalendar, harvest_calendar
from fruitvision.pipeline import calendar_number
from fruitvision.pipeline.calendar_number import LOCK_NAME, NUMBER_NAME, next_sequence
from fruitvision.report import harvest_lines
from fruitvision.store import open_farm
from tests.forecast_records import block_estimate, block_inputs, sizes
from tests.test_bad_input import run
from tests.test_harvest import SETTINGS, kept, three_passes
from tests.walked_farm import add_good_block

NOW = datetime(2026, 8, 20, 9, 30, tzinfo=UTC)
Event = dict[str, str]


def events_of(content: bytes) -> list[Event]:
    """Events by RFC 5545, read by hand: lines unfolded (3.1), names without parameters, text freed
    of its backslashes (3.3.11)."""
    assert max(map(len, content.split(b"\r\n"))) <= 75
    lines = re.sub(rb"\r\n[ \t]", b"", content).decode().split("\r\n")
    found: list[Event] = []
    for line in lines:
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            found.append({})
        elif found and name not in ("END", ""):
            text = re.sub(r"\\([\\;,])", r"\1", value.replace("\\n", "\n"))
            found[-1][name.partition(";")[0]] = text
    return found


def day(text: str) -> date:
    return datetime.strptime(text, "%Y%m%d").replace(tzinfo=UTC).date()


@pytest.fixture(scope="module")
def calendar() -> HarvestCalendar:
    spread = three_passes("Fuji, the long one; am Süßen Bach", date_error_days=2.0)
    return harvest_calendar(kept([three_passes(), spread]), SETTINGS)


def test_events_of_all_passes_add_up_to_the_forecast(calendar: HarvestCalendar) -> None:
    events = events_of(harvest_ics(calendar, written_at=NOW, gone={}))
    assert len(events) == 6
    assert calendar.total is not None
    bins = sum(float(one["X-FRUITVISION-BINS-MEAN"]) for one in events)
    pickers = sum(float(one["X-FRUITVISION-PICKER-DAYS-MEAN"]) for one in events)
    assert bins == pytest.approx(calendar.total.mean_bins, abs=6 * 0.005)
    assert pickers == pytest.approx(calendar.total.mean_picker_days, abs=6 * 0.005)
    assert bins > 50


def test_an_event_is_all_day_and_tells_its_days(calendar: HarvestCalendar) -> None:
    events = events_of(harvest_ics(calendar, written_at=NOW, gone={}))
    by_pass = {(one.block_id, one.number): one for one in calendar.passes}
    for event in events:
        number = re.search(r"Pick (.*), pass (\d) of 3: ", event["SUMMARY"])
        assert number is not None
        one = by_pass[(number[1], int(number[2]))]
        assert (day(event["DTSTART"]), day(event["DTEND"])) == (
            one.first_day,
            one.last_day + timedelta(days=1),
        )
        assert event["TRANSP"] == "TRANSPARENT"
        assert "not an offer" in event["DESCRIPTION"]
    spread = next(one for one in events if "Süßen Bach, pass 1" in one["SUMMARY"])
    days = [one for one in calendar.parts if one.block_id.startswith("Fuji") and one.number == 1]
    assert len(days) > 2
    for part in days:
        assert f"{part.day:%a} {part.day.day} {part.day:%b}: " in spread["DESCRIPTION"]


def test_a_new_version_takes_the_place_of_the_old_one() -> None:
    old = kept([three_passes()])
    later = three_passes()
    picks = tuple(
        replace(one, pick_date=one.pick_date + timedelta(days=4)) for one in later.plan.picks
    )
    new = kept([replace(later, plan=replace(later.plan, picks=picks))])
    one, other = (
        events_of(harvest_ics(harvest_calendar(made, SETTINGS), written_at=at, gone={}))
        for made, at in ((old, NOW), (new, NOW + timedelta(hours=2)))
    )
    assert [event["UID"] for event in one] == [event["UID"] for event in other]
    assert len({event["UID"] for event in one}) == 3
    for before, after in zip(one, other, strict=True):
        assert int(after["SEQUENCE"]) > int(before["SEQUENCE"])
        assert after["DTSTAMP"] > before["DTSTAMP"]
        assert day(after["DTSTART"]) == day(before["DTSTART"]) + timedelta(days=4)
    # Another farm's block of the same name is another event.
    elsewhere = harvest_calendar(replace(old, farm="Elsewhere"), SETTINGS)
    third = events_of(harvest_ics(elsewhere, written_at=NOW, gone={}))
    assert not {event["UID"] for event in one} & {event["UID"] for event in third}


def test_the_last_file_counts_also_when_the_clock_was_set_back(
    calendar: HarvestCalendar, tmp_path: Path
) -> None:
    moments = [NOW, NOW + timedelta(days=700), NOW, NOW - timedelta(days=9_000), NOW]
    found = []
    for at in moments:
        sequence = next_sequence(tmp_path, at)
        events = events_of(harvest_ics(calendar, written_at=at, sequence=sequence, gone={}))
        found.append({int(one["SEQUENCE"]) for one in events})
        assert found[-1] == {sequence}
    numbers = [number for (number,) in map(tuple, found)]
    assert numbers == sorted(set(numbers))
    assert numbers[0] == sequence_at(NOW) == 3_489_690  # minutes of 2,423 days and 9.5 hours
    # Two files of one minute are two files.
    assert next_sequence(tmp_path, NOW) == numbers[-1] + 1


def test_a_number_that_is_none_or_cannot_be_kept_stops_no_calendar(tmp_path: Path) -> None:
    for text in ("", "soon", "-5", "9" * 4000, "²"):
        (tmp_path / NUMBER_NAME).write_text(text, encoding="utf-8")
        assert next_sequence(tmp_path, NOW) == sequence_at(NOW)
    nowhere = tmp_path / NUMBER_NAME / "farm"
    assert next_sequence(nowhere, NOW) == sequence_at(NOW)


def test_files_that_are_written_in_one_moment_have_numbers_of_their_own(tmp_path: Path) -> None:
    begin = Barrier(6)

    def numbers(_: int) -> list[int]:
        begin.wait()
        return [next_sequence(tmp_path, NOW) for _ in range(4)]

    with ThreadPoolExecutor(6) as pool:
        found = sorted(one for ones in pool.map(numbers, range(6)) for one in ones)
    assert found == [sequence_at(NOW) + n for n in range(24)]


def test_a_lock_that_is_held_or_cannot_be_had_stops_no_calendar(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calendar_number, "LOCK_WAIT_S", 0.02)
    with FileLock(tmp_path / LOCK_NAME):
        assert next_sequence(tmp_path, NOW) == sequence_at(NOW)
    assert LOCK_NAME in NOT_ARCHIVED

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(calendar_number.FileLock, "acquire", refused)
    monkeypatch.setattr(calendar_number, "write_whole", refused)
    for _ in range(2):
        assert next_sequence(tmp_path, NOW) == sequence_at(NOW) + 1


def test_a_pass_that_is_planned_no_longer_is_cancelled() -> None:
    old = kept([three_passes()])
    estimate = block_estimate("Gala North", with_sizes=sizes())
    new = kept([block_inputs(estimate, shares=(0.6, 0.4))])
    calendar = harvest_calendar(new, SETTINGS)
    gone = passes_gone(calendar, new, [old, new])
    events = events_of(harvest_ics(calendar, written_at=NOW, gone=gone))
    before = events_of(harvest_ics(harvest_calendar(old, SETTINGS), written_at=NOW, gone={}))
    assert [one["STATUS"] for one in events] == ["CONFIRMED", "CONFIRMED", "CANCELLED"]
    assert {one["UID"] for one in events} == {one["UID"] for one in before}
    # A season further on is another one.
    picks = tuple(
        replace(one, pick_date=one.pick_date + timedelta(days=365))
        for one in new.inputs[0].plan.picks
    )
    next_year = kept([replace(new.inputs[0], plan=replace(new.inputs[0].plan, picks=picks))])
    assert passes_gone(harvest_calendar(next_year, SETTINGS), next_year, [old, new]) == {}
    # A finished pass is in the plan, and not in the calendar of the rest.
    rest = replace(calendar, passes=calendar.passes[1:], picked_bins=12.0)
    assert passes_gone(rest, new, []) == {}


def test_a_pass_that_the_office_took_out_is_cancelled() -> None:
    made = kept([three_passes(), three_passes("Fuji")])
    two = PickPlan(
        picks=tuple(replace(one, share=0.5) for one in made.inputs[0].plan.picks[:2]),
        doubling_g=made.inputs[0].plan.doubling_g,
    )
    calendar = harvest_calendar(made, SETTINGS, plans={"Gala North": two})
    gone = passes_gone(calendar, made, [])
    assert [(name.block_id, name.number) for name in gone] == [("Gala North", 3)]


def text_of(path: Path) -> str:
    pages = PdfReader(path).pages
    assert len(pages) == 1
    return pages[0].extract_text()


def test_the_page_tells_days_totals_and_what_is_short(
    calendar: HarvestCalendar, tmp_path: Path
) -> None:
    tight = harvest_calendar(
        kept([three_passes(), three_passes("Fuji")]), replace(SETTINGS, crew=2, bins_on_hand=30)
    )
    for paper in ("A4", "Letter"):
        write_harvest_pdf(
            tight, tmp_path / "h.pdf", written_on=NOW.date(), version="Forecast 1", paper=paper
        )
        text = text_of(tmp_path / "h.pdf")
        assert tight.total is not None
        low, mid, high = tight.total.bins.p10, tight.total.bins.p50, tight.total.bins.p90
        assert f"{mid:,.0f} ({low:,.0f}–{high:,.0f})" in text
        for one in tight.days:
            assert f"{one.day:%a} {one.day.day} {one.day:%b}" in text
            assert one.pickers_short > 0
            assert re.search(rf"^{one.day:%a} {one.day.day} {one.day:%b}$", text, re.MULTILINE)
            assert re.search(rf"^{one.pickers_short}$", text, re.MULTILINE)
        assert "Gala North 1/3, Fuji 1/3" in text
        assert "Forecast, not an offer." in text
    rest = replace(tight, picked_bins=12.0, moved=("Fuji",), unknown=("Mill",))
    write_harvest_pdf(rest, tmp_path / "h.pdf", written_on=NOW.date(), version="Forecast 1")
    text = text_of(tmp_path / "h.pdf")
    assert "12.0 bins are picked, by tickets; this is the rest." in text
    assert "By other passes than the forecast's: Fuji." in text
    assert "Bins not known, so not in it: Mill." in text
    with pytest.raises(SettingsError, match="Unknown paper"):
        write_harvest_pdf(
            calendar, tmp_path / "h.pdf", written_on=NOW.date(), version="", paper="A9"
        )


def test_many_days_are_a_page_of_weeks_whose_means_add_up(tmp_path: Path) -> None:
    wide = [three_passes(f"Block {n}", date_error_days=9.0 + n) for n in range(9)]
    many = harvest_calendar(kept(wide), SETTINGS)
    # So many days that a line each would be too small to read.
    assert len(many.days) >= 46
    write_harvest_pdf(many, tmp_path / "h.pdf", written_on=NOW.date(), version="Forecast 1")
    text = text_of(tmp_path / "h.pdf")
    means = [int(one.replace(",", "")) for one in re.findall(r"mean ([\d,]+)\n", text)]
    assert many.total is not None
    # Of each week its bins, then its picker-days.
    assert sum(means[::2]) == pytest.approx(many.total.mean_bins, abs=0.5 * len(means))
    assert "2026-W" in text


def test_the_command_writes_both(tmp_path: Path) -> None:
    farm = tmp_path / "farm"
    with open_farm(farm, name="Larkhill") as store:
        add_good_block(store, "Hill")
        passes = (date(2026, 9, 3), 0.6), (date(2026, 9, 10), 0.4)
        picks = tuple(Pick(pick_date=when, share=share) for when, share in passes)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    (tmp_path / "s.toml").write_text("draws = 400\n")
    run("forecast", "--farm", str(farm), "--settings", str(tmp_path / "s.toml"))
    run("freeze", "--farm", str(farm), "--by", "Ines")
    with open_farm(farm) as store:
        store.save_pick_plan("Hill", PickPlan(picks=(Pick(pick_date=date(2026, 9, 4)),)))
    run("forecast", "--farm", str(farm))
    run("freeze", "--farm", str(farm), "--by", "Ines")
    files = tmp_path / "h.ics", tmp_path / "h.pdf"
    status, text = run(
        "harvest", "--farm", str(farm), "--ics", str(files[0]), "--pdf", str(files[1])
    )
    assert status == 0, text
    events = events_of(files[0].read_bytes())
    assert [(one["DTSTART"], one["STATUS"]) for one in events] == [
        ("20260904", "CONFIRMED"),
        ("20260910", "CANCELLED"),
    ]
    assert "frozen by Ines" in text_of(files[1])


def test_a_forecast_that_nobody_froze_makes_tentative_events(calendar: HarvestCalendar) -> None:
    for is_frozen, status in ((True, "CONFIRMED"), (False, "TENTATIVE")):
        content = harvest_ics(calendar, written_at=NOW, gone={}, is_frozen=is_frozen)
        events = events_of(content)
        assert {one["STATUS"] for one in events} == {status}
        assert all(("not frozen" in one["DESCRIPTION"]) is not is_frozen for one in events)


def test_bins_and_pickers_to_plan_with_are_the_same_whole_ones_in_every_file(
    calendar: HarvestCalendar, tmp_path: Path
) -> None:
    write_harvest_csv(calendar, tmp_path / "h.csv")
    table = pd.read_csv(tmp_path / "h.csv")
    for column in ("bins_to_order", "pickers_planned", "pickers_overtime"):
        planned = table[column][table["level"] != "farm"]
        assert (planned % 1 == 0).all()
        assert table[column][table["level"] == "farm"].isna().all()
    need = calendar.days[0].need
    assert need.bins_to_order % 1 > 0
    days = table[table["level"] == "day"]
    assert days["bins_to_order"].iloc[0] == ceil(need.bins_to_order)
    assert days["pickers_planned"].iloc[0] == ceil(need.pickers_planned)
    need = calendar.passes[0].need
    told = events_of(harvest_ics(calendar, written_at=NOW, gone={}))[0]["DESCRIPTION"]
    assert f"place {ceil(need.bins_to_order)}." in told
    assert f"plan {ceil(need.pickers_planned)}." in told


def test_no_number_of_the_whole_harvest_looks_like_bins_to_order_or_a_crew(
    calendar: HarvestCalendar, tmp_path: Path
) -> None:
    assert calendar.total is not None
    (whole,) = (line for line in harvest_lines(calendar) if line.startswith("Whole harvest: "))
    assert "picker-days" in whole
    write_harvest_pdf(calendar, tmp_path / "h.pdf", written_on=NOW.date(), version="Forecast 1")
    page = text_of(tmp_path / "h.pdf").splitlines()
    after = page[page.index("All") + 1 :][:4]
    assert after[0].endswith(" bins; picker-days")
    # Bins, then picker-days; no number to order between them, and no crew.
    assert [one.endswith(")") for one in after[1:]] == [True, True, False]
    assert not after[3].strip().isdecimal()


def test_names_that_a_page_can_not_print_are_told(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "苹果园 北")
    farm = str(tmp_path / "farm")
    run("forecast", "--farm", farm, "--sizes", "classes_5mm")
    out = tmp_path / "out"
    status, told = run("harvest", "--farm", farm, "--pdf", str(out / "h.pdf"))
    assert status == 1
    assert "lack letters (?): 苹果园 北." in " ".join(told.split())
    assert run("harvest", "--farm", farm, "--ics", str(out / "h.ics"))[0] == 0
    status, told = run("sheet", "--farm", farm, "--out", str(out))
    assert (status, "lack letters" in told) == (0, False)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (("--pdf", "x.ics"), "--pdf is to be"),
        (("--ics", "x.csv"), "--ics is to be"),
        (("--out", "x.pdf", "--pdf", "x.pdf"), "--out writes a CSV table"),
        (("--out", "farm/x.csv"), "is in the farm's own folder"),
    ],
)
def test_files_that_would_write_over_one_another_are_refused(
    tmp_path: Path, asked: tuple[str, ...], words: str
) -> None:
    open_farm(tmp_path / "farm").close()
    paths = [one if one.startswith("--") else str(tmp_path / one) for one in asked]
    status, told = run("harvest", "--farm", str(tmp_path / "farm"), *paths)
    assert status == 2
    assert words in " ".join(told.split())
