"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fruitvision.fruit.detector import detector_names
from fruitvision.unit_system import UnitSystem

Farm = Annotated[Path, typer.Option("--farm", help="The farm's folder.")]
SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", help="TOML file; the farm keeps it, in place of its settings."),
]
DetectorName = Annotated[
    str, typer.Option("--detector", help=f"One of: {', '.join(detector_names())}.")
]
Out = Annotated[Path, typer.Option("--out", help="Folder for the results; made if missing.")]
SizeTableName = Annotated[str, typer.Option("--sizes", help="Size table: a name or a CSV file.")]
ConfirmFactor = Annotated[
    bool,
    typer.Option("--confirm-factor", help="Use hand counts that another detector was paired with."),
]
ShownUnits = Annotated[
    UnitSystem | None,
    typer.Option(
        "--units",
        envvar="FRUITVISION_UNITS",
        help="Units to print and to write: us (in, short tons, acres) or metric; else the farm's.",
    ),
]
Workers = Annotated[int, typer.Option("--workers", min=1, help="Photos measured side by side.")]

# Size table of who names none.
DEFAULT_SIZE_TABLE = "box_counts_42lb"
