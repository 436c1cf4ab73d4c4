"""A visitor's language and units from one visit to the next."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import remembered
from app.wording import LANGUAGES, texts
from fruitvision.accounts import Role
from fruitvision.accounts.choices import ChoiceBook, Choices
from tests.app.pages import MAIN, radio


def visit(**address: str) -> AppTest:
    page = AppTest.from_file(str(MAIN), default_timeout=30)
    for name, value in address.items():
        page.query_params[name] = value
    return page.run()


def language_box(page: AppTest) -> str:
    words = {str(texts(code, "common")["language"]) for code in LANGUAGES}
    return next(str(box.value) for box in page.selectbox if box.label in words)


def choose_french(page: AppTest) -> None:
    box = next(one for one in page.selectbox if one.label == texts("en", "common")["language"])
    box.set_value("fr").run()


@pytest.fixture
def as_teo(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.session._signed_in", lambda: ("Teo", Role.READER))


def test_what_a_person_chose_holds_on_another_phone_and_for_nobody_else(
    filled: Path, as_teo: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose_french(visit())
    assert ChoiceBook(filled).of("Teo") == Choices(language="fr")
    again = visit()
    assert not again.exception
    assert language_box(again) == "fr"
    assert language_box(visit(lang="es")) == "es"
    assert ChoiceBook(filled).of("Teo") == Choices(language="fr")
    monkeypatch.setattr("app.session._signed_in", lambda: ("Ines", Role.MANAGER))
    assert language_box(visit()) == "en"


def test_units_are_remembered_beside_the_language(filled: Path, as_teo: None) -> None:
    choose_french(visit())
    page = visit(lang="en")
    radio(page, str(texts("en", "common")["units"])).set_value("us").run()
    assert ChoiceBook(filled).of("Teo") == Choices(language="fr", units="us")
    assert visit().query_params["units"] == "us"


def test_without_accounts_the_browser_keeps_it(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = visit()
    choose_french(page)
    scripts = [one.proto.body for one in page.get("html") if "document.cookie" in one.proto.body]
    assert scripts == [
        '<script>document.cookie = "fruitvision_language=fr; path=/; max-age=31622400; '
        'samesite=strict";</script>'
    ]
    assert not ChoiceBook(filled).path.exists()
    monkeypatch.setattr(remembered, "_of_browser", lambda: Choices(language="fr", units="us"))
    assert language_box(visit()) == "fr"
    monkeypatch.setattr(remembered, "_of_browser", lambda: Choices(language="<b>", units="x"))
    again = visit()
    assert not again.exception
    assert language_box(again) == "en"


def test_a_damaged_file_of_choices_costs_the_choices_only(tmp_path: Path) -> None:
    book = ChoiceBook(tmp_path)
    for damaged in ("{", "[]", '{"teo": 5}', '{"teo": {"colour": "red"}}'):
        book.path.write_text(damaged)
        assert book.of("Teo") == Choices()
    book.keep("Teo", Choices(units="us"))
    assert book.of("TEO") == Choices(units="us")
    book.forget("Teo")
    assert "teo" not in book.path.read_text()
