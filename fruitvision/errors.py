"""The errors a user can put right. Each says what happened and what to do.

FruitVisionError
├── PhotoError
│   ├── PhotoUnreadable        the bytes are no picture, or too large to open safely
│   ├── ReferenceRefused       a reference that was pointed at is not there
│   └── ScaleRefused           references in one photo contradict each other
├── LensNotCalibrated          photos of the board don't tell the lens well enough
├── FieldDataError             a CSV from the field or the office does not make sense
│   └── SizeTableError         a size table has a gap, an overlap or a wrong number
├── DetectorUnknown            no detector of that name
├── DetectorDamaged            files of a detector are missing or altered, or it runs otherwise
├── DeviceUnusable             what a detector is to run on is not there
├── SettingsError              a settings file has an unknown key or an impossible value
├── ForecastError              the dates or numbers do not allow a forecast
├── SimulationError            an invented orchard can't be made from these dials
├── TrainingError              data, state or results of a training can't be used
├── ConflictError              somebody else changed the same thing meanwhile
├── AccountError               a person can't be given an account, or accounts can't be read
├── ServeError                 the app can't be started where it was asked for
├── ClusterError               a cluster can't be reached, or must not measure
└── StoreError                 the farm folder can't be opened or written
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class FruitVisionError(Exception):
    """What went wrong, and in `fix` what the user can do about it."""

    def __init__(self, what: str, *, fix: str) -> None:
        super().__init__(what)
        self.what = what
        self.fix = fix

    def __str__(self) -> str:
        return f"{self.what} {self.fix}"

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.what, self.fix))


def _rebuild(kind: type[FruitVisionError], what: str, fix: str) -> FruitVisionError:
    """Rebuild an error on the other side of a process boundary."""
    return kind(what, fix=fix)


class PhotoError(FruitVisionError):
    """Something about one photo."""


class PhotoUnreadable(PhotoError):
    """The bytes are no picture, or too large to open safely."""


class ReferenceRefused(PhotoError):
    """A reference that was pointed at is not there, or can't be measured."""


class ScaleRefused(PhotoError):
    """References in one photo contradict each other."""


class LensNotCalibrated(FruitVisionError):
    """Photos of the board do not tell the lens well enough."""


class FieldDataError(FruitVisionError):
    """A table from the field or the office does not make sense."""


class SizeTableError(FieldDataError):
    """A size table has a gap, an overlap or a wrong number."""


class DetectorUnknown(FruitVisionError):
    """No detector of that name."""


class DetectorDamaged(FruitVisionError):
    """Files of a detector are missing or altered, or it gives other results than it must."""


class DeviceUnusable(FruitVisionError):
    """What a detector is to run on is not there."""


class SettingsError(FruitVisionError):
    """A settings file has an unknown key or an impossible value."""


class ForecastError(FruitVisionError):
    """The dates or numbers do not allow a forecast."""


class SimulationError(FruitVisionError):
    """An invented orchard can't be made from these dials."""


class TrainingError(FruitVisionError):
    """Data, state or results of a training can't be used."""


class ConflictError(FruitVisionError):
    """Somebody else changed the same thing meanwhile. `conflict` : the `Conflict` with both."""

    def __init__(self, what: str, *, fix: str, conflict: object = None) -> None:
        super().__init__(what, fix=fix)
        self.conflict = conflict


class ServeError(FruitVisionError):
    """The app can't be started where it was asked for."""


class ClusterError(FruitVisionError):
    """A cluster can't be reached, or its workers would not measure as this computer does."""


class AccountError(FruitVisionError):
    """A person can't be given an account, or the accounts can't be read."""


class StoreError(FruitVisionError):
    """The farm folder can't be opened or written."""


def did_you_mean(name: str, valid: Iterable[str]) -> str:
    """Sentence that names the valid choices, the nearest first if one is near."""
    choices = sorted(valid)
    near = get_close_matches(name, choices, n=1)
    hint = f"Did you mean '{near[0]}'? " if near else ""
    return f"{hint}Known: {', '.join(choices)}."
