"""What a simulated folder is to hold, said and checked before anything is written."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from fruitvision import __version__
from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.simulate import defaults
from fruitvision.simulate.picture.shot import Look, Shot
from fruitvision.simulate.presets import Preset
from fruitvision.simulate.season.draw import SeasonBlock, draw_season
from fruitvision.simulate.season.plan import BlockPlan
from fruitvision.simulate.season.tables import FACES
from fruitvision.whole_file import write_whole

Recipe = dict[str, Any]

# What a folder was made from lies in it under this name.
RECIPE_FILE = "simulated.json"
# Our choice: numpy takes larger seeds, but nine digits are enough and fit in every table.
LARGEST_SEED = 999_999_999
# Our choice: small looks at one end, the sensors of phones at the other.
SMALLEST_PX, LARGEST_PX = 60, 12_000
MOST_SAMPLES = 4096
MOST_SHRINK = 20
# Below, blocks show in every leaf. Our choice.
WORST_JPEG = 30
FACE_CHOICES = {"both": FACES, "A": ("A",)}
# Photos of one face, side by side along the row.
STEP_CHOICES = (1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """How photos come out; None keeps what the preset says.

    `samples` : rays per px; `shrink` : 5 makes a fifth of the width, to look at the scene cheaply.
    """

    samples: int = defaults.SAMPLES
    shrink: int = 1
    width_px: int | None = None
    height_px: int | None = None
    jpeg_quality: int | None = None

    def __post_init__(self) -> None:
        _check_range("samples", self.samples, 1, MOST_SAMPLES)
        _check_range("shrink", self.shrink, 1, MOST_SHRINK)
        for name, size_px in (("width", self.width_px), ("height", self.height_px)):
            if size_px is not None:
                _check_range(name, size_px, SMALLEST_PX, LARGEST_PX)
        if self.jpeg_quality is not None:
            _check_range("jpeg-quality", self.jpeg_quality, WORST_JPEG, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Photos of some trees of a simulated farm.

    `trees` : photographed trees of each block, spread over it; None takes the preset's own number.
    `second_places` : of so many of them face A is also photographed from a step along the row.
    """

    preset: Preset
    seed: int
    trees: int | None = None
    faces: tuple[str, ...] = FACES
    steps: int = 1
    second_places: int = 0
    pictures: Pictures = field(default_factory=Pictures)

    def __post_init__(self) -> None:
        _check_range("seed", self.seed, 0, LARGEST_SEED)
        _check_range("steps", self.steps, STEP_CHOICES[0], STEP_CHOICES[-1])
        if self.trees is not None:
            fewest = min(_bearing(plan) for plan in self.preset.plans)
            _check_range("trees", self.trees, 1, fewest, of=f"bearing trees of {self.preset.name}")
        photographed = min(plan.photographed for plan in self.plans())
        _check_range("second-places", self.second_places, 0, photographed, of="photographed trees")

    def plans(self) -> tuple[BlockPlan, ...]:
        """Plans of the blocks, with the number of photographed trees that is wanted."""
        return tuple(_photographing(plan, self.trees) for plan in self.preset.plans)

    def draw(self) -> tuple[SeasonBlock, ...]:
        """The season; the same on every machine."""
        return draw_season(self.seed, self.plans())

    def look(self) -> Look:
        """The preset's look in the wanted size and quality."""
        look, wanted = self.preset.look, self.pictures
        camera = replace(
            look.camera,
            width_px=wanted.width_px or look.camera.width_px,
            height_px=wanted.height_px or look.camera.height_px,
        )
        quality = wanted.jpeg_quality or look.phone.jpeg_quality
        return replace(look, camera=camera, phone=replace(look.phone, jpeg_quality=quality))

    def shots(self, blocks: tuple[SeasonBlock, ...]) -> tuple[Shot, ...]:
        """All photos in the order of the walk list."""
        look = self.look()
        return tuple(
            Shot(block=block, tree=tree, face=face, seed=self.seed, look=look, step=step)
            for block in blocks
            for number, tree in enumerate(block.photographed)
            for face in self.faces
            for step in range(self.places(number, face))
        )

    def places(self, number: int, face: str) -> int:
        """Photos of a face of the photographed tree of that number."""
        return 2 if face == FACES[0] and number < self.second_places else self.steps

    def recipe(self, *, photos: bool = True) -> Recipe:
        """All that decides what the folder holds, as JSON has it."""
        return {
            "made_with": f"fruitvision {__version__}",
            "preset": self.preset.name,
            "seed": self.seed,
            "trees": self.trees,
            "faces": list(self.faces),
            "steps": self.steps,
            "second_places": self.second_places,
            "pictures": asdict(self.pictures) if photos else None,
        }


def faces_of(choice: str) -> tuple[str, ...]:
    """The faces of a choice: both, or A.

    Raises
    ------
    SimulationError
        If it is neither.
    """
    if choice not in FACE_CHOICES:
        raise SimulationError(f"--faces is '{choice}'.", fix=did_you_mean(choice, FACE_CHOICES))
    return FACE_CHOICES[choice]


def start_folder(work: Work, folder: Path, *, photos: bool = True) -> None:
    """Make the folder and note in it what it is made from; a folder of the same work goes on.

    Raises
    ------
    SimulationError
        If it holds other work, a farm, or files that no simulation made.
    """
    recipe = work.recipe(photos=photos)
    if folder.exists() and not folder.is_dir():
        raise SimulationError(f"{folder} is a file.", fix="Give a folder, or a name not taken yet.")
    if (folder / RECIPE_FILE).is_file():
        found = _read_recipe(folder / RECIPE_FILE)
        if not photos or found.get("pictures") is None:  # so far there are only tables
            recipe["pictures"] = recipe["pictures"] or found.get("pictures")
            found["pictures"] = recipe["pictures"]
        found.setdefault("second_places", 0)  # what folders of earlier versions do not say
        _refuse_other_work(found, recipe, folder)
    else:
        _refuse_other_files(folder)
    try:
        write_whole(folder / RECIPE_FILE, (json.dumps(recipe, indent=2) + "\n").encode())
    except OSError as err:
        raise SimulationError(
            f"Can't write to {folder}: {err.strerror}.",
            fix="Check that the folder can be written and the disk has room.",
        ) from err


def _refuse_other_files(folder: Path) -> None:
    found = sorted(path.name for path in folder.glob("[!.]*"))
    if found:
        farm = any(name.endswith(".sqlite") for name in found)
        what = "is a farm's folder" if farm else f"holds other files ({found[0]} …)"
        raise SimulationError(f"{folder} {what}.", fix="Give an empty or a new folder as --out.")


def _read_recipe(path: Path) -> Recipe:
    try:
        recipe = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise SimulationError(f"{path} can't be read.", fix="Give a new folder as --out.") from err
    return recipe if isinstance(recipe, dict) else {}


def _refuse_other_work(found: Recipe, wanted: Recipe, folder: Path) -> None:
    for name, value in wanted.items():
        if found.get(name) != value:
            raise SimulationError(
                f"{folder} holds other work: its {name} is {_shown(found.get(name))}, "
                f"not {_shown(value)}.",
                fix="Give a new folder as --out, or the options that this folder was made with.",
            )


def _shown(value: object) -> str:
    return json.dumps(value).replace('"', "'")


def _bearing(plan: BlockPlan) -> int:
    return plan.rows * plan.trees_per_row - plan.missing - plan.pollinizers


def _photographing(plan: BlockPlan, trees: int | None) -> BlockPlan:
    """The plan with so many photographed trees; no more of them are counted or callipered."""
    if trees is None:
        return plan
    return replace(
        plan,
        photographed=trees,
        hand_counted=min(plan.hand_counted, trees),
        calipered=min(plan.calipered, trees),
    )


def _check_range(name: str, value: int, lowest: int, highest: int, of: str = "") -> None:
    if not lowest <= value <= highest:
        fix = f"Give a whole number from {lowest} to {highest}{f' ({of})' if of else ''}."
        raise SimulationError(f"--{name} is {value}.", fix=fix)
