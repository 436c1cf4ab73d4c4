"""A process that does one step as often as it is asked. For `children`, not for people.

    python -m tests.bench.speed.child STEP --source FOLDER --work FOLDER ...

`--source` is the checkout whose program is timed; the steps are those beside this file. For each
line on its input it prints what one more run took, as JSON, or a fault.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TextIO


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("step")
    parser.add_argument("--source", type=Path, required=True)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--farm", type=Path)
    parser.add_argument("--blocks", type=int, default=10)
    parser.add_argument("--no-pictures", action="store_true")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--photos", nargs="*", type=Path, default=())
    given = parser.parse_args()
    # `tests` is known by now and stays that of this file; the program comes from the source,
    # here and in every process that is started from here.
    sys.path.insert(0, str(given.source))
    os.environ["PYTHONPATH"] = str(given.source)
    answers = _answers_alone()
    try:
        for found in _runs(given):
            answers.write(json.dumps(found) + "\n")
            answers.flush()
    except Exception as err:
        answers.write(json.dumps({"fault": f"{type(err).__name__}: {err}"}) + "\n")
        answers.flush()


def _runs(given: argparse.Namespace) -> Iterator[dict[str, float]]:
    from tests.bench.speed.place import Place
    from tests.bench.speed.steps import step_of
    from tests.bench.speed.used import used_by

    step = step_of(given.step)
    refuse_another_program(given.source)
    place = Place(
        folder=given.work,
        photos=tuple(given.photos),
        source=given.source,
        farm=given.farm,
        blocks=given.blocks,
        pictures=not given.no_pictures,
        workers=given.workers,
    )
    with step.ready(place) as prepared:
        if step.warm:
            prepared()()
        for _line in sys.stdin:
            yield asdict(used_by(prepared()))


def refuse_another_program(source: Path) -> None:
    """A step that imports the program must have the one that is asked for."""
    program = sys.modules.get("fruitvision")
    file = getattr(program, "__file__", None)
    if file is not None and not Path(file).resolve().is_relative_to(source.resolve()):
        raise ImportError(f"the program of {file} instead of {source}")


def _answers_alone() -> TextIO:
    """Where answers go; whatever else is printed goes to the errors."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    return answers


if __name__ == "__main__":
    main()
