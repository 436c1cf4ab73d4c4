"""Presets: an invented block and how its photos look, by name."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.simulate.picture.shot import Look
from fruitvision.simulate.season.plan import BlockPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """One kind of block. `words` : one sentence of what is hard or easy about it."""

    name: str
    words: str
    plan: BlockPlan
    look: Look
