"""A table of a card: every value is asked for by kind, and nothing may be left over."""

from __future__ import annotations

from collections.abc import Mapping

from fruitvision.errors import DetectorDamaged, did_you_mean


class CardTable:
    """Values of a TOML table. `place` names file and table in errors.

    Every method raises `DetectorDamaged` for a value that is missing or of another kind.
    """

    def __init__(self, values: Mapping[str, object], *, place: str) -> None:
        self.place = place
        self._values = values
        self._asked: set[str] = set()

    @property
    def keys(self) -> tuple[str, ...]:
        """In the order of the file."""
        return tuple(self._values)

    def text(self, key: str) -> str:
        """A string that is not empty."""
        value = self._value(key)
        if not isinstance(value, str) or not value.strip():
            raise self._wrong(key, "a text")
        return value

    def number(self, key: str, least: float, most: float) -> float:
        """A number from `least` to `most`."""
        value = self._value(key)
        if not _is_number(value) or not least <= float(str(value)) <= most:
            raise self._wrong(key, f"a number from {least:g} to {most:g}")
        return float(str(value))

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of numbers."""
        value = self._value(key)
        if not isinstance(value, list) or not all(_is_number(one) for one in value):
            raise self._wrong(key, "a list of numbers")
        return tuple(float(one) for one in value)

    def table(self, key: str) -> CardTable:
        """A table within."""
        value = self._value(key)
        if not isinstance(value, dict):
            raise self._wrong(key, "a table")
        return CardTable(value, place=f"{self.place}, [{key}]")

    def tables(self, key: str) -> tuple[CardTable, ...]:
        """A list of tables; none if the key is left out."""
        self._asked.add(key)
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise self._wrong(key, "a list of tables")
        return tuple(CardTable(one, place=f"{self.place}, [[{key}]]") for one in value)

    def nothing_else(self) -> None:
        """Make sure that every key was asked for."""
        for key in self._values:
            if key not in self._asked:
                raise DetectorDamaged(
                    f"{self.place} has an unknown key '{key}'.", fix=did_you_mean(key, self._asked)
                )

    def _value(self, key: str) -> object:
        self._asked.add(key)
        if key not in self._values:
            raise DetectorDamaged(f"{self.place} has no '{key}'.", fix="Write it on the card.")
        return self._values[key]

    def _wrong(self, key: str, wanted: str) -> DetectorDamaged:
        return DetectorDamaged(
            f"{self.place}: '{key}' is {self._values[key]!r}.", fix=f"It must be {wanted}."
        )


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
