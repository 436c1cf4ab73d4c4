"""The commands on blocks: `plan` the next walk, and what each `block` holds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.commands.options import ConfirmFactor, DetectorName, Farm, SettingsFile, ShownUnits
from fruitvision.console import (
    farm_settings_or,
    farm_store,
    measure_again,
    say,
    say_not_printed,
    shown_units,
    today,
)
from fruitvision.errors import StoreError
from fruitvision.fruit.detector import DEFAULT_DETECTOR


def plan(
    block_id: Annotated[str, typer.Argument(metavar="BLOCK", help="Name of the block.")],
    farm: Farm,
    trees: Annotated[int, typer.Option("--trees", help="Bearing trees to walk to.")] = 10,
    hand_counts: Annotated[
        int, typer.Option("--hand-counts", min=0, help="Of these, to count by hand.")
    ] = 5,
    rows: Annotated[
        str | None, typer.Option("--rows", help="Without a register: positions a row, 54,54,52.")
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="Same seed, same walk.")] = None,
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.")] = Path("walk.pdf"),
) -> int:
    """Draw the trees of the next walk and print the list: random start, every k-th position.

    Example: fruitvision plan "Gala North" --farm larkhill --trees 12 --out walk.pdf
    """
    from fruitvision.pipeline.plan import plan_next_walk, register_or_rows
    from fruitvision.report import many
    from fruitvision.units import parse_counts
    from fruitvision.walk_list import write_walk_list

    with farm_store(farm, create=False) as store:
        lengths = parse_counts(rows or "", field="--rows")
        walk = plan_next_walk(
            store,
            block_id,
            trees=trees,
            hand_counts=hand_counts,
            row_lengths=lengths,
            seed=today().toordinal() if seed is None else seed,
        )
        register = register_or_rows(store, block_id, lengths)
        registered = bool(store.register(block_id))
    pages = write_walk_list(walk, out, register=register, paper=paper)
    stops = f"{many(len(walk.places), 'stop')} on {many(pages, 'page')}"
    typer.echo(f"{out}: {stops}, seed {walk.seed}.")
    if lengths and registered:
        typer.echo(f"{block_id} has a register, which tells its rows: --rows was not used.")
    lost = say_not_printed([walk.block_id, *(place.stratum for place in walk.places)])
    return 1 if lost else 0


def block(
    farm: Farm,
    detector: DetectorName = DEFAULT_DETECTOR,
    settings_file: SettingsFile = None,
    confirm_factor: ConfirmFactor = False,
    units: ShownUnits = None,
) -> int:
    """What each block holds today, what to do next in it, and what stands out from its like.

    Example: fruitvision block --farm larkhill
    """
    from fruitvision.pipeline import attention_of, estimate_blocks
    from fruitvision.pipeline.standing import stand
    from fruitvision.pipeline.waiting import waiting_counts
    from fruitvision.report import attention_lines, block_lines, refused_lines, waiting_lines

    with farm_store(farm, create=False) as store:
        settings = farm_settings_or(store, settings_file)
        measure_again(store, settings, detector)
        walks, refused = estimate_blocks(
            store, settings, detector_name=detector, confirm_factor=confirm_factor
        )
        stands = stand(store, settings, walks=walks, refused=refused)
        waiting = {
            one.block.block_id: waiting_counts(one.block.block_id, store, one.walks)
            for one in stands
        }
    if not walks and not refused:
        raise StoreError(
            f"{farm} holds no block yet.", fix=f"Run: fruitvision load WALK --farm {farm}."
        )
    by_name = {one.block.block_id: one for one in stands}
    for walk in walks:
        name = walk.estimate.block.block_id
        say([*block_lines(walk, shown_units(units, settings), by_name[name])])
        say([*waiting_lines(waiting.pop(name)), ""])
    for name, found in waiting.items():
        say([f"{name}:", *waiting_lines(found)] if found else [])
    if walks:
        say(attention_lines(attention_of(walks, settings)))
    say(refused_lines(refused))
    return 1 if refused else 0
