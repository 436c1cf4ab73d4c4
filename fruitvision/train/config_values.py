"""Values of a TOML document as a frozen record: kinds come from the record's own annotations."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from pathlib import Path
from types import MappingProxyType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

from fruitvision.errors import SettingsError, did_you_mean

_WORDS = {int: "a whole number", float: "a number", str: "a text", bool: "true or false"}
_NONE: Mapping[str, Path] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a value stands in the document, and what paths in it start from."""

    key: str
    document: str
    folder: Path
    folders: Mapping[str, Path]

    def inside(self, name: str) -> _Place:
        key = f"{self.key}.{name}" if self.key else name
        return _Place(key, self.document, self.folder, self.folders)


def record_from(
    kind: type[Any],
    given: Mapping[str, Any],
    *,
    folder: Path,
    folders: Mapping[str, Path] = _NONE,
    document: str = "training config",
) -> Any:
    """A record of this dataclass.

    Parameters
    ----------
    kind : type
        Dataclass of whole numbers, numbers, texts, paths, tuples of them and other such records.
    given : mapping
        Values by name; those left out keep their default.
    folder : Path
        What paths that are not absolute start from.
    folders : mapping
        Another start for some of them, by key, as packs.folder.
    document : str
        What errors call it.

    Raises
    ------
    SettingsError
        If a key is unknown or missing, or a value of the wrong kind.
    """
    return _record(kind, given, _Place("", document, folder, folders))


def _record(kind: type[Any], given: object, place: _Place) -> Any:
    if not isinstance(given, Mapping):
        raise _wrong(place, given, "a table")
    hints = get_type_hints(kind)
    for name in given:
        if name not in hints:
            raise SettingsError(
                f"Unknown key '{place.inside(name).key}' in the {place.document}.",
                fix=did_you_mean(name, hints),
            )
    for one in fields(kind):
        needed = one.default is MISSING and one.default_factory is MISSING
        if needed and one.name not in given:
            raise SettingsError(
                f"'{place.inside(one.name).key}' is missing in the {place.document}.",
                fix="Add it; the developers' page says what it means.",
            )
    values = {name: _value(hints[name], found, place.inside(name)) for name, found in given.items()}
    return kind(**values)


def _value(hint: Any, found: object, place: _Place) -> Any:
    if isinstance(hint, UnionType):  # something or None, which TOML says by leaving it out
        hint = next(choice for choice in get_args(hint) if choice is not type(None))
    if is_dataclass(hint):
        return _record(hint, found, place)  # type: ignore[arg-type]
    if get_origin(hint) is tuple:
        return _row(get_args(hint), found, place)
    if hint is Path:
        if not isinstance(found, str):
            raise _wrong(place, found, "a path as text")
        return place.folders.get(place.key, place.folder) / found
    return _plain(hint, found, place)


def _row(hints: tuple[Any, ...], found: object, place: _Place) -> tuple[Any, ...]:
    if not isinstance(found, list):
        raise _wrong(place, found, "a list")
    if hints[-1] is Ellipsis:
        hints = (hints[0],) * len(found)
    if len(found) != len(hints):
        raise _wrong(place, found, f"a list of {len(hints)}")
    return tuple(_value(hint, one, place) for hint, one in zip(hints, found, strict=True))


def _plain(hint: type[Any], found: object, place: _Place) -> Any:
    if hint is float and isinstance(found, int) and not isinstance(found, bool):
        return float(found)
    if type(found) is not hint:
        raise _wrong(place, found, _WORDS[hint])
    return found


def _wrong(place: _Place, found: object, wanted: str) -> SettingsError:
    return SettingsError(
        f"'{place.key}' is {found!r} in the {place.document}.", fix=f"Give {wanted}."
    )
