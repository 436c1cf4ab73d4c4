"""A forecast as JSON: everything, unrounded, to be read back exactly.

Version 2 has weeks, picks, bridge, quantiles, inputs, settings and size table, version 3 also
grades, version 4 also the fruit that growth was measured on, version 5 what was learned of past
seasons; earlier ones are read as well. Beside the forecast stand `uses`, the numbers worked out for
each use. It is the document of record, so that it is metric for everybody, and says so. Keys carry
the units; `fruit`, `bins`, `tonnes` and `cartons` are their own unit, `share` is 0 to 1.
"""

from __future__ import annotations

import json
from pathlib import Path

from fruitvision.domain import Forecast
from fruitvision.errors import StoreError
from fruitvision.export.words import CAUTIONS, HOW_TO_READ, all_doubts, note_of, save
from fruitvision.forecast.uses import use_numbers
from fruitvision.records import from_plain, to_plain

# Grows when a key comes, changes its meaning or goes.
SCHEMA_VERSION = 5
OLDEST_VERSION = 1
UNITS = "metric, whatever units are shown elsewhere: mm, mm³, g, kg, ha, and tonnes of 1,000 kg"


def write_forecast_json(forecast: Forecast, path: Path) -> None:
    """Write a forecast as JSON.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    document = {
        "schema_version": SCHEMA_VERSION,
        "note": note_of(forecast),
        "units": UNITS,
        "how_to_read": HOW_TO_READ,
        "cautions": CAUTIONS,
        "doubt_words": {doubt.value: doubt.words for doubt in all_doubts(forecast)},
        "uses": [to_plain(number) for number in use_numbers(forecast)],
        "forecast": to_plain(forecast),
    }
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    save(path, f"{text}\n".encode())


def read_forecast_json(path: Path) -> Forecast:
    """The forecast in a file of `write_forecast_json`.

    Raises
    ------
    StoreError
        If the file can't be read, is no forecast or is of a newer version.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        version = document["schema_version"]
        if OLDEST_VERSION <= version <= SCHEMA_VERSION:
            return from_plain(Forecast, document["forecast"])
    except (OSError, ValueError, KeyError, TypeError) as err:
        raise StoreError(
            f"{path.name} holds no forecast: {err}.", fix="Choose a forecast.json of this program."
        ) from err
    raise StoreError(f"{path.name} has schema_version {version}.", fix="Update fruitvision.")
