"""What people set for the whole farm, as in `entries`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace

from fruitvision.errors import FieldDataError
from fruitvision.pipeline.entries import now_utc, refuse_below
from fruitvision.settings import Settings, check_ruler, settings_from_text, settings_to_text
from fruitvision.store import Farm, Store
from fruitvision.store.things import kept_farm
from fruitvision.unit_system import UnitSystem


def rename_farm(name: str, seen: Farm, store: Store, *, who: str) -> None:
    """Give the farm another name.

    Raises
    ------
    FieldDataError
        If the name is empty.
    ConflictError
        If somebody else gave it another name.
    """
    if not name.strip():
        raise FieldDataError("The farm has no name.", fix="Type a name.")
    _save_farm(replace(seen, name=name.strip()), seen, store, who=who)


def set_ruler(ruler_measured_mm: float, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the measured length of the printed 150 mm ruler; photos need measuring again.

    Raises
    ------
    SettingsError
        If the length is out of all reason.
    ConflictError
        If somebody else kept another length.
    """
    check_ruler(ruler_measured_mm)
    settings = replace(settings_of(seen), ruler_measured_mm=ruler_measured_mm)
    save_settings(settings, seen, store, who=who)


def set_crew(new: Settings, seen: Farm, store: Store, *, who: str) -> None:
    """Keep pickers, their pace and the empty bins of the farm.

    Raises
    ------
    FieldDataError
        If there is no pace, or a number is below 0.
    ConflictError
        If somebody else changed the same.
    """
    refuse_below(0, {"crew": "pickers", "bins_on_hand": "empty bins"}, new)
    if new.bins_per_picker_day <= 0:
        raise FieldDataError(
            "A picker fills no bins.", fix="Type how many bins a picker fills a day."
        )
    save_settings(new, seen, store, who=who)


def set_planning(
    amounts: Mapping[str, float],
    seen: Farm,
    store: Store,
    *,
    biennial_varieties: str,
    currency: str,
    who: str,
) -> None:
    """Keep what thinning and the choice of what to measure next go by.

    Parameters
    ----------
    amounts : mapping of str to float
        By name of the setting: those of `_PLANNED`, and `way_to_block_min`.

    Raises
    ------
    FieldDataError
        If a guide or minutes of work are not above 0, or the way to a block is below it.
    ConflictError
        If somebody else changed the same.
    """
    for name, what in _PLANNED.items():
        value = amounts[name]
        if value <= 0:
            raise FieldDataError(
                f"A number is too small: {what} {value:g}.", fix="Type a number above 0."
            )
    way = {"way_to_block_min": "minutes to a block and back"}
    refuse_below(0, way, SimpleNamespace(**amounts))
    new = replace(
        settings_of(seen),
        biennial_varieties=biennial_varieties.strip(),
        currency=currency.strip(),
        **amounts,  # type: ignore[arg-type]
    )
    save_settings(new, seen, store, who=who)


# Settings of planning that are above 0, and what they are called.
_PLANNED = {
    "fruit_per_cm2_biennial": "trunk guide",
    "fruit_per_cm2_annual": "trunk guide",
    "photo_tree_min": "minutes to photograph a tree",
    "hand_count_min": "minutes to count a tree by hand",
    "caliper_tree_min": "minutes to caliper a tree",
}


def set_costs(
    pick_cost_per_bin: float, pack_cost_per_carton: float, seen: Farm, store: Store, *, who: str
) -> None:
    """Keep what picking a bin and packing a carton cost.

    Raises
    ------
    FieldDataError
        If a cost is below 0.
    ConflictError
        If somebody else changed the same.
    """
    costs = (pick_cost_per_bin, "cost of a bin"), (pack_cost_per_carton, "cost of a carton")
    for value, what in costs:
        if value < 0:
            raise FieldDataError(f"A number is too small: {what} {value:g}.", fix="Type 0 or more.")
    new = replace(
        settings_of(seen),
        pick_cost_per_bin=pick_cost_per_bin,
        pack_cost_per_carton=pack_cost_per_carton,
    )
    save_settings(new, seen, store, who=who)


def set_units(system: UnitSystem, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the units that are shown to those who ask for no others.

    Raises
    ------
    ConflictError
        If somebody else chose others.
    """
    save_settings(replace(settings_of(seen), units=system.value), seen, store, who=who)


def set_language(code: str, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the language of the pages for those who ask for no other; empty: each browser's.

    Raises
    ------
    ConflictError
        If somebody else chose another.
    """
    save_settings(replace(settings_of(seen), language=code), seen, store, who=who)


def save_settings(new: Settings, seen: Farm, store: Store, *, who: str) -> None:
    """Keep settings of the farm.

    Raises
    ------
    SettingsError
        If the farm keeps settings that make no sense.
    ConflictError
        If somebody else changed the same settings.
    """
    _save_farm(replace(seen, settings_text=settings_to_text(new)), seen, store, who=who)


def _save_farm(new: Farm, seen: Farm, store: Store, *, who: str) -> None:
    store.save_seen(kept_farm(store.farm()), seen, new, who=who, at=now_utc())


def settings_of(farm: Farm) -> Settings:
    """The settings that a farm keeps.

    Raises
    ------
    SettingsError
        If they make no sense.
    """
    return settings_from_text(farm.settings_text)
