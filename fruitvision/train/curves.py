"""Losses and evaluations of a training as CSV files that survive a stop; its line of progress."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from io import StringIO
from pathlib import Path

from fruitvision.errors import TrainingError
from fruitvision.whole_file import write_whole

LOSS_FILE, EVALUATION_FILE = "losses.csv", "evaluations.csv"
STEP = "step"


class Curves:
    """The curves of a run: losses.csv and evaluations.csv in its folder, a row per step.

    Parameters
    ----------
    out : Path
        Folder of the run.
    """

    def __init__(self, out: Path) -> None:
        self._losses, self._evaluations = out / LOSS_FILE, out / EVALUATION_FILE

    def go_on_after(self, step: int) -> None:
        """Take out what was written after this step, so that steps done again are there once.

        A row that a kill cut short goes too.
        """
        for path in (self._losses, self._evaluations):
            if path.exists():
                _keep_until(path, step)

    def losses(self, step: int, values: Mapping[str, float]) -> None:
        """Add losses, or whatever else goes with them: the rate, pictures a second.

        Raises
        ------
        TrainingError
            If the file has other columns.
        """
        _append(self._losses, step, values)

    def evaluation(self, step: int, values: Mapping[str, float | str]) -> None:
        """Add figures of an evaluation, and what they are of.

        Raises
        ------
        TrainingError
            If the file has other columns.
        """
        _append(self._evaluations, step, values)


def progress_line(
    step: int,
    of: int,
    losses: Mapping[str, float],
    *,
    pictures_per_second: float,
    seconds_left: float,
) -> str:
    """A line for the screen. `of` : 0 while the number of steps is not known."""
    parts = ", ".join(f"{name} {value:.3g}" for name, value in losses.items())
    steps = f"step {step} of {of}" if of else f"step {step}"
    left = f", {max(seconds_left, 0.0) / 60:.1f} min left" if of else ""
    return f"{steps}: {parts}; {pictures_per_second:.0f} pictures a second{left}"


def _append(path: Path, step: int, values: Mapping[str, float | str] | Mapping[str, float]) -> None:
    columns = [STEP, *values]
    fresh = not path.exists()
    if not fresh:
        with path.open(encoding="utf-8", newline="") as stream:
            found = next(csv.reader(stream), [])
        if found != columns:
            raise TrainingError(
                f"{path} has the columns {', '.join(found)}, not {', '.join(columns)}.",
                fix="Train into a new folder.",
            )
    row = [str(step), *(_cell(value) for value in values.values())]
    text = _text([columns, row] if fresh else [row])
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8", newline="") as stream:
        stream.write(text)


def _cell(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.6g}"


def _keep_until(path: Path, step: int) -> None:
    text = path.read_text(encoding="utf-8")
    whole = text[: text.rfind("\n") + 1]
    rows = list(csv.reader(StringIO(whole)))
    if not rows:
        path.unlink()
        return
    kept = [row for row in rows[1:] if len(row) == len(rows[0]) and int(row[0]) <= step]
    write_whole(path, _text([rows[0], *kept]).encode())


def _text(rows: list[list[str]]) -> str:
    stream = StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()
