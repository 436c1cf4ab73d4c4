"""The gate before the app: who passes, who is turned away, and what can't be claimed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Lock
from time import sleep
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from argon2 import PasswordHasher

from app.gate.doors import Doors, doors_of
from app.gate.gate import COOKIE, LONGEST_FORM, Gate, signed_in
from app.gate.pages import PAGES, pages_of
from app.wording import texts
from fruitvision.accounts import Role, book
from fruitvision.accounts.sign_ins import SIGN_INS_NAME, Outcome, sign_ins

AT = datetime(2026, 9, 1, tzinfo=UTC)
WORDS = "kettle moss lantern"
ABROAD = "192.0.2.7"


@dataclass
class Behind:
    """Plays the app behind the gate: says who it was told is there."""

    seen: list[Mapping[str, str]] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        headers = {name.decode(): value.decode() for name, value in scope["headers"]}
        self.seen.append(headers)
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b"the app"})
            return
        await send({"type": "websocket.accept"})
        while (message := await receive())["type"] == "websocket.receive":
            self.messages.append(message["text"])


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: str

    @property
    def cookie(self) -> str:
        return self.headers.get("set-cookie", "").partition(";")[0]


@pytest.fixture(autouse=True)
def _cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    book._no_ones_hash.cache_clear()


@pytest.fixture
def doors(tmp_path: Path) -> Doors:
    found = doors_of(tmp_path, always_shut=True)
    found.book.add("Inés", Role.MANAGER, WORDS, at=AT)
    found.book.add("Teo", Role.SCOUT, WORDS, at=AT)
    return found


def ask(
    doors: Doors,
    path: str = "/",
    *,
    method: str = "GET",
    headers: Mapping[str, str] | None = None,
    form: Mapping[str, str] | bytes = b"",
    behind: Behind | None = None,
    address: str = ABROAD,
) -> Answer:
    """One request through a gate of its own."""
    gate = Gate(behind or Behind(), doors)
    asked = through(gate, path, method=method, headers=headers, form=form, address=address)
    return asyncio.run(asked)


async def through(
    gate: Gate,
    path: str,
    *,
    method: str = "GET",
    headers: Mapping[str, str] | None = None,
    form: Mapping[str, str] | bytes = b"",
    address: str = ABROAD,
) -> Answer:
    """One request through a gate."""
    path, _, query = path.partition("?")
    body = form if isinstance(form, bytes) else urlencode(form).encode()
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "scheme": "http",
        "server": ("farm.local", 8501),
        "client": (address, 40000),
        "headers": [
            (name.lower().encode(), value.encode())
            for name, value in {"host": "farm.local:8501", **(headers or {})}.items()
        ],
    }
    sent: list[Any] = []

    async def receive() -> Any:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    await gate(scope, receive, send)
    found = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    content = b"".join(one.get("body", b"") for one in sent[1:])
    return Answer(status=sent[0]["status"], headers=found, body=content.decode())


def sign_in(doors: Doors, name: str = "Teo", password: str = WORDS, **more: Any) -> Answer:
    form = {"name": name, "password": password}
    path = more.pop("path", "/sign-in")
    return ask(doors, path, method="POST", form=form, **more)


def test_where_nobody_has_an_account_this_computer_needs_no_password(tmp_path: Path) -> None:
    behind = Behind()
    doors = doors_of(tmp_path, always_shut=False)
    claimed = {"X-Fruitvision-Role": "manager", "X-Fruitvision-Person": "Ana"}
    assert ask(doors, headers=claimed, behind=behind).body == "the app"
    assert signed_in(dict(behind.seen[0])) is None
    doors.book.add("Ana", Role.MANAGER, WORDS, at=AT)
    assert ask(doors).status == 401
    doors.book.path.write_text("{")
    assert ask(doors).status == 401


def test_a_network_needs_one_even_where_nobody_has_an_account(tmp_path: Path) -> None:
    assert ask(doors_of(tmp_path, always_shut=True)).status == 401


def test_who_signs_in_comes_in_under_the_own_name(doors: Doors) -> None:
    behind = Behind()
    answer = sign_in(doors, "inés", path="/sign-in?next=%2Fsales%3Flang%3Des")
    assert (answer.status, answer.headers["location"]) == (303, "/sales?lang=es")
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "SameSite=strict" in answer.headers["set-cookie"]
    claimed = {"Cookie": answer.cookie, "X-Fruitvision-Role": "reader"}
    assert ask(doors, headers=claimed, behind=behind).status == 200
    assert signed_in(dict(behind.seen[0])) == ("Inés", Role.MANAGER)


def test_a_page_is_led_to_the_form_and_everything_else_is_refused(doors: Doors) -> None:
    page = ask(doors, "/sales?lang=es", headers={"Accept": "text/html"})
    assert (page.status, page.headers["location"]) == (303, "/sign-in?next=%2Fsales%3Flang%3Des")
    assert ask(doors, "/media/a.jpg").status == 401
    assert ask(doors, "/", method="POST", headers={"Accept": "text/html"}).status == 401
    assert ask(doors, "/_stcore/health").body == "the app"
    for made_up in (f"{COOKIE}=", f"{COOKIE}=abc", "\x7f=;;", f"{COOKIE}=" + "a" * 5000):
        assert ask(doors, headers={"Cookie": made_up}).status == 401


@pytest.mark.parametrize(
    "elsewhere",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x", "", "/sign-out"],
)
def test_nobody_is_led_to_another_site(doors: Doors, elsewhere: str) -> None:
    answer = sign_in(doors, path=f"/sign-in?next={quote(elsewhere, safe='')}")
    assert answer.headers["location"] == "/"


def test_names_and_addresses_are_no_markup(doors: Doors) -> None:
    answer = ask(doors, "/sign-in?next=" + quote('/"><script>alert(1)</script>', safe=""))
    assert "<script>" not in answer.body
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_who_guesses_must_wait_and_is_told_how_long(doors: Doors) -> None:
    for _ in range(5):
        answer = sign_in(doors, "Teo", "copper river gate")
        assert answer.status == 401
        assert not answer.cookie
    answer = sign_in(doors)
    assert answer.status == 429
    assert 1 <= int(answer.headers["retry-after"]) <= 61
    assert not answer.cookie
    assert sign_in(doors, address="192.0.2.8").status == 303


@dataclass
class AtOnce:
    """Counts how often something is done, and how often at once at most. `slow_s` : it takes."""

    slow_s: float
    done: int = 0
    most: int = 0
    _now: int = 0
    _lock: Lock = field(default_factory=Lock)

    def around(self, what: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*given: Any) -> Any:
            with self._lock:
                self.done, self._now = self.done + 1, self._now + 1
                self.most = max(self.most, self._now)
            sleep(self.slow_s)
            try:
                return what(*given)
            finally:
                with self._lock:
                    self._now -= 1

        return counted


def test_who_guesses_many_at_once_gets_no_more_tries_and_keeps_nobody_else_out(
    doors: Doors, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks, threads = AtOnce(slow_s=0.01), AtOnce(slow_s=0.0)
    monkeypatch.setattr(book.AccountBook, "check", checks.around(book.AccountBook.check))
    monkeypatch.setattr(Doors, "sign_in", threads.around(Doors.sign_in))
    gate = Gate(Behind(), doors)

    async def all_at_once() -> list[Answer]:
        wrong = [("Teo", "copper river gate", ABROAD)] * 12
        tries = [*wrong, ("Teo", WORDS, "192.0.2.8"), ("Inés", WORDS, ABROAD)]
        asked = [
            through(gate, "/sign-in", method="POST", form={"name": n, "password": p}, address=a)
            for n, p, a in tries
        ]
        return list(await asyncio.gather(*asked))

    *refused, elsewhere, other = asyncio.run(all_at_once())
    assert sorted(one.status for one in refused) == [401] * 5 + [429] * 7
    assert (elsewhere.status, other.status) == (303, 303)
    # 64 MiB a check; and nobody's uploads wait for threads that guesses hold.
    assert checks.done == 5 + 2
    assert checks.most <= 2
    assert threads.most <= 2


def test_the_limit_holds_also_for_threads_that_come_by_no_gate(
    doors: Doors, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks = AtOnce(slow_s=0.01)
    monkeypatch.setattr(book.AccountBook, "check", checks.around(book.AccountBook.check))
    with ThreadPoolExecutor(12) as pool:
        waits = list(pool.map(lambda _: doors.sign_in("Teo", "wrong", ABROAD)[1], range(12)))
    assert checks.done == 5
    assert waits.count(0) == 5


def test_who_signs_in_and_who_is_refused_is_kept_without_what_was_typed(
    doors: Doors, tmp_path: Path
) -> None:
    sign_in(doors, "teo", "copper river gate")
    sign_in(doors, WORDS, "")
    sign_in(doors, "inés")
    kept = [(one.outcome, one.name, one.address) for one in sign_ins(tmp_path)]
    assert kept == [
        (Outcome.REFUSED, "Teo", ABROAD),
        (Outcome.REFUSED, "", ABROAD),
        (Outcome.IN, "Inés", ABROAD),
    ]
    written = (tmp_path / SIGN_INS_NAME).read_text(encoding="utf-8")
    assert WORDS not in written
    assert "copper" not in written
    for _ in range(20):  # Soon it is only told to wait, and nothing more is kept.
        sign_in(doors, "Teo", "copper river gate")
    assert len(list(sign_ins(tmp_path))) == 3 + 4


def test_another_sites_form_and_endless_ones_are_refused(doors: Doors) -> None:
    assert sign_in(doors, headers={"Origin": "https://evil.example"}).status == 403
    assert sign_in(doors, headers={"Origin": "http://farm.local:8501"}).status == 303
    for form in (b"a" * (LONGEST_FORM + 1), b"\xff\xfe", b"&".join([b"a=1"] * 9)):
        assert ask(doors, "/sign-in", method="POST", form=form).status == 400


def test_a_session_ends_by_signing_out(doors: Doors) -> None:
    cookie = sign_in(doors).cookie
    assert ask(doors, headers={"Cookie": cookie}).status == 200
    assert ask(doors, "/sign-out", headers={"Cookie": cookie}).headers["location"] == "/sign-in"
    assert ask(doors, headers={"Cookie": cookie}).status == 401


def test_an_open_page_learns_that_its_session_ended_and_where_to_begin_another(
    doors: Doors, tmp_path: Path
) -> None:
    cookie = {"Cookie": sign_in(doors).cookie}
    assert ask(doors, "/signed-in", headers=cookie).status == 204
    ask(doors, "/sign-out", headers=cookie)
    told = ask(doors, "/signed-in", headers=cookie)
    assert (told.status, told.body) == (401, "/sign-in?ended=1")
    page = ask(doors, f"{told.body}&next=" + quote("/sales?lang=es", safe=""))
    assert texts("es", "gate")["ended"] in page.body
    assert texts("en", "gate")["ended"] not in ask(doors, "/sign-in").body
    # The word is gone once somebody has tried to sign in.
    wrong = sign_in(doors, "Teo", "copper river gate", path=f"{told.body}&next=%2Fsales")
    assert texts("en", "gate")["ended"] not in wrong.body
    proxied = doors_of(tmp_path, always_shut=False, proxy_header="X-Forwarded-User")
    assert ask(proxied, "/signed-in", address="127.0.0.1").body == ""


def test_the_form_speaks_as_the_page_that_was_left_else_as_the_visitor_chose(doors: Doors) -> None:
    def speaks(path: str, **headers: str) -> str:
        return ask(doors, path, headers=headers).body.partition('lang="')[2][:2]

    browser = {"Accept-Language": "en-US,en"}
    chosen = {**browser, "Cookie": "fruitvision_language=fr"}
    assert speaks("/sign-in?next=%2Fsales%3Flang%3Des", **chosen) == "es"
    assert speaks("/sign-in", **chosen) == "fr"
    assert speaks("/sign-in", **{**browser, "Cookie": "fruitvision_language=<b>"}) == "en"


def test_damaged_accounts_are_said_and_open_no_door(doors: Doors) -> None:
    cookie = sign_in(doors).cookie
    doors.book.path.write_text("{")
    assert ask(doors, headers={"Cookie": cookie}).status == 401
    answer = sign_in(doors)
    assert answer.status == 503
    assert "fruitvision people list" in answer.body


# ---------------------------------------------------------------- the connection of a page


def connect(doors: Doors, cookie: str, behind: Behind, change: Any = None) -> list[Any]:
    """A page's connection that sends two messages, with a change between them."""
    scope = {
        "type": "websocket",
        "path": "/_stcore/stream",
        "query_string": b"",
        "client": (ABROAD, 40000),
        "headers": [(b"cookie", cookie.encode())],
    }
    sent: list[Any] = []
    left = ["one", "two"]

    async def receive() -> Any:
        if len(left) == 1 and change is not None:
            change()
        if left:
            return {"type": "websocket.receive", "text": left.pop(0)}
        return {"type": "websocket.disconnect", "code": 1000}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(Gate(behind, doors)(scope, receive, send))
    return sent


def test_a_connection_is_for_who_is_signed_in(doors: Doors) -> None:
    behind = Behind()
    assert [one["type"] for one in connect(doors, "", behind)] == ["websocket.close"]
    assert behind.messages == []
    connect(doors, sign_in(doors).cookie, behind)
    assert behind.messages == ["one", "two"]
    assert signed_in(dict(behind.seen[0])) == ("Teo", Role.SCOUT)


def test_an_open_page_is_cut_off_when_its_account_is_changed(doors: Doors) -> None:
    behind = Behind()
    later = datetime.now(UTC) + timedelta(seconds=1)
    sent = connect(
        doors,
        sign_in(doors).cookie,
        behind,
        change=lambda: doors.book.set_role("Teo", Role.READER, at=later),
    )
    assert behind.messages == ["one"]
    assert sent[-1]["type"] == "websocket.close"


# ---------------------------------------------------------------- behind a proxy


def test_a_proxy_is_believed_on_this_computer_only(doors: Doors, tmp_path: Path) -> None:
    behind = Behind()
    proxied = doors_of(tmp_path, always_shut=False, proxy_header="X-Forwarded-User")
    told = {"X-Forwarded-User": "Teo"}
    assert ask(proxied, headers=told, address="127.0.0.1", behind=behind).status == 200
    assert signed_in(dict(behind.seen[0])) == ("Teo", Role.SCOUT)
    assert ask(proxied, headers=told, address=ABROAD).status == 401
    assert ask(proxied, headers={"X-Forwarded-User": "Nobody"}, address="127.0.0.1").status == 401
    assert ask(proxied, address="127.0.0.1").status == 401
    assert ask(proxied, "/sign-in", address="127.0.0.1").status == 401


def test_pages_are_for_roles() -> None:
    assert pages_of(None) == pages_of(Role.MANAGER) == pages_of(Role.READER) == PAGES
    assert {"setup", "forecast", "sales"}.isdisjoint(pages_of(Role.SCOUT))
    assert {"photos", "walk", "setup"}.isdisjoint(pages_of(Role.SALES))


def test_a_first_page_has_a_name_too_and_nobody_is_shown_a_page_that_is_not(
    doors: Doors, tmp_path: Path
) -> None:
    doors.book.add("Ana", Role.SALES, WORDS, at=AT)
    cookies = {name: {"Cookie": sign_in(doors, name).cookie} for name in ("Ana", "Teo", "Inés")}

    def led_to(path: str, name: str) -> str:
        return ask(doors, path, headers=cookies[name]).headers.get("location", "")

    assert led_to("/sales?lang=es&variety=Gala", "Ana") == "/?lang=es&variety=Gala"
    assert led_to("/setup", "Ana") == led_to("/walk/", "Teo") == led_to("/blocks", "Inés") == "/"
    assert led_to("/sales", "Inés") == led_to("/", "Ana") == led_to("/help", "Ana") == ""
    assert led_to("/static/sales", "Ana") == ""
    unguarded = doors_of(tmp_path / "nobody", always_shut=False)
    assert ask(unguarded, "/blocks").headers["location"] == "/"
    assert ask(unguarded, "/sales").body == "the app"
