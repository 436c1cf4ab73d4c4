"""Who signed in, and who tried to: a line each, appended to one file in the farm's folder.

No line has a password, and none has what was typed where no account is called so: people type
passwords there too. The file stands beside the accounts, not among the farm's rows, so that a
stranger at the door can't make the farm wait, and that it is told also while its database is not
to be reached. Refused tries are told up to a limit; how many more there were stands in the next
line. Where a proxy signs people in, it is the proxy that knows.
"""

from __future__ import annotations

import json
import logging
import os
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from threading import Lock

from fruitvision.accounts.running import running_s
from fruitvision.errors import AccountError
from fruitvision.records import from_plain, to_plain

SIGN_INS_NAME = "sign-ins.jsonl"
# Nobody else on the computer needs to read it.
OWNER_ONLY = 0o600
# Refused tries that are told in any hour, whoever they are of. Our choice: beyond what one address
# may try (`attempts.py`), and with guesses from everywhere all year round a file of 60 MB.
MOST_REFUSED, WINDOW_S = 50, 3600.0

logger = logging.getLogger(__name__)


class Outcome(StrEnum):
    """How a try ended."""

    IN = "signed in"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """A try to sign in.

    `name` : of the account that was named; empty if there is none of that name. `address` : of the
    computer or phone, as the network tells it. `untold` : refused tries before it that were too
    many to be told.
    """

    at: datetime
    outcome: Outcome
    name: str
    address: str
    untold: int = 0


@dataclass(slots=True)
class SignInLog:
    """The tries to sign in on the farm in `folder`. `clock` : seconds that only ever grow."""

    folder: Path
    clock: Callable[[], float] = running_s
    _refused_s: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_REFUSED))
    _untold: int = 0
    _lock: Lock = field(default_factory=Lock)

    @property
    def path(self) -> Path:
        """The file."""
        return self.folder / SIGN_INS_NAME

    def note(self, outcome: Outcome, *, name: str, address: str, at: datetime) -> None:
        """Append a line; where that can't be done the program's log says so, and nobody is kept
        out: on a full disk somebody has to come in and make room."""
        with self._lock:
            if outcome is Outcome.REFUSED and self._too_many():
                self._untold += 1
                return
            line = SignIn(at=at, outcome=outcome, name=name, address=address, untold=self._untold)
            try:
                self._append(json.dumps(to_plain(line), ensure_ascii=False).encode())
            except OSError as err:
                logger.warning("%s: who signs in can't be kept: %s", self.path, err.strerror or err)
                self._untold += outcome is Outcome.REFUSED
            else:
                self._untold = 0

    def _too_many(self) -> bool:
        """Whether one more refused try is beyond the limit; it counts if it is not."""
        now = self.clock()
        times = self._refused_s
        if len(times) == MOST_REFUSED and now - times[0] < WINDOW_S:
            return True
        times.append(now)
        return False

    def _append(self, line: bytes) -> None:
        number = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, OWNER_ONLY)
        with open(number, "r+b", buffering=0) as stream:
            # A line that a full disk or a cut of power left half stays by itself.
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(0, size - 1))
            half = size and stream.read(1) != b"\n"
            # In one piece, so that two servers of a farm never mix theirs.
            stream.write((b"\n" if half else b"") + line + b"\n")
            os.fsync(stream.fileno())


def sign_ins(folder: Path) -> Iterator[SignIn]:
    """All tries that were kept, in the order of the file. Lines that are none are left out.

    Raises
    ------
    AccountError
        If the file can't be read.
    """
    path = folder / SIGN_INS_NAME
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        return
    except OSError as err:
        raise AccountError(
            f"Can't read {path}: {err.strerror or err}.", fix="Check that you may read it."
        ) from err
    for line in lines:
        try:
            one = from_plain(SignIn, json.loads(line))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            continue
        yield one if one.at.tzinfo else replace(one, at=one.at.replace(tzinfo=UTC))
