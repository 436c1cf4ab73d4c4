"""The benchmark set: the exact recipe of the photos under tests/orchards, and its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.simulate.album import Album
from fruitvision.simulate.presets import preset_of
from fruitvision.simulate.work import Pictures, Work


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchmarkSet:
    """Photos that measurements are compared on: for each preset, both faces of some trees.

    `presets` : name and seed of each. Seeds differ, so that no two blocks share a tree.
    `second_places` : trees of each whose face A is also photographed from a step along the row.
    """

    presets: tuple[tuple[str, int], ...]
    trees: int
    second_places: int
    pictures: Pictures

    def albums(self, out: Path, only: Sequence[str] = ()) -> tuple[Album, ...]:
        """One folder under `out` for each preset, or for those in `only`.

        Raises
        ------
        SimulationError
            If a name in `only` is none of the set.
        """
        names = [name for name, _ in self.presets]
        for name in only:
            if name not in names:
                raise SimulationError(
                    f"The benchmark has no preset '{name}'.", fix=did_you_mean(name, names)
                )
        return tuple(
            Album(work=self._work(name, seed), folder=out / name)
            for name, seed in self.presets
            if not only or name in only
        )

    def _work(self, preset: str, seed: int) -> Work:
        return Work(
            preset=preset_of(preset),
            seed=seed,
            trees=self.trees,
            second_places=self.second_places,
            pictures=self.pictures,
        )


# 108 photos. 1800 x 2400 is a phone's 4:3 at about a third of its 12 megapixels: the whole set
# stays under 63 MB, so that it can be kept beside the tests, and fruit stay as wide in px as they
# need to be sized. 48 samples: the grain that is left looks like a phone's, and the set takes
# minutes. Our choice.
BENCHMARK = BenchmarkSet(
    presets=(
        ("easy-wall", 41),
        ("leafy-spindle", 42),
        ("green-early", 43),
        ("low-sun", 44),
        ("night-flash", 45),
        ("frost-hit", 46),
    ),
    trees=8,
    second_places=2,
    pictures=Pictures(samples=48, width_px=1800, height_px=2400, jpeg_quality=74),
)
