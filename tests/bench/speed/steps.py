"""All steps by name. Only the module of the step that is asked for is imported."""

from __future__ import annotations

from importlib import import_module

from tests.bench.speed.step import Step

# Steps by the module that holds them, in the order of the work.
MODULES = {
    "cold_steps": ("help", "measure"),
    "photo_steps": ("decode", "marker", "detect", "outlines", "save", "photo", "photos"),
    "farm_steps": ("rows", "estimate", "estimate-again", "forecast"),
}
# Those that work on a farm which is there; `rows` makes its own.
ON_A_FARM = ("estimate", "estimate-again", "forecast")
NAMES = tuple(name for names in MODULES.values() for name in names)


def step_of(name: str) -> Step:
    """The step of a name.

    Raises
    ------
    KeyError
        If there is none.
    ImportError
        If the program lacks something that the step calls.
    """
    for module, names in MODULES.items():
        if name in names:
            held = import_module(f"tests.bench.speed.{module}")
            steps: tuple[Step, ...] = getattr(held, module.upper())
            return next(step for step in steps if step.name == name)
    raise KeyError(name)
