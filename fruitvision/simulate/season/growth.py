"""How fruit grow from one day to another: two laws, the weather of a season, and drought.

Expolinear growth is deliberately not the formula of the forecast: mass grows expolinearly, the
season changes its pace after the walk, and diameter follows mass by a power other than 1/3.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.season.dial import check_dials, dial, refuse

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Expolinear growth of a mean fruit: exponential at first, then so many grams a day.

    Goudriaan and Monteith 1990, Annals of Botany 66: 695 (form from memory).
    """

    grams_per_day: float = dial(
        1.5, unit="g/day", low=0.0, high=10.0, source="our choice: 0.2-0.5 mm a day at 60-80 mm"
    )
    relative_rate_per_day: float = dial(
        0.085, unit="1/day", low=0.001, high=1.0, source="our choice: doubles in 8 days at first"
    )
    linear_from: date
    power: float = dial(
        2.85,
        unit="",
        low=2.0,
        high=4.0,
        # Diameter ~ mass ** (1 / power).
        source="our choice: below 3 (fruit get lighter for their size as air space grows) keeps "
        "this truth apart from a straight line in D³",
    )

    def __post_init__(self) -> None:
        check_dials(self)

    def mass_g(self, day: date, later_days: float = 0.0) -> float:
        """Mass of the mean fruit so many growing days after `day`, g."""
        days = (day - self.linear_from).days + later_days
        scale = self.grams_per_day / self.relative_rate_per_day
        return scale * float(np.logaddexp(0.0, self.relative_rate_per_day * days))

    def grown_mm(
        self, diameter_mm: Floats, *, usual_mm: float, walked_on: date, days: float, pace: Floats
    ) -> Floats:
        """(N,) diameters `days` growing days after the walk (before it if negative).

        A fruit half as heavy as the usual one gains about two thirds as much.
        """
        walk_g = self.mass_g(walked_on)
        relative = (diameter_mm / usual_mm) ** self.power
        gain = (self.mass_g(walked_on, days) - walk_g) / walk_g * relative**0.6 * pace
        mass_ratio = np.maximum(1.0 + gain / relative, 0.05)
        return np.asarray(diameter_mm * mass_ratio ** (1.0 / self.power), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightGrowth:
    """The law of the forecast itself: the mean of D³ is linear, every fruit gains the same mm.

    With it, a season without errors must give the exact forecast.
    """

    mm3_per_day: float = dial(
        4450.0,
        unit="mm³/day",
        low=0.0,
        high=20000.0,
        source="Fuji, Cadriano 2022 (Zenodo 10.5281/zenodo.10687503)",
    )

    def __post_init__(self) -> None:
        check_dials(self)

    def grown_mm(
        self, diameter_mm: Floats, *, usual_mm: float, walked_on: date, days: float, pace: Floats
    ) -> Floats:
        """(N,) diameters `days` growing days after the walk (before it if negative)."""
        if not len(diameter_mm):
            return diameter_mm
        spread = float(diameter_mm.var())
        mean = float(diameter_mm.mean())
        wanted = mean**3 + 3.0 * spread * mean + self.mm3_per_day * days
        shift = _mean_of_cube(max(wanted, 0.0), spread) - mean
        return np.asarray(np.maximum(diameter_mm + shift * pace, 1.0), dtype=np.float64)


def _mean_of_cube(cube: float, spread: float) -> float:
    """The x above 0 with x³ + 3·spread·x = cube, by Newton's steps from above."""
    x = max(float(np.cbrt(cube)), 1e-9)
    for _ in range(50):
        step = (x**3 + 3.0 * spread * x - cube) / (3.0 * (x**2 + spread))
        x -= step
        if abs(step) < 1e-12:
            break
    return x


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """The pace of growth after the walk, against the law of growth, and a drought.

    Growth stops (or slows to `dry_pace`) from `dry_from` until the day before `dry_until`.
    """

    pace: float = dial(0.96, unit="x", low=0.0, high=2.0, source="our choice: a slow autumn")
    pace_sd: float = dial(0.05, unit="x", low=0.0, high=0.5, source="our choice, between seasons")
    pace_between: tuple[float, float] = dial(
        (0.85, 1.08), unit="x", low=0.0, high=3.0, source="our choice: no season strays further"
    )
    fruit_pace_sd: float = dial(
        0.10, unit="x", low=0.0, high=0.5, source="sd of mm a day among 24 Fuji, Cadriano 2022"
    )
    jitter_mm: float = dial(
        0.5, unit="mm", low=0.0, high=5.0, source="our choice: growth that follows no law"
    )
    dry_from: date | None = None
    dry_until: date | None = None
    dry_pace: float = dial(0.0, unit="x", low=0.0, high=1.0, source="our choice: growth stops")

    def __post_init__(self) -> None:
        check_dials(self)
        if (self.dry_from is None) != (self.dry_until is None):
            refuse("dry_until", self.dry_until, "both dry_from and dry_until, or neither")
        if self.dry_from and self.dry_until and self.dry_until < self.dry_from:
            refuse("dry_until", self.dry_until, f"a day from {self.dry_from} on")

    def growing_days(self, start: date, day: date) -> float:
        """Days from `start` to `day` less those lost to drought; negative before `start`."""
        whole = (day - start).days
        if self.dry_from is None or self.dry_until is None:
            return float(whole)
        first, last = min(start, day), max(start, day)
        dry = max(0, (min(last, self.dry_until) - max(first, self.dry_from)).days)
        lost = dry * (1.0 - self.dry_pace)
        return whole - lost if whole >= 0 else whole + lost
