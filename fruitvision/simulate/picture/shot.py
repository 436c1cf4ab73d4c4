"""One photo to be made: which tree, from which side and place, and how everything looks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fruitvision.simulate.picture.camera import CameraDials
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.light import LightDials
from fruitvision.simulate.picture.phone import PhoneDials
from fruitvision.simulate.picture.references import ReferenceDials
from fruitvision.simulate.picture.skin import SkinDials
from fruitvision.simulate.picture.tree import TreeDials
from fruitvision.simulate.season.draw import SeasonBlock
from fruitvision.simulate.season.tables import photo_name


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """All dials of a picture; the defaults are those of the sample farm."""

    tree: TreeDials = field(default_factory=TreeDials)
    skin: SkinDials = field(default_factory=SkinDials)
    ground: GroundDials = field(default_factory=GroundDials)
    references: ReferenceDials = field(default_factory=ReferenceDials)
    light: LightDials = field(default_factory=LightDials)
    camera: CameraDials = field(default_factory=CameraDials)
    phone: PhoneDials = field(default_factory=PhoneDials)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo to be made.

    `tree` : index of the tree in `block.places`; `face` : A or B; `step` : 0 stands before the
    trunk, 1, 2 ... so many steps further along the row (see `CameraDials.step_mm`).
    """

    block: SeasonBlock
    tree: int
    face: str
    seed: int
    look: Look = field(default_factory=Look)
    step: int = 0

    @property
    def name(self) -> str:
        """File of the photo, relative to the folder of the tables; a step aside has its number."""
        return photo_name(self.block, self.tree, self.face, self.step)

    @property
    def towards(self) -> float:
        """Sign of z on the camera's side of the row."""
        return 1.0 if self.face == "A" else -1.0

    def rng(self, purpose: int) -> np.random.Generator:
        """Stream of this photo for one purpose; all steps of a face share those of the scene."""
        row, position = self.block.places[self.tree].tolist()
        name = ord(self.block.plan.letter)
        return np.random.default_rng([self.seed, name, row, position, ord(self.face), purpose])
