"""Who may open the app: accounts, passwords, sessions, and how often one may try."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from typer.testing import CliRunner

from fruitvision.accounts import AccountBook, Role, Sessions, book
from fruitvision.accounts.attempts import MOST_KEYS, Attempts
from fruitvision.cli import cli
from fruitvision.errors import AccountError
from fruitvision.papers.kinds import KINDS
from fruitvision.store import open_farm

AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)
WORDS = "kettle moss lantern"


@pytest.fixture(autouse=True)
def _cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes of little work; what they cost in earnest has a test of its own."""
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    book._no_ones_hash.cache_clear()


@pytest.fixture
def accounts(tmp_path: Path) -> AccountBook:
    found = AccountBook(tmp_path)
    found.add("Ines", Role.MANAGER, WORDS, at=AT)
    return found


def test_a_password_is_its_own_persons_only(accounts: AccountBook) -> None:
    accounts.add("Teo", Role.SCOUT, "copper river gate", at=AT)
    assert [one.name for one in accounts.accounts()] == ["Ines", "Teo"]
    found = accounts.check(" ines ", WORDS)
    assert found is not None
    assert (found.name, found.role) == ("Ines", Role.MANAGER)
    assert accounts.check("Ines", "copper river gate") is None
    assert accounts.check("Ines", WORDS + " ") is None
    assert accounts.check("Nobody", WORDS) is None
    assert accounts.check("Teo", "") is None


def test_no_password_is_in_the_file_and_only_its_owner_may_read_it(accounts: AccountBook) -> None:
    text = accounts.path.read_text()
    assert WORDS not in text
    assert json.loads(text)["accounts"][0]["password_hash"].startswith("$argon2id$")
    if sys.platform != "win32":
        assert stat.S_IMODE(accounts.path.stat().st_mode) == 0o600


def test_hashing_costs_what_the_standard_asks() -> None:
    # RFC 9106, 4: the second recommended choice is 64 MiB of memory, 3 passes, 4 lanes.
    usual = PasswordHasher()
    assert (usual.memory_cost, usual.time_cost, usual.parallelism) == (65536, 3, 4)


@pytest.mark.parametrize(
    ("password", "words"),
    [
        ("short", "has 5 characters"),
        ("x" * 201, "has 201 characters"),
        ("inesinesines", "guessed first"),
        ("aaaaaaaaaaaa", "guessed first"),
    ],
)
def test_a_password_that_is_guessed_first_is_refused(
    tmp_path: Path, password: str, words: str
) -> None:
    with pytest.raises(AccountError, match=words):
        AccountBook(tmp_path).add("Ines", Role.MANAGER, password, at=AT)
    assert AccountBook(tmp_path).accounts() == ()


@pytest.mark.parametrize("name", ["", "   ", "x" * 41, "a\x00b", "a\u202eb"])
def test_what_is_no_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(AccountError, match="no name"):
        AccountBook(tmp_path).add(name, Role.MANAGER, WORDS, at=AT)


def test_a_name_is_given_once(accounts: AccountBook) -> None:
    with pytest.raises(AccountError, match="INES has an account already"):
        accounts.add("INES", Role.SCOUT, "copper river gate", at=AT)


def test_a_manager_is_always_left(accounts: AccountBook, tmp_path: Path) -> None:
    with pytest.raises(AccountError, match="No manager would be left"):
        accounts.set_role("Ines", Role.READER, at=AT)
    accounts.add("Teo", Role.SCOUT, "copper river gate", at=AT)
    with pytest.raises(AccountError, match="No manager would be left"):
        accounts.remove("Ines")
    with pytest.raises(AccountError, match="No manager would be left"):
        AccountBook(tmp_path / "new").add("Teo", Role.SCOUT, WORDS, at=AT)
    accounts.set_role("Teo", Role.MANAGER, at=AT)
    accounts.remove("Ines")
    assert [one.name for one in accounts.accounts()] == ["Teo"]


def test_a_name_that_is_not_there_is_told_with_the_nearest(accounts: AccountBook) -> None:
    with pytest.raises(AccountError, match="called 'Inez'") as found:
        accounts.remove("Inez")
    assert "Did you mean 'Ines'" in found.value.fix


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"schema_version": 2, "accounts": []}'])
def test_a_damaged_file_opens_no_door(accounts: AccountBook, content: bytes) -> None:
    accounts.path.write_bytes(content)
    with pytest.raises(AccountError, match="Can't read the accounts"):
        accounts.accounts()
    with pytest.raises(AccountError, match="Can't read the accounts"):
        accounts.add("Teo", Role.MANAGER, WORDS, at=AT)
    assert accounts.path.read_bytes() == content


def test_many_who_add_at_once_lose_nobody(accounts: AccountBook) -> None:
    names = [f"Scout {number}" for number in range(8)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda name: accounts.add(name, Role.SCOUT, WORDS, at=AT), names))
    assert {one.name for one in accounts.accounts()} == {"Ines", *names}


# ---------------------------------------------------------------- sessions


@dataclass
class Clock:
    """Seconds that pass when a test says so."""

    now_s: float = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_a_session_ends_when_it_is_idle_and_when_it_is_old(accounts: AccountBook) -> None:
    clock = Clock()
    sessions = Sessions(accounts.find, clock)
    [ines] = accounts.accounts()
    token = sessions.begin(ines)
    assert sessions.account(token) == ines
    assert sessions.account(token + "x") is None
    hours = 0
    while sessions.account(token) is not None:
        hours += 11
        clock.now_s += 11 * 3600
    # Used every 11 hours it lasts for a week.
    assert 7 * 24 - 11 < hours - 11 <= 7 * 24
    token = sessions.begin(ines)
    clock.now_s += 12 * 3600 + 1
    assert sessions.account(token) is None


def test_a_session_ends_with_signing_out_and_with_any_change_of_the_account(
    accounts: AccountBook,
) -> None:
    sessions = Sessions(accounts.find)
    [ines] = accounts.accounts()
    first, second = sessions.begin(ines), sessions.begin(ines)
    sessions.end(first)
    assert sessions.account(first) is None
    assert sessions.account(second) is not None
    # Also where the computer's clock was set back meanwhile.
    accounts.set_password("Ines", "copper river gate", at=AT - timedelta(days=365))
    assert sessions.account(second) is None
    accounts.add("Teo", Role.SCOUT, WORDS, at=AT)
    teo = accounts.find("Teo")
    assert teo is not None
    third = sessions.begin(teo)
    accounts.remove("Teo")
    assert sessions.account(third) is None
    accounts.add("Teo", Role.SCOUT, WORDS, at=AT)
    assert sessions.account(third) is None


def test_wrong_passwords_are_counted_by_name_and_by_address() -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for _ in range(5):
        assert attempts.wait_s("Ines", "10.0.0.7") == 0
        attempts.wrong("Ines", "10.0.0.7")
    assert attempts.wait_s("INES", "10.0.0.7") == 60
    assert attempts.wait_s("Teo", "10.0.0.7") == 0
    assert attempts.wait_s("Ines", "10.0.0.8") == 0
    for number in range(25):
        attempts.wrong(f"name {number}", "10.0.0.7")
    assert attempts.wait_s("Teo", "10.0.0.7") == 3600
    for number in range(45):
        attempts.wrong("Ines", f"10.0.1.{number}")
    assert attempts.wait_s("Ines", "10.0.0.9") == 3600
    clock.now_s += 3600
    assert attempts.wait_s("Ines", "10.0.0.7") == attempts.wait_s("Teo", "10.0.0.7") == 0


def test_names_that_somebody_makes_up_fill_no_memory() -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for number in range(12_000):
        clock.now_s += 2
        attempts.wrong(f"name {number}", f"address {number}")
    assert len(attempts._wrong) <= MOST_KEYS + 3


# ---------------------------------------------------------------- the command


def test_people_are_added_changed_and_taken_out_by_command(tmp_path: Path) -> None:
    open_farm(tmp_path).close()

    def run(*arguments: str, text: str = "") -> tuple[int, str]:
        done = CliRunner().invoke(cli, ["people", *arguments, "--farm", str(tmp_path)], input=text)
        return done.exit_code, done.output + str(done.exception or "")

    assert "on this computer only" in run("list")[1]
    assert run("add", "Ines", "--role", "manager", text=f"{WORDS}\n{WORDS}\n")[0] == 0
    words = tmp_path / "words.txt"
    words.write_text("copper river gate\n")
    assert run("add", "Teo", "--password-from", str(words))[0] == 0
    assert run("add", "Ana", "--role", "sales", "--password-from", "-", text=WORDS + "\n")[0] == 0
    _, told = run("list")
    assert told.splitlines()[0].startswith("Ana: sales, since ")
    assert [line.split(":")[0] for line in told.splitlines()] == ["Ana", "Ines", "Teo"]
    assert run("role", "Teo", "SALES")[0] == 0
    assert run("role", "Teo", "--role", "reader")[0] == 0
    assert "No role is named" in run("role", "Teo")[1]
    assert "Two roles are named" in run("role", "Teo", "sales", "--role", "reader")[1]
    assert run("password", "Teo", "--password-from", "-", text="lantern moss kettle\n")[0] == 0
    found = AccountBook(tmp_path).check("Teo", "lantern moss kettle")
    assert found is not None
    assert found.role is Role.READER
    assert run("remove", "Teo")[0] == 0
    assert AccountBook(tmp_path).find("Teo") is None
    code, told = run("remove", "Ines")
    assert code != 0
    assert "No manager would be left" in told
    gone = CliRunner().invoke(cli, ["people", "list", "--farm", str(tmp_path / "nowhere")])
    assert "There is no farm" in str(gone.exception)


def test_without_a_terminal_the_file_for_a_password_is_named(tmp_path: Path) -> None:
    open_farm(tmp_path).close()
    start = "import sys; from fruitvision.cli import main; sys.exit(main())"
    asked = ["people", "add", "Ines", "--role", "Manager", "--farm", str(tmp_path)]
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", start, *asked],
        input="kettle moss lantern\n" * 2,
        capture_output=True,
        text=True,
        check=False,
        start_new_session=True,  # With no terminal at all.
    )
    assert done.returncode == 2
    assert "no terminal here" in done.stderr
    assert "--password-from" in done.stderr
    assert "GetPassWarning" not in done.stderr
    assert AccountBook(tmp_path).accounts() == ()


def test_a_folder_without_rights_is_told_in_words(
    accounts: AccountBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(accounts.path))

    monkeypatch.setattr(book.FileLock, "acquire", refused)
    with pytest.raises(AccountError, match=r"Can't write .*: Permission denied"):
        accounts.set_role("Ines", Role.MANAGER, at=AT)


def test_accounts_that_somebody_else_holds_are_told_in_words(
    accounts: AccountBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(book, "LOCK_WAIT_S", 0.05)
    with (
        book.FileLock(accounts.path.with_suffix(".lock")),
        pytest.raises(AccountError, match="Somebody else"),
    ):
        accounts.set_role("Ines", Role.MANAGER, at=AT)


def test_who_plans_the_harvest_and_which_tables_each_brings() -> None:
    assert [role for role in Role if role.plans_harvest] == [Role.MANAGER]
    brought = {role: {kind for kind in KINDS if role.brings(kind)} for role in Role}
    assert brought[Role.SCOUT] == {"hand_counts", "calipers", "gaps"}
    assert brought[Role.SALES] == {"orders"}
    assert brought[Role.MANAGER] == set(KINDS)
