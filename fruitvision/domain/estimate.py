"""A number with its range, and what a result was made with."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """P10, P50 and P90 of a number. The unit is in the name of the field that holds it."""

    p10: float
    p50: float
    p90: float

    def __post_init__(self) -> None:
        if not self.p10 <= self.p50 <= self.p90:
            raise ValueError(f"need p10 <= p50 <= p90, got {self.p10}, {self.p50}, {self.p90}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeWith:
    """What a result was made with: same in, same out."""

    version: str
    detector: str
    settings_sha256: str
