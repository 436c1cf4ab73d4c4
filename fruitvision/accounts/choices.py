"""What a person with an account chose for the own pages: one small file in the farm's folder.

It is no secret and opens no door, so it stands apart from the accounts: a damaged one costs the
choices and nothing else.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock

from fruitvision.errors import AccountError
from fruitvision.records import from_plain, to_plain
from fruitvision.whole_file import write_whole

CHOICES_NAME = "choices.json"
# Our choice: a save takes milliseconds.
LOCK_WAIT_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """Code of a language and name of a unit system; empty: those of the farm."""

    language: str = ""
    units: str = ""


@dataclass(frozen=True, slots=True)
class ChoiceBook:
    """The choices of the people of the farm in `folder`."""

    folder: Path

    @property
    def path(self) -> Path:
        """The file."""
        return self.folder / CHOICES_NAME

    def of(self, name: str) -> Choices:
        """What a person chose; nothing where it is not known."""
        return self._all().get(name.casefold(), Choices())

    def keep(self, name: str, choices: Choices) -> None:
        """Keep what a person chose; nothing chosen leaves no trace of the person.

        Raises
        ------
        AccountError
            If the file can't be written.
        """
        try:
            with FileLock(self.path.with_suffix(".lock"), timeout=LOCK_WAIT_S):
                known = {**self._all(), name.casefold(): choices}
                plain = {one: to_plain(kept) for one, kept in known.items() if kept != Choices()}
                text = json.dumps(plain, indent=1, ensure_ascii=False)
                write_whole(self.path, text.encode())
        except OSError as err:  # Also where somebody else holds the lock for too long.
            raise AccountError(
                f"Can't write {self.path}: {err.strerror or 'somebody else is changing it'}.",
                fix="Check that the farm's folder can be written.",
            ) from err

    def forget(self, name: str) -> None:
        """Forget what a person chose.

        Raises
        ------
        AccountError
            If the file can't be written.
        """
        if self.path.exists():
            self.keep(name, Choices())

    def _all(self) -> dict[str, Choices]:
        try:
            document = json.loads(self.path.read_bytes())
            return {str(name): from_plain(Choices, one) for name, one in document.items()}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}
