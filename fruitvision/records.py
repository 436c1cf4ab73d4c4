"""Records to JSON and back, exactly: what is read equals what was written.

A record becomes an object with its field names as keys (so units stay in the keys); tuples become
lists, codes their value, dates and times ISO text, bytes base64.
"""

from __future__ import annotations

import base64
import json
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any, TypeVar

import numpy as np

Record = TypeVar("Record")

# Kinds of which a tuple is a list in JSON as it is: records hold thousands of numbers.
_PLAIN = frozenset({str, int, float, bool, types.NoneType})
_NUMBERS = frozenset({int, float})


def to_plain(value: object) -> Any:
    """A record as dictionaries, lists, text, numbers, true, false and None.

    Raises
    ------
    TypeError
        If something in it is none of the kinds that records are made of.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        is_plain = _PLAIN.issuperset(map(type, value))
        return list(value) if is_plain else [to_plain(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, str | int | float | None):
        return value
    return _text_of(value)


def _text_of(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    raise TypeError(f"a record can't hold a {type(value).__name__}: {value!r}")


def from_plain(kind: type[Record], plain: object) -> Record:
    """The record of that kind which `to_plain` took apart.

    Fields that are missing take their default, so that older documents stay readable.

    Raises
    ------
    ValueError
        If a field is unknown, missing without a default, or of the wrong kind.
    """
    return typing.cast(Record, _from_plain(kind, plain))


def to_json(record: object) -> str:
    """A record as JSON text; equal records give equal text."""
    return json.dumps(to_plain(record), ensure_ascii=False, allow_nan=False, sort_keys=True)


def from_json(kind: type[Record], text: str) -> Record:
    """The record of that kind in JSON text.

    Raises
    ------
    ValueError
        If the text is no JSON or does not fit the record.
    """
    return from_plain(kind, json.loads(text))


def _from_plain(kind: Any, plain: Any) -> Any:
    if isinstance(kind, types.UnionType):
        return _from_union(kind, plain)
    if typing.get_origin(kind) is tuple:
        return _tuple_from(typing.get_args(kind), plain)
    if is_dataclass(kind):
        return _record_from(typing.cast(type, kind), plain)
    return _single_from(kind, plain)


def _single_from(kind: Any, plain: Any) -> Any:
    if kind is float and type(plain) in (int, float):
        return float(plain)
    if kind in (str, int, bool) and type(plain) is kind:
        return plain
    if kind in (date, datetime) and isinstance(plain, str):
        return kind.fromisoformat(plain)
    if kind is bytes and isinstance(plain, str):
        return base64.b64decode(plain, validate=True)
    if issubclass(kind, Enum) and isinstance(plain, str):
        return kind(plain)
    raise ValueError(f"need {kind.__name__}, got {plain!r}")


def _from_union(kind: Any, plain: Any) -> Any:
    """A field that may be None: `X | None`."""
    if plain is None:
        return None
    (inner,) = (option for option in typing.get_args(kind) if option is not types.NoneType)
    return _from_plain(inner, plain)


def _tuple_from(kinds: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:
    if not isinstance(plain, list):
        raise ValueError(f"need a list, got {plain!r}")
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        if kinds[0] is float and _NUMBERS.issuperset(map(type, plain)):
            return tuple(map(float, plain))
        return tuple(_from_plain(kinds[0], item) for item in plain)
    if len(kinds) != len(plain):
        raise ValueError(f"need {len(kinds)} items, got {len(plain)}")
    return tuple(_from_plain(kind, item) for kind, item in zip(kinds, plain, strict=True))


def _record_from(kind: type, plain: Any) -> Any:
    if not isinstance(plain, Mapping):
        raise ValueError(f"need a {kind.__name__}, got {plain!r}")
    kinds, needed = _fields_of(kind)
    if unknown := set(plain) - set(kinds):
        raise ValueError(f"{kind.__name__} has no field {', '.join(sorted(unknown))}")
    if missing := needed - set(plain):
        raise ValueError(f"{kind.__name__} lacks {', '.join(sorted(missing))}")
    return kind(**{name: _from_plain(kinds[name], value) for name, value in plain.items()})


@cache
def _fields_of(kind: type) -> tuple[dict[str, Any], frozenset[str]]:
    """Kind of each field, and the names of those without a default."""
    needed = (
        field.name
        for field in fields(kind)
        if field.default is MISSING and field.default_factory is MISSING
    )
    return typing.get_type_hints(kind), frozenset(needed)
