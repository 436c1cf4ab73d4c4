"""`fruitvision forecast` and `fruitvision export`."""

from __future__ import annotations

from typing import Annotated

import typer

from fruitvision.commands.options import (
    DEFAULT_SIZE_TABLE,
    ConfirmFactor,
    DetectorName,
    Farm,
    Out,
    SettingsFile,
    ShownUnits,
    SizeTableName,
)
from fruitvision.console import (
    DETAIL_FILES,
    FORECAST_FILES,
    check_outside,
    farm_settings_or,
    farm_store,
    make_forecast,
    measure_again,
    pick_date,
    say_forecast,
    shown_units,
    today,
    write_forecast,
)
from fruitvision.errors import StoreError
from fruitvision.forecast.growth import Weather
from fruitvision.fruit.detector import DEFAULT_DETECTOR


def forecast(
    farm: Farm,
    sizes: SizeTableName = DEFAULT_SIZE_TABLE,
    pick: Annotated[
        list[str] | None, typer.Option("--pick", help="Pick date: 'Gala North=2026-09-03'.")
    ] = None,
    season: Annotated[
        Weather, typer.Option("--season", help="What if it is dry or wet up to the pick?")
    ] = Weather.NORMAL,
    pick_shift: Annotated[
        int, typer.Option("--pick-shift", help="What if all picks are so many days later?")
    ] = 0,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep a what-if too, marked as one.")
    ] = False,
    confirm_factor: ConfirmFactor = False,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    units: ShownUnits = None,
) -> int:
    """Forecast the pack-out at the pick, keep it, print it, and say why it changed.

    A what-if (--season, --pick-shift) is printed only: it is no forecast of record.

    Example: fruitvision forecast --farm larkhill --sizes classes_5mm
    """
    from fruitvision.pipeline import Choices

    dates = dict(pick_date(text) for text in pick or [])
    choices = Choices(
        season=season, pick_shift_days=pick_shift, keep=keep, confirm_factor=confirm_factor
    )
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        measure_again(store, settings, detector)
        made, refused = make_forecast(store, sizes, settings, detector, dates, today(), choices)
        start = made.bridge.earlier_id if made.bridge else ""
        earlier = next((one for one in store.forecasts() if one.forecast_id == start), None)
    say_forecast(made, refused, shown_units(units, settings), earlier)
    return 1 if refused else 0


def export(
    farm: Farm,
    out: Out,
    version: Annotated[
        str | None,
        typer.Option("--version", help="Forecast version; the latest that is no what-if."),
    ] = None,
    units: ShownUnits = None,
) -> None:
    """Write a kept forecast for others: JSON (always metric), workbook, CSV tables.

    Example: fruitvision export --farm larkhill --out for-sales
    """
    from fruitvision.pipeline.pick_plans import moved_blocks, moved_words
    from fruitvision.pipeline.picked import picked_since, picked_words
    from fruitvision.pipeline.sales import kept_forecast

    check_outside(farm, out)
    with farm_store(farm, create=False) as store:
        kept = {item.forecast_id: item for item in store.forecasts()}
        shown = shown_units(units, farm_settings_or(store, None))
        if not kept:
            raise StoreError(
                f"{farm} holds no forecast yet.", fix=f"Run: fruitvision forecast --farm {farm}."
            )
        of_record = [item for item in kept.values() if not item.what_if]
        if version is None and not of_record:
            raise StoreError(
                f"{farm} holds what-ifs only: {', '.join(kept)}.",
                fix="Give one as --version, or make a forecast without --season and --pick-shift.",
            )
        chosen = kept_forecast(tuple(kept.values()), version)
        moved = moved_blocks(store, chosen)
        picked = picked_since(store, chosen)
    write_forecast(chosen, out, shown, moved=moved)
    written = ", ".join((*FORECAST_FILES, *DETAIL_FILES))
    kind = f", a what-if ({chosen.what_if})" if chosen.what_if else ""
    typer.echo(f"Version {chosen.forecast_id}{kind}, written to {out}: {written}.")
    if moved:
        typer.echo(moved_words(moved))
    if picked:
        typer.echo(picked_words(picked))
