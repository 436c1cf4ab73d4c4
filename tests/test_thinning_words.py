"""The thinning check as the command line prints it: every verdict in words, no number invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fruitvision.domain import BlockEstimate
from fruitvision.report.thinning import bud_lines, ranked_lines, thinning_lines, verdict_words
from fruitvision.report.words import many
from fruitvision.settings import Settings
from fruitvision.thinning import RankedThinning, ThinningCheck, Verdict, check_thinning
from tests.test_thinning import bearing

SETTINGS = Settings()


def printed(block: BlockEstimate, *, pick_mm: float | None = None) -> dict[str, str]:
    """What is printed of a block, by the words before it."""
    lines = thinning_lines(check_thinning(block, SETTINGS, pick_mm=pick_mm))
    assert lines[0] == f"{block.block.block_id} ({block.block.variety})"
    return {line[:26].strip(): line[26:] for line in lines[1:]}


def test_what_to_take_off_is_told_with_hours_day_and_size() -> None:
    full = bearing(95, 100, 105, target=70, trunk_cm2=10, days_after_bloom=35)
    told = printed(replace(full, block=replace(full.block, area_ha=0.40469)), pick_mm=70.0)
    assert told == {
        "fruit per tree": "100.0 (95.0–105.0) for 70",
        "per cm² of trunk": "10.0 (9.5–10.5), target 7.0, guide 6",
        "to do": "take off about 25 to 35 fruit per tree, 25,000 to 35,000 in all",
        "hand work": "about 24 hours (12–36), roughly",
        "when": "35 days after full bloom: in time for size",
        # 7/6 of the mass, between 13/12 and 15/12: test_thinning works them out.
        "size at the target": told["size at the target"],
    }
    assert told["size at the target"].startswith("fruit heavier by 17 % (8–")
    assert told["size at the target"].endswith(" mm for 70.0 (rough: published for one variety)")


def test_what_is_not_known_is_said_with_what_to_give() -> None:
    told = printed(bearing(125, 130, 135))
    assert told["hand work"] == "not known: the block has no area and no spacing"
    assert told["when"].startswith("not known: give full_bloom_on.")
    assert told["size at the target"] == (
        "not known: measure 10 to 20 trunks and give trunk_area_cm2"
    )
    other_year = printed(bearing(125, 130, 135, days_after_bloom=251))
    assert other_year["when"] == "not known: full_bloom_on is of another year than the walk"
    # So late nothing is told of size, and the work has another use.
    late = printed(bearing(125, 130, 135, days_after_bloom=51))
    assert set(late) == {"fruit per tree", "to do"}
    assert late["to do"] == (
        "too late to thin for size. The crop is about 25 to 35 fruit per tree above its target. "
        "Still useful for pack-out: small and marked fruit off, clusters singled out"
    )


def test_a_load_without_a_target_and_one_by_the_trunk_say_so() -> None:
    told = printed(bearing(80, 85, 90, target=None))
    assert told["fruit per tree"] == "85.0 (80.0–90.0), no target"
    assert told["to do"].startswith("set a target, or measure trunks")
    guide = printed(bearing(80, 85, 90, target=None, trunk_cm2=11.401))
    assert guide["fruit per tree"] == "85.0 (80.0–90.0) for 68 by the trunk guide"


@pytest.mark.parametrize(
    ("trunk_cm2", "words"), [(10, "at risk of being weak"), (None, "measure 10 to 20 trunks")]
)
def test_next_years_bloom_is_told_of_varieties_that_alternate(
    trunk_cm2: float | None, words: str
) -> None:
    assert (
        words
        in printed(bearing(45, 50, 55, trunk_cm2=trunk_cm2, variety="Fuji"))["bloom next year"]
    )


def test_more_counting_is_asked_for_in_trees_or_panels_counts_and_minutes() -> None:
    found = check_thinning(bearing(90, 110, 130), SETTINGS)
    assert found.verdict is Verdict.COUNT_MORE
    assert found.more is not None
    words = verdict_words(found)
    assert words.startswith("the range straddles the target: count ")
    assert f"{found.more.trees} more tree" in words
    assert f"{found.more.minutes:.0f} minutes, before you decide" in words
    by_hand = replace(found, more=replace(found.more, trees=1, hand_counts=3), panels=True)
    assert "1 more panel by photo, 3 of them or of the earlier ones also by hand" in verdict_words(
        by_hand
    )


def test_visible_fruit_alone_tell_the_least() -> None:
    found = check_thinning(bearing(125, 130, 135), SETTINGS)
    assert verdict_words(replace(found, visible_only=True)) == (
        "take off at least 25 fruit per tree: hidden fruit come on top"
    )


def test_one_is_no_plural() -> None:
    assert [many(number, "bin") for number in (0, 1, 1.0, 2.5, 1200, 12345.5)] == [
        *("0 bins", "1 bin", "1 bin", "2.5 bins", "1,200 bins", "12,345.5 bins")
    ]
    assert [many(number, "copy", "copies") for number in (1, 2)] == ["1 copy", "2 copies"]


def test_blocks_are_ranked_with_money_only_where_it_is_known() -> None:
    check: ThinningCheck = check_thinning(bearing(125, 130, 135), SETTINGS)
    assert ranked_lines([], "EUR") == []
    alone = ranked_lines([RankedThinning(check=check, fruit=30_000, worth=None)], "EUR")
    assert alone == [
        "First to last, by surplus fruit:",
        f"  {check.block_id}: 30,000 fruit too many",
    ]
    first, line, caution = ranked_lines(
        [RankedThinning(check=check, fruit=30_000, worth=3000.0)], "EUR"
    )
    assert first.endswith("surplus fruit and what a fruit is worth:")
    assert line.endswith("30,000 fruit too many, which hang for 3,000 EUR")
    assert "not what thinning gains or costs" in caution


def test_buds_are_told_for_a_target_and_a_share() -> None:
    found = check_thinning(bearing(125, 130, 135), SETTINGS)
    assert bud_lines(found, None) == []
    assert bud_lines(replace(found, target=None), 0.5) == []
    (line,) = bud_lines(found, 0.5)
    assert "of which 50% bear, for 100 fruit" in line
