"""How often somebody may try to sign in."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from time import time

from limits import RateLimitItem, RateLimitItemPerHour, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

# Wrong passwords of one name from one address in a minute, of one address in an hour, and of one
# name in an hour from anywhere. Our choice: who mistypes tries again at once; who guesses gets a
# few hundred tries a day where a password of three words takes millions. A name can be kept out for
# a while by somebody who guesses from many addresses: better than let in.
PER_MINUTE = RateLimitItemPerMinute(5)
OF_ADDRESS = RateLimitItemPerHour(30)
OF_NAME = RateLimitItemPerHour(50)


@dataclass(frozen=True, slots=True)
class _Try:
    limit: RateLimitItem
    of: tuple[str, ...]


class Attempts:
    """Wrong passwords of the last hour."""

    def __init__(self) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def wait_s(self, name: str, address: str) -> int:
        """Whole seconds to wait before another try; 0 to try now."""
        waits = [
            self._limiter.get_window_stats(one.limit, *one.of).reset_time - time()
            for one in _tries(name, address)
            if not self._limiter.test(one.limit, *one.of)
        ]
        return max((max(1, ceil(wait)) for wait in waits), default=0)

    def wrong(self, name: str, address: str) -> None:
        """Count a wrong password."""
        for one in _tries(name, address):
            self._limiter.hit(one.limit, *one.of)


def _tries(name: str, address: str) -> tuple[_Try, ...]:
    name = name.casefold()
    return (
        _Try(PER_MINUTE, (name, address)),
        _Try(OF_ADDRESS, ("address", address)),
        _Try(OF_NAME, ("name", name)),
    )
