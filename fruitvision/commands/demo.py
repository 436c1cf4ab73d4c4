"""`fruitvision demo`."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import typer

from fruitvision.commands.options import (
    DEFAULT_SIZE_TABLE,
    Out,
    ShownUnits,
    SizeTableName,
    Workers,
)
from fruitvision.console import (
    DEFAULT_WORKERS,
    DETAIL_FILES,
    FORECAST_FILES,
    farm_store,
    load_folder,
    make_forecast,
    say,
    say_forecast,
    shown_units,
    write_forecast,
    write_picture,
)
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.settings import Settings

# The day after the last walk of the samples: the demo is the same on every day.
DEMO_DAY = date(2026, 8, 14)


def demo(
    out: Out = Path("fruitvision-demo"),
    sizes: SizeTableName = DEFAULT_SIZE_TABLE,
    workers: Workers = DEFAULT_WORKERS,
    units: ShownUnits = None,
) -> int:
    """The whole job on the invented farm that comes along.

    Example: fruitvision demo --out my-demo
    """
    from fruitvision.pipeline import image_of
    from fruitvision.pipeline.walk import Brought
    from fruitvision.share import shared_folder
    from fruitvision.simulate.score import score_lines, score_of
    from fruitvision.size_table import load_size_table
    from fruitvision.store import Farm as FarmRecord

    samples = shared_folder("samples")
    settings = Settings()
    shown = shown_units(units, settings)
    with farm_store(out / "farm") as store:
        store.save_farm(FarmRecord(name="Larkhill (invented)", settings_text=""))
        loaded = load_folder(store, samples, settings, DEFAULT_DETECTOR, workers, brought=Brought())
        forecast, left_out = make_forecast(store, sizes, settings, DEFAULT_DETECTOR, {}, DEMO_DAY)
        say_forecast(forecast, left_out, shown)
        for photo in loaded.photos.photos:
            write_picture(photo, image_of(photo, store), out / "overlays", shown)
    write_forecast(forecast, out, shown)
    say(score_lines(score_of(forecast, samples, load_size_table(sizes)), shown))
    written = ", ".join((*FORECAST_FILES, *DETAIL_FILES))
    typer.echo(f"\nWritten to {out}: {written}, overlays, farm.")
    typer.echo(f"See it in the browser: fruitvision app --farm {out / 'farm'}")
    return 1 if left_out else 0
