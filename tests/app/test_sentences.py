"""Sentences of the library in Spanish and French: all are there, and they come out whole."""

from __future__ import annotations

import re
from datetime import date

import pytest

from app import wording
from app.sentences import Language, Sentences, places
from fruitvision.domain import Doubt
from tests.app.library_sentences import catalogue

TRANSLATED = ("es", "fr")
A_PLACE = re.compile(r"\{(\w+)(?::\w+)?\}")


def translate(code: str, text: str) -> str:
    return wording._sentences(code).translate(text).replace("\u00a0", " ").replace("\u202f", " ")


@pytest.fixture(scope="module")
def templates() -> dict[str, list[str]]:
    return catalogue()


@pytest.mark.parametrize("code", TRANSLATED)
def test_every_template_of_the_library_has_its_translation_and_none_is_left_over(
    templates: dict[str, list[str]], code: str
) -> None:
    known = {key for key in wording.texts(code, "library") if key != "words"}
    lacking = {text: where for text, where in templates.items() if text not in known}
    assert not lacking
    assert known == set(templates)


@pytest.mark.parametrize("code", TRANSLATED)
def test_a_translation_has_the_places_of_its_template(code: str) -> None:
    library = wording.texts(code, "library")
    words = library["words"]
    assert isinstance(words, dict)
    for template, translation in [*library.items(), *words.items()]:
        if isinstance(translation, str):
            assert sorted(places(template)) == sorted(places(translation)), template


@pytest.mark.parametrize("code", TRANSLATED)
def test_a_template_filled_with_names_comes_out_as_its_translation_with_these_names(
    code: str,
) -> None:
    for template, translation in wording.texts(code, "library").items():
        if isinstance(translation, str):
            named = {place: f"Zq{number}z" for number, place in enumerate(places(template))}
            filled = A_PLACE.sub(lambda found, named=named: named[found[1]], template)  # type: ignore[misc]
            wanted = A_PLACE.sub(lambda found, named=named: named[found[1]], translation)  # type: ignore[misc]
            plain = wanted.replace("\u00a0", " ")
            assert translate(code, filled) == plain, template


@pytest.mark.parametrize("code", TRANSLATED)
@pytest.mark.parametrize("doubt", Doubt)
def test_every_doubt_is_said_in_the_language(code: str, doubt: Doubt) -> None:
    assert translate(code, doubt.words) != doubt.words


@pytest.mark.parametrize(
    ("english", "spanish", "french"),
    [
        (
            "There is no farm in /home/ana/Farm 2.",
            "No hay ninguna finca en /home/ana/Farm 2.",
            "Il n'y a pas d'exploitation dans /home/ana/Farm 2.",
        ),
        (
            "Gala North: photograph 3 more trees, from the same faces as before. The range of the "
            "crop would narrow from ±14 % to about ±10 %.",
            "Gala North: fotografíe 3 árboles más, por las mismas caras que antes. El rango de la "
            "cosecha se estrecharía de ±14 % a cerca de ±10 %.",
            "Gala North : photographiez 3 arbres de plus, sur les mêmes faces qu'avant. La "
            "fourchette de la récolte passerait de ±14 % à environ ±10 %.",
        ),
        (
            "Rests on 6 trees of 2 blocks and no hand counts of this season; growth: two walks, "
            "12 days, 25 % from the farm's curve of 2024, 2025; weight: 31 weighed fruit of Gala.",
            "Se apoya en 6 árboles de 2 cuarteles y ningún conteo a mano de esta temporada; "
            "crecimiento: dos recorridos, 12 días, 25 % de la curva de la finca de 2024, 2025; "
            "peso: 31 frutas pesadas de Gala.",
            "Repose sur 6 arbres de 2 parcelles et aucun comptage à la main de cette saison ; "
            "croissance : deux tournées, 12 jours, 25 % de la courbe de l'exploitation de 2024, "
            "2025 ; poids : 31 fruits pesés de Gala.",
        ),
        (
            "Gala North row 3: fruit diameter 4 % below its like (-6 to -2 %; chance of noise "
            "under 1 %). Go and look.",
            "Gala North hilera 3: diámetro de la fruta 4 % bajo sus pares (-6 a -2 %; "
            "probabilidad de que sea ruido menos de 1 %). Vaya a mirar.",
            "Gala North rang 3 : diamètre des fruits 4 % au-dessous de ses semblables (-6 à -2 % ; "
            "probabilité que ce soit du bruit moins de 1 %). Allez voir.",
        ),
        (
            "Unknown setting 'x, y'. Did you mean 'y'? Known: a, b.",
            "Ajuste desconocido 'x, y'. ¿Quiso decir 'y'? Se conocen: a, b.",
            "Réglage inconnu 'x, y'. Vouliez-vous dire 'y' ? Connus : a, b.",
        ),
        (
            "The pick date 2026-08-01 is before the photos of 2026-08-12. Correct the pick date, "
            "or the phone's clock.",
            "La fecha de cosecha 1 ago 2026 es anterior a las fotos del 12 ago 2026. Corrija la "
            "fecha de cosecha, o el reloj del teléfono.",
            "La date de récolte 1 août 2026 précède les photos du 12 août 2026. Corrigez la date "
            "de récolte, ou l'horloge du téléphone.",
        ),
        (
            "a.jpg and b.jpg: They were taken 3 days apart. Take both on one day: fruit grow, and "
            "limbs sink under them.",
            "a.jpg y b.jpg: Se tomaron con 3 días de diferencia. Tome ambas el mismo día: la fruta "
            "crece y las ramas bajan con ella.",
            "a.jpg et b.jpg : Elles ont été prises à 3 jours d'écart. Prenez les deux le même jour "
            ": les fruits grossissent, et les branches s'abaissent sous eux.",
        ),
        (
            "Look at Gala row 1 tree 2, Gala row 1 tree 3: without them the factor is 1.42.",
            "Revise Gala hilera 1 árbol 2, Gala hilera 1 árbol 3: sin ellos el factor es 1,42.",
            "Regardez Gala rang 1 arbre 2, Gala rang 1 arbre 3 : sans eux le facteur est 1,42.",
        ),
        (
            "3 usable photos of the board, 8 are needed. Left out: 2 × it was zoomed; 1 × the "
            "board is not in it.",
            "3 fotos utilizables del tablero, se necesitan 8. Se dejó fuera: 2 × se usó zoom; 1 × "
            "el tablero no está en ella.",
            "3 photos utilisables de la planche, il en faut 8. Laissé de côté : 2 × elle a été "
            "zoomée ; 1 × la planche n'y est pas.",
        ),
    ],
)
def test_finished_sentences_come_out_in_the_language(
    english: str, spanish: str, french: str
) -> None:
    assert translate("es", english) == spanish
    assert translate("fr", english) == french


def test_names_of_a_farm_stay_as_they_are() -> None:
    # A block may be called as a word of the library, hold a full stop, a number or a colon.
    for name in ("load", "Mt. Hood", "12.5", "A: B", "trees and panels"):
        found = translate("es", f"Block '{name}' is not in the list of blocks.")
        assert found == f"El cuartel '{name}' no está en la lista de cuarteles."
        assert translate("es", f"{name}: enough, the crop is known to ±8 %.").startswith(name)


def test_an_unknown_sentence_stays_english_beside_known_ones() -> None:
    assert translate("es", "Nobody wrote this.") == "Nobody wrote this."
    assert translate("es", "Nobody wrote this. Fill it in.") == "Nobody wrote this. Complételo."
    assert translate("es", "  ") == "  "


def test_numbers_are_written_as_the_language_does_but_not_what_somebody_typed() -> None:
    language = Language(
        number=lambda one: one.replace(",", " ").replace(".", ","), day=date.isoformat
    )
    sentences = Sentences(
        {"{n} fruit are {mm} mm.": "{n} frutas, {mm} mm.", "It is '{typed}'.": "Es '{typed}'."},
        language,
    )
    assert sentences.translate("1,234 fruit are 71.5 mm.") == "1 234 frutas, 71,5 mm."
    assert sentences.translate("It is '71.5'.") == "Es '71.5'."
