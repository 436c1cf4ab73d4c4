"""How often somebody may try to sign in."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from threading import Lock

from fruitvision.accounts.running import running_s


@dataclass(frozen=True, slots=True)
class Limit:
    """At most `most` tries in any window of `window_s` seconds."""

    most: int
    window_s: float


# Wrong passwords of one name from one address in a minute, of one address in an hour, and of one
# name in an hour from anywhere. Our choice: who mistypes tries again at once; who guesses gets a
# few hundred tries a day where a password of three words takes millions. A name can be kept out for
# a while by somebody who guesses from many addresses: better than let in.
PER_MINUTE = Limit(5, 60.0)
OF_ADDRESS = Limit(30, 3600.0)
OF_NAME = Limit(50, 3600.0)
# Keys beyond which those are forgotten whose window is over. Our choice: a few MB.
MOST_KEYS = 10_000

_Key = tuple[str, ...]


class Attempts:
    """Wrong passwords of the last hour.

    Counted here and by no library: those that are kept up read the computer's own clock, and one
    that is set back by a year would keep everybody out for as long.
    """

    def __init__(self, clock: Callable[[], float] = running_s) -> None:
        """`clock` gives seconds that only ever grow."""
        self._clock = clock
        self._lock = Lock()
        # When each of the latest tries was, the oldest first; no more of them than the limit.
        self._wrong: dict[_Key, deque[float]] = {}

    def wait_s(self, name: str, address: str) -> int:
        """Whole seconds to wait before another try; 0 to try now."""
        now = self._clock()
        with self._lock:
            waits = [self._wait_s(limit, key, now) for limit, key in _tries(name, address)]
        return max(0, ceil(max(waits)))

    def wrong(self, name: str, address: str) -> None:
        """Count a wrong password."""
        now = self._clock()
        with self._lock:
            for limit, key in _tries(name, address):
                self._wrong.setdefault(key, deque(maxlen=limit.most)).append(now)
            if len(self._wrong) > MOST_KEYS:
                longest = OF_ADDRESS.window_s
                self._wrong = {
                    key: times for key, times in self._wrong.items() if now - times[-1] < longest
                }

    def _wait_s(self, limit: Limit, key: _Key, now: float) -> float:
        times = self._wrong.get(key, deque())
        return times[0] + limit.window_s - now if len(times) == limit.most else 0.0


def _tries(name: str, address: str) -> tuple[tuple[Limit, _Key], ...]:
    name = name.casefold()
    return (
        (PER_MINUTE, ("both", name, address)),
        (OF_ADDRESS, ("address", address)),
        (OF_NAME, ("name", name)),
    )
