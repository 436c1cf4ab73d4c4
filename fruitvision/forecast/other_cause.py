"""What stands behind the last step of a bridge, `other`: which blocks came or went, and so on."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from fruitvision.domain import Forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCause:
    """What no other cause holds, between two forecasts.

    `came`, `went` : names of blocks in the later one only and in the earlier one only. `settings` :
    names of the settings that changed. `table` : whether the size table has other classes.
    """

    came: tuple[str, ...] = ()
    went: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    table: bool = False

    @property
    def is_known(self) -> bool:
        """Whether anything of it can be named."""
        return bool(self.came or self.went or self.settings or self.table)


def other_cause(earlier: Forecast, now: Forecast) -> OtherCause:
    """What differs between two forecasts beside what each block's own inputs tell."""
    before, after = _names(earlier), _names(now)
    return OtherCause(
        came=tuple(name for name in after if name not in before),
        went=tuple(name for name in before if name not in after),
        settings=changed_settings(earlier.settings_text, now.settings_text),
        table=None not in (earlier.table, now.table) and earlier.table != now.table,
    )


def _names(forecast: Forecast) -> tuple[str, ...]:
    return tuple(one.estimate.block.block_id for one in forecast.inputs)


def changed_settings(before: str, after: str) -> tuple[str, ...]:
    """Settings that both texts hold with other values; an earlier program knew fewer."""
    old, new = tomllib.loads(before), tomllib.loads(after)
    return tuple(name for name in old if name in new and old[name] != new[name])
