"""Every knob of the main job: meaning, unit, source. Read from TOML; unknown keys are refused."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.unit_system import UnitSystem, units_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Numbers that a farm may set. All have a default with its source beside it."""

    # Printed side of the square marker, mm. Our choice: fits A4 and Letter, 87 px at 2.3 m.
    marker_side_mm: float = 150.0
    # Measured length of the printed 150 mm ruler, mm; a sheet printed "fit to page" reads less.
    ruler_measured_mm: float = 150.0
    # Diameter of balls that hang among the fruit and are found by their colour, mm; 0: none hang.
    ball_diameter_mm: float = 0.0
    # Their colour: one of `BALL_COLOUR_NAMES`.
    ball_colour: str = "white"
    # Scale given by hand, mm per px; 0 takes it from the marker.
    mm_per_px: float = 0.0
    # Standard deviation of the fruit's depth around the marker, mm. In simulated canopies the fruit
    # that are seen scatter by 100 mm (a flat wall) to 180 mm (a leafy spindle).
    canopy_depth_sd_mm: float = 140.0
    # Error of the marker's depth against the mean depth of the visible fruit, mm. Our choice.
    marker_depth_error_mm: float = 80.0
    # Error of the mean outlined diameter that all photos of a walk share, relative: a detector
    # may draw all outlines too tight or too wide. Our choice, above what was found on rendered
    # blocks (-1.5 to +1.4 %, DEVELOPERS.md, Measured): real fruit are lumpier.
    outline_bias_error: float = 0.04
    # Height of the marker's centre above the ground, mm, where it hangs at the same height at every
    # tree, say from one wire; 0: not known, and fruit are not compared by height.
    marker_height_mm: float = 0.0
    # Height of the trees, mm; 0 takes the highest fruit of like blocks.
    tree_height_mm: float = 0.0
    # Smallest visible share of a fruit that is sized. Common practice is 0.7 to 0.8 for a phone;
    # here the error of each fitted outline decides as well (`fruit/measure.py`), so that half a
    # fruit with a clear rim is sized too.
    smallest_sized_share: float = 0.5

    # Mass from diameter, mass_g = factor * diameter_mm ** 3. 3.8e-4 is the middle of the printed
    # count tables (Washington pack-size sheet 2010; Ontario, bin requirements), counts 72-125.
    mass_factor_g_per_mm3: float = 3.8e-4
    # Relative error of that factor, shared by all fruit. The printed rows 72-125 differ by 4 %.
    mass_factor_error: float = 0.04
    # Spread of mass among fruit of one diameter (coefficient of variation). New Zealand paper to
    # the UNECE apple standard 2003: 22-29 % is two standard deviations.
    mass_scatter: float = 0.12

    # Growth of the cubed diameter, mm³ per day, where a block has no two measurements of its own.
    # Fuji, Cadriano 2022, date means cubed are linear in time (Zenodo 10.5281/zenodo.10687503).
    growth_mm3_per_day: float = 4450.0
    # Relative error of that rate for another block, variety or season. Our choice.
    growth_error: float = 0.25
    # Error of a projection in D³ beyond that of its rate, mm per day ahead. From the replay of six
    # windows on the same data: root mean square bias 1.5 mm at 61 days.
    projection_error_mm_per_day: float = 0.025
    # What-ifs: factor on the growth rate in dry and in wet weather up to the pick. Our choice: size
    # rises with water up to the crop's need, then no more (Agriculture Victoria), so that wet helps
    # less than dry harms.
    growth_dry_factor: float = 0.85
    growth_wet_factor: float = 1.05

    # Standard error of an entered pick date, days; 0 takes the day as it stands. Our choice; a
    # first guess two months ahead is good to a week.
    pick_date_error_days: float = 0.0
    # In colour picks the odds of being picked double with so many grams more, g. From trials with
    # 'Royal Gala' over several harvests, Hawke's Bay (abstract).
    pick_doubling_g: float = 20.0

    # Share of the fruit lost between walk and pick, and its error. Common practice.
    drop_share: float = 0.04
    drop_share_error: float = 0.02
    # Share of the picked fruit that is not packed. Washington project PH-02-248 (2003): 15-25 %.
    cull_share: float = 0.20
    cull_share_error: float = 0.04
    # Mass of fruit in a full bin, kg: 20 boxes of 42 lb (Ontario, bin requirements).
    bin_kg: float = 381.0
    # Bins of that mass that a picker fills in a day, of fruit of count 100 (2,000 a bin).
    # Published: 2 to 3 on average, 6 to 7 good pickers, in clip-picked fruit (regional
    # employment-office report); here the upper end of the average. Take your own of last year.
    bins_per_picker_day: float = 3.0
    # Relative error of that pace, shared by all days of a harvest. Our choice, for a farm's own
    # pace of last year; the published averages alone range by 20 % about their middle.
    picker_pace_error: float = 0.10
    # Pickers and empty bins that there are on a day of harvest; 0: not set, and no day is marked.
    crew: int = 0
    bins_on_hand: int = 0
    # Up to which quantile the crew works overtime. Common practice: planned on the middle, overtime
    # to P80.
    overtime_quantile: float = 0.80
    # Working days before the pick on which empty bins are put into the lanes, and days that full
    # ones wait there until they are taken away. Our choice: the day before, gone the next day.
    bins_ahead_days: int = 1
    bins_waiting_days: int = 1
    # What part of the crop a pass takes errs by so much, relative. Our choice, for a plan by last
    # year's passes: of a pass planned to take 40 %, two of three take about 36 to 44 %. The larger
    # it is, the more a low first pass means late colour, and the less a low crop; where passes err
    # more than it says, what is still to come errs more than its range says.
    pass_share_error: float = 0.10
    # How full the bins of a pass are against `bin_kg`, relative. Our choice: a bin is filled by
    # eye, and all bins of a pass alike.
    bin_fill_error: float = 0.05
    # What it costs to pick a bin and to pack a carton, in the farm's currency; 0: not set, and no
    # pass is held against its costs.
    pick_cost_per_bin: float = 0.0
    pack_cost_per_carton: float = 0.0

    # Fruit that a tree may carry per cm² of its trunk's section: varieties that tend to bear every
    # other year, and others (UMass Extension, "Crop load guide for young apple trees", 2017). A
    # trade magazine gives for one variety 4 in the second and third leaf, 5 in the fourth, 6 in the
    # fifth.
    fruit_per_cm2_biennial: float = 4.0
    fruit_per_cm2_annual: float = 6.0
    # The varieties that tend to bear every other year, parted by commas. Common practice.
    biennial_varieties: str = "Fuji, Braeburn"
    # Hours that it takes to thin a hectare by hand: about 24 an acre in mature blocks, in one cost
    # study (Purdue, apple hand thinning).
    hand_thinning_h_per_ha: float = 59.3
    # Minutes of work of one person: two photos of a tree and the way to the next one, a hand count
    # (two people), ten calipered fruit of a tree, the way to a block and back. Our choice, after
    # common practice: take your own.
    photo_tree_min: float = 2.0
    hand_count_min: float = 12.0
    caliper_tree_min: float = 5.0
    way_to_block_min: float = 10.0

    # Which quantile of the forecast each use works with, a share from 0 to 1. Common practice:
    # sales promise what comes in nine years of ten, crews are planned on the middle, and bins, of
    # which a missing one stops a crew, on the high side.
    promise_quantile: float = 0.10
    labour_quantile: float = 0.50
    bins_quantile: float = 0.85

    # Size of the one simulation that carries every error, and its seed.
    draws: int = 4000
    seed: int = 20260901

    # Units that are shown where a user asks for no others: "metric" or "us". They change no number
    # of the package, so that they are no part of a forecast.
    units: str = UnitSystem.METRIC.value
    # Language of the pages for those who ask for no other, as a code of two letters (ISO 639-1);
    # empty: that of each browser.
    language: str = ""
    # What prices are in, as it is to be shown: "EUR", "$"; empty: amounts stand alone.
    currency: str = ""

    def __post_init__(self) -> None:
        units_of(self.units)
        if self.ball_colour not in BALL_COLOUR_NAMES:
            raise SettingsError(
                f"A ball can't be told from leaves, fruit and wood by the colour "
                f"'{self.ball_colour}'.",
                fix=f"Hang one that is {', '.join(BALL_COLOUR_NAMES[:-1])} or "
                f"{BALL_COLOUR_NAMES[-1]}, or point at the balls (references.csv).",
            )
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name not in _NO_AMOUNTS and not value >= 0:
                raise SettingsError(
                    f"Setting '{field.name}' is {value}.", fix="Give a number of 0 or more."
                )
        for name in _SHARES:
            if not getattr(self, name) < 1:
                raise SettingsError(
                    f"Setting '{name}' is {getattr(self, name)}.",
                    fix="It is a share: give a number from 0 to below 1.",
                )
        for name in _ABOVE_ZERO:
            if not getattr(self, name) > 0:
                raise SettingsError(f"Setting '{name}' is 0.", fix="Give a number above 0.")
        if self.draws < 100:
            raise SettingsError(f"Setting 'draws' is {self.draws}.", fix="Give 100 or more.")

    @property
    def printed_side_mm(self) -> float:
        """Side of the marker as printed: the nominal side, rescaled by the measured ruler."""
        return self.marker_side_mm * self.ruler_measured_mm / RULER_MM

    @property
    def sha256(self) -> str:
        """Short hash of all values that change a number, kept with every forecast."""
        return _hash(_counting(self))

    @property
    def measuring_sha256(self) -> str:
        """Short hash of the values that a photo's measurement depends on, kept with it."""
        balls = ("ball_diameter_mm", "ball_colour") if self.ball_diameter_mm > 0 else ()
        return _hash({name: getattr(self, name) for name in (*_MEASURING, *balls)})


# Colours by which a ball can be told from leaves, fruit and wood. Our choice.
BALL_COLOUR_NAMES = ("white", "blue", "orange", "yellow", "purple")
_QUANTILES = ("promise_quantile", "labour_quantile", "bins_quantile", "overtime_quantile")
_SHARES = ("smallest_sized_share", "drop_share", "cull_share", *_QUANTILES)
_ABOVE_ZERO = (
    "marker_side_mm",
    "ruler_measured_mm",
    "mass_factor_g_per_mm3",
    "growth_dry_factor",
    "growth_wet_factor",
    "pick_doubling_g",
    "bin_kg",
    "bins_per_picker_day",
    "fruit_per_cm2_biennial",
    "fruit_per_cm2_annual",
    "photo_tree_min",
    "hand_count_min",
    "caliper_tree_min",
    *_QUANTILES,
)

# Settings that change what is measured in a photo; another of these needs another measurement.
_MEASURING = (
    "marker_side_mm",
    "ruler_measured_mm",
    "mm_per_px",
    "canopy_depth_sd_mm",
    "smallest_sized_share",
)


# Settings that change what is shown, not what is worked out.
_SHOWING = ("units", "language", "currency")
# Settings of the work: they plan what follows from a forecast, and change no number of it.
_THINNING = (
    "fruit_per_cm2_biennial",
    "fruit_per_cm2_annual",
    "biennial_varieties",
    "hand_thinning_h_per_ha",
)
_MINUTES = ("photo_tree_min", "hand_count_min", "caliper_tree_min", "way_to_block_min")
_PLANNING = (
    "bins_per_picker_day",
    "picker_pace_error",
    "crew",
    "bins_on_hand",
    "overtime_quantile",
    "bins_ahead_days",
    "bins_waiting_days",
    "pass_share_error",
    "bin_fill_error",
    "pick_cost_per_bin",
    "pack_cost_per_carton",
    *_THINNING,
    *_MINUTES,
)
# Settings that need not be 0 or more.
_NO_AMOUNTS = ("seed", "ball_colour", "biennial_varieties", *_SHOWING)


def _counting(settings: Settings) -> dict[str, float | str]:
    """The settings that change a number of a forecast."""
    left_out = (*_SHOWING, *_PLANNING)
    return {name: value for name, value in asdict(settings).items() if name not in left_out}


def _hash(values: Mapping[str, float | str]) -> str:
    return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()[:12]


# Length of the ruler on the printed sheet, mm.
RULER_MM = 150.0
# It can't come out shorter or longer than this, mm. Our choice: a printer that fits a page to its
# paper scales by a few per cent; 15 are centimetres, 5.9 inches.
RULER_RANGE_MM = (100.0, 200.0)


def check_ruler(ruler_measured_mm: float) -> None:
    """Refuse a length of the printed ruler that is out of all reason.

    Raises
    ------
    SettingsError
    """
    low, high = RULER_RANGE_MM
    if not low <= ruler_measured_mm <= high:
        raise SettingsError(
            f"The printed ruler can't be {ruler_measured_mm:.1f} mm long.",
            fix="Measure it from its first line to its last.",
        )


def read_settings(path: Path) -> Settings:
    """Settings from a TOML file; keys that are left out keep their default.

    Raises
    ------
    SettingsError
        If the file is no TOML, has an unknown key, a value of the wrong kind or a ruler that can't
        be.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise SettingsError(
            f"Can't read the settings file {path}: "
            f"{err.strerror if isinstance(err, OSError) else 'it is no UTF-8 text'}.",
            fix="Correct it or leave it out.",
        ) from err
    settings = settings_from_text(text)
    check_ruler(settings.ruler_measured_mm)
    return settings


# What a value of TOML must be for each kind of setting, and in words.
_KINDS: dict[object, tuple[tuple[type, ...], str]] = {
    "int": ((int,), "a whole number"),
    "float": ((int, float), "a number"),
    "str": ((str,), "a word in quotes"),
}


def settings_from_text(text: str) -> Settings:
    """Settings from TOML text; keys that are left out keep their default.

    Raises
    ------
    SettingsError
        If the text is no TOML, has an unknown key, or a value of the wrong kind.
    """
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        raise SettingsError(
            f"The settings are no TOML: {err}.", fix="Write lines such as cull_share = 0.18."
        ) from err
    kinds = {field.name: field.type for field in fields(Settings)}
    for key, value in given.items():
        if key not in kinds:
            raise SettingsError(f"Unknown setting '{key}'.", fix=did_you_mean(key, kinds))
        meant, words = _KINDS[kinds[key]]
        if isinstance(value, bool) or not isinstance(value, meant):
            raise SettingsError(f"Setting '{key}' is {value!r}.", fix=f"Give {words}.")
    return Settings(**given)


def settings_to_text(settings: Settings) -> str:
    """TOML text of the settings that differ from the default."""
    usual = asdict(Settings())
    return _toml({name: value for name, value in asdict(settings).items() if value != usual[name]})


def all_settings_to_text(settings: Settings) -> str:
    """TOML text of every setting that changes a number of a forecast, so that a later default
    changes nothing."""
    return _toml(_counting(settings))


def _toml(values: Mapping[str, float | str]) -> str:
    return "".join(f"{name} = {value!r}\n" for name, value in values.items())
