"""Commands that write what a farm knows for other programs and for people."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import DetectorName, Farm
from fruitvision.console import check_outside, farm_settings_or, farm_store, say
from fruitvision.errors import FieldDataError
from fruitvision.fruit.detector import DEFAULT_DETECTOR


def fruit_table(
    farm: Farm,
    out: Annotated[Path, typer.Option("--out", help="File to write: NAME.parquet or NAME.csv.")],
    detector: DetectorName = DEFAULT_DETECTOR,
) -> int:
    """Every measured fruit of the farm as one table, whatever its size.

    Example: fruitvision fruit --farm larkhill --out fruit.parquet
    """
    from fruitvision.export.fruit_table import write_fruit_table
    from fruitvision.pipeline.fruit_rows import fruit_rows
    from fruitvision.pipeline.photos import Refused
    from fruitvision.report import refused_lines

    check_outside(farm, out)
    left_out: list[Refused] = []
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, None)
        rows = fruit_rows(store, settings, left_out=left_out, detector_name=detector)
        today = datetime.now(UTC).astimezone().date()
        written = write_fruit_table(rows, out, farm=store.farm_name, made_on=today)
    typer.echo(f"{out}: {written:,} fruit.")
    say(refused_lines(left_out))
    return 1 if left_out else 0


def geojson(
    farm: Farm,
    out: Annotated[Path, typer.Option("--out", help="File to write, such as farm.geojson.")],
    detector: DetectorName = DEFAULT_DETECTOR,
) -> int:
    """Blocks and trees on the map, where the register has coordinates; not for buyers.

    Example: fruitvision geojson --farm larkhill --out larkhill.geojson
    """
    from fruitvision.export.geojson import write_geojson
    from fruitvision.pipeline.mapped import mapped_blocks
    from fruitvision.report import many, refused_lines

    check_outside(farm, out)
    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, None)
        blocks, lacking = mapped_blocks(store, settings, detector_name=detector)
        placed = sum(len(one.placed) for one in blocks)
        if not placed:
            raise FieldDataError(
                "No tree of the farm has coordinates.",
                fix="Load a register with columns latitude_deg and longitude_deg (WGS 84).",
            )
        today = datetime.now(UTC).astimezone().date()
        write_geojson(blocks, out, farm=store.farm_name, made_on=today)
    with_places = many(sum(bool(one.placed) for one in blocks), "block")
    typer.echo(f"{out}: {many(placed, 'place')} in {with_places}.")
    say(refused_lines(lacking))
    return 1 if lacking else 0


def card(
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.")] = Path("card.pdf"),
    language: Annotated[str, typer.Option("--language", help="en, es or fr.")] = "en",
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
) -> None:
    """A card to print: how to take the photo, in six drawings and few words.

    Example: fruitvision card --language es --out card.pdf
    """
    from fruitvision.training_card import write_training_card

    write_training_card(out, language=language.strip().lower(), paper=paper)
    typer.echo(f"{out}: one page to print and hand out.")
