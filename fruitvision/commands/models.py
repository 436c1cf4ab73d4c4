"""`fruitvision models train`: a farm's own detector, beside the commands of `evaluate`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fruitvision.commands.options import Farm
from fruitvision.console import farm_store, progress_line, say
from fruitvision.errors import TrainingError, did_you_mean
from fruitvision.evaluate.command import models_cli

if TYPE_CHECKING:
    from fruitvision.pipeline.own_detector import OwnDetector
    from fruitvision.pipeline.own_plan import OwnPlan

__all__ = ["models_cli"]

# In the farm's folder: its own detectors, numbered.
OWN_FOLDER = "detectors"
DEVICES = ("cpu", "cuda")


@models_cli.command("train")
def train_command(
    farm: Farm,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="New folder for the detector; else detectors/N in the farm's."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Yes, learn from the farm's checked photos.")
    ] = False,
    rounds: Annotated[
        int, typer.Option("--rounds", min=1, max=100, help="Through the photos at most.")
    ] = 8,
    device: Annotated[str, typer.Option("--device", help="cpu or cuda.")] = "cpu",
) -> int:
    """A detector of the farm's own: the shipped one, taught by photos that people checked.

    Photos stay on this computer. It is tried on photos and hand-counted trees that it did not
    learn from, and used only where you name its folder: --detector FOLDER. Needs the extra train.
    Example: fruitvision models train --farm larkhill --yes
    """
    from fruitvision.pipeline.additions import farm_settings
    from fruitvision.pipeline.own_plan import plan_own

    if device not in DEVICES:
        raise TrainingError(f"--device is '{device}'.", fix=did_you_mean(device, DEVICES))
    today = datetime.now(UTC).astimezone().date()
    with farm_store(farm, create=False) as store:
        settings = farm_settings(store)
        plan = plan_own(store, settings, made_on=today)
        folder = out or next_folder(farm / OWN_FOLDER)
        say(_plan_lines(plan, folder))
        if not yes:
            typer.echo("Nothing is done yet. If the farm's owner agrees, add --yes.")
            return 2
        from fruitvision.pipeline.own_detector import HowToTeach, make_own_detector

        with progress_line("trying on photos") as progress:
            how = HowToTeach(rounds=rounds, device=device, say=typer.echo, on_progress=progress)
            own = make_own_detector(store, settings, plan, folder, made_on=today, how=how)
    say(own_lines(own))
    return 1 if own.refused else 0


def next_folder(within: Path) -> Path:
    """The first of 1, 2, 3 ... that is not there yet."""
    number = 1
    while (within / str(number)).exists():
        number += 1
    return within / str(number)


def _plan_lines(plan: OwnPlan, folder: Path) -> list[str]:
    from fruitvision.report import many

    learn, choose, tried = (many(trees, "tree") for trees in plan.trees)
    return [
        f"To learn from: {many(len(plan.learn), 'checked photo')} of {learn}, {plan.fruit} fruit.",
        f"To choose the best round by: {many(len(plan.choose), 'photo')} of {choose}.",
        f"To try it on: {many(len(plan.tried), 'photo')} of {tried}, and the "
        f"{many(len(plan.counted), 'hand-counted tree')}.",
        f"The photos stay on this computer. The detector goes into {folder}; the shipped one is "
        "not changed.",
    ]


def own_lines(own: OwnDetector) -> list[str]:
    """What came of it, in lines."""
    from fruitvision.pipeline.own_trial import trial_rows

    if own.folder is None or own.before is None or own.after is None or own.verdict is None:
        return [
            f"None of {own.rounds} rounds found more in the photos for choosing than the shipped "
            "detector does. Nothing was written: go on with the shipped one."
        ]
    lines = ["", "before → after:"]
    lines += [f"  {what}: {value} ({on})" for what, value, on in trial_rows(own.before, own.after)]
    if own.after.trees is None:
        lines.append("  Too few hand-counted trees with whole photos: counts of trees not tried.")
    lines += [str(one) for one in own.refused]
    judged = own.verdict
    if judged.worse:
        lines.append(
            f"It got worse in: {', '.join(judged.worse)}. Do not use it; check more photos, of "
            "all blocks and lights, and try again."
        )
    elif judged.is_advised:
        lines.append(
            f"Better in: {', '.join(judged.better)}. To use it: --detector {own.folder}. All "
            "photos are then measured anew, and hand counts made with the other detector wait "
            "for --confirm-factor or new ones."
        )
    else:
        lines.append("No better and no worse: go on with the shipped detector.")
    return lines
