"""Settings are refused when they can't be meant."""

from pathlib import Path

import pytest

from fruitvision.errors import SettingsError
from fruitvision.settings import (
    Settings,
    all_settings_to_text,
    read_settings,
    settings_from_text,
    settings_to_text,
)


def test_a_short_ruler_shrinks_the_marker() -> None:
    assert Settings(ruler_measured_mm=145.5).printed_side_mm == pytest.approx(150 * 0.97)


def test_settings_survive_their_own_text() -> None:
    settings = Settings(cull_share=0.18, draws=500)
    assert settings_to_text(settings) == "cull_share = 0.18\ndraws = 500\n"
    assert settings_from_text(settings_to_text(settings)) == settings
    assert settings_from_text("") == Settings()


def test_only_measuring_settings_ask_for_a_new_measurement() -> None:
    usual = Settings()
    assert Settings(cull_share=0.1).measuring_sha256 == usual.measuring_sha256
    assert Settings(cull_share=0.1).sha256 != usual.sha256
    assert Settings(ruler_measured_mm=149).measuring_sha256 != usual.measuring_sha256


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("marker_side = 100", "Did you mean 'marker_side_mm'"),
        ("cull_share = 'many'", "Give a number"),
        ("draws = 99.5", "whole number"),
        ("draws = true", "whole number"),
        ("cull_share = 1.0", "from 0 to below 1"),
        ("bin_kg = -3", "0 or more"),
        ("bin_kg = 0", "above 0"),
        ("bins_per_picker_day = 0", "above 0"),
        ("crew = 7.5", "whole number"),
        ("bins_on_hand = -1", "0 or more"),
        ("bin_kg = nan", "0 or more"),
        ("draws = 10", "100 or more"),
        ("bin_kg = ", "no TOML"),
    ],
)
def test_what_cannot_be_meant_is_refused(text: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        settings_from_text(text)


@pytest.mark.parametrize("centimetres_or_inches", [14.7, 5.9, 201.0])
def test_a_ruler_that_was_not_measured_in_mm_is_refused(
    tmp_path: Path, centimetres_or_inches: float
) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(f"ruler_measured_mm = {centimetres_or_inches}\n")
    with pytest.raises(SettingsError, match="ruler can't be"):
        read_settings(path)
    path.write_text("ruler_measured_mm = 147.5\n")
    assert read_settings(path).ruler_measured_mm == 147.5


def test_a_settings_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(
        SettingsError, match=r"Can't read the settings file .*none\.toml: No such file"
    ):
        read_settings(tmp_path / "none.toml")


def test_settings_of_the_crew_are_no_part_of_a_forecast() -> None:
    crew = Settings(bins_per_picker_day=4.5, picker_pace_error=0.2, crew=30, bins_on_hand=400)
    assert crew.sha256 == Settings().sha256
    assert all_settings_to_text(crew) == all_settings_to_text(Settings())
    assert settings_from_text(settings_to_text(crew)) == crew
