"""What a person knows of a model and writes down for its card; and the card's text."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from fruitvision.errors import SettingsError
from fruitvision.fruit.model_card import CARD_NAME, read_card
from fruitvision.train.config_values import record_from
from fruitvision.whole_file import write_whole

FACTS_FILE = "card_facts.toml"
NOT_MEASURED = "Not measured yet: a draft."


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationFacts:
    """Slope and offset, or a table: see `fruitvision.fruit.calibration`."""

    slope: float = 1.0
    offset: float = 0.0
    per_doubling: float = 0.0
    scores: tuple[float, ...] = ()
    chances: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureFacts:
    """One measured figure, in words."""

    what: str
    value: str
    on: str
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFacts:
    """Facts of a card that the network does not tell: see `fruitvision.fruit.model_card`.

    Texts left empty are filled from the run. The numbers given here hold for a draft only.
    """

    name: str = "learned"
    version: str = ""
    licence: str = "Apache-2.0"
    source: str = ""
    trained_on: str = ""
    intended_use: str = "Apples in row photos, from fruitlets to harvest."
    known_limits: str = NOT_MEASURED
    default_weights: str = "float"
    fruit_width_px: float = 44.0
    # Of a fruit of 70 mm. Our choice.
    mm_per_px: float = 1.6
    score_threshold: float = 0.4
    most_overlap: float = 0.5
    count_error: float = 0.1
    calibration: CalibrationFacts = field(default_factory=CalibrationFacts)
    figures: tuple[FigureFacts, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """A file of the card. `probe_tolerance` : None for the probe itself."""

    file: str
    sha256: str
    probe_tolerance: float | None = None


def read_facts(path: Path) -> CardFacts | None:
    """Facts from a TOML file; None if it is not there.

    Raises
    ------
    SettingsError
        If it is no TOML, has an unknown key, or a value of the wrong kind.
    """
    try:
        given: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as err:
        raise SettingsError(
            f"The facts for the card, {path}, can't be read: {err}.",
            fix="Write lines such as score_threshold = 0.4.",
        ) from err
    facts: CardFacts = record_from(
        CardFacts, given, folder=path.parent, document="facts for the card"
    )
    return facts


def filled(facts: CardFacts, *, version: str, source: str, trained_on: str) -> CardFacts:
    """The facts with these texts where they have none."""
    return replace(
        facts,
        version=facts.version or version,
        source=facts.source or source,
        trained_on=facts.trained_on or trained_on,
    )


def write_card(
    folder: Path, facts: CardFacts, weights: Mapping[str, FileFacts], probe: FileFacts
) -> None:
    """Write card.toml and read it once as the program does.

    Parameters
    ----------
    weights : mapping
        Files of the networks, by the weights' names.

    Raises
    ------
    DetectorDamaged
        If a fact is out of its range: the card says which.
    """
    write_whole(folder / CARD_NAME, card_text(facts, weights, probe).encode())
    read_card(folder)


def card_text(facts: CardFacts, weights: Mapping[str, FileFacts], probe: FileFacts) -> str:
    """The text of card.toml."""
    plain = [one.name for one in fields(facts) if one.name not in ("calibration", "figures")]
    blocks = [
        _lines({name: getattr(facts, name) for name in plain}),
        "[calibration]\n" + _lines(_calibration(facts.calibration)),
        *(f"[weights.{name}]\n" + _lines(_file(one)) for name, one in weights.items()),
        "[probe]\n" + _lines(_file(probe)),
        *(
            "[[figures]]\n" + _lines({f.name: getattr(one, f.name) for f in fields(one)})
            for one in facts.figures
        ),
    ]
    return "\n".join(blocks)


def _calibration(facts: CalibrationFacts) -> dict[str, object]:
    enlarged = {"per_doubling": facts.per_doubling} if facts.per_doubling else {}
    if facts.scores:
        return {"scores": list(facts.scores), "chances": list(facts.chances), **enlarged}
    return {"slope": facts.slope, "offset": facts.offset, **enlarged}


def _file(facts: FileFacts) -> dict[str, object]:
    out: dict[str, object] = {"file": facts.file, "sha256": facts.sha256}
    return (
        out if facts.probe_tolerance is None else {**out, "probe_tolerance": facts.probe_tolerance}
    )


def _lines(values: Mapping[str, object]) -> str:
    # TOML reads texts, numbers and lists of numbers as JSON writes them.
    return "".join(
        f"{name} = {json.dumps(value, ensure_ascii=False)}\n" for name, value in values.items()
    )
