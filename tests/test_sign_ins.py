"""Tries to sign in: told in the list of changes, up to a limit, and never with a password."""

from __future__ import annotations

import csv
import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fruitvision.accounts.sign_ins import (
    MOST_REFUSED,
    SIGN_INS_NAME,
    WINDOW_S,
    Outcome,
    SignInLog,
    sign_ins,
)
from fruitvision.errors import AccountError
from fruitvision.pipeline.trail import trail, write_trail
from fruitvision.store import open_farm

AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)


def note(log: SignInLog, outcome: Outcome, minute: int = 0, name: str = "Teo") -> None:
    log.note(outcome, name=name, address="192.0.2.8", at=AT + timedelta(minutes=minute))


def test_who_came_in_and_who_did_not_is_in_the_list_of_changes(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        log = SignInLog(store.folder)
        note(log, Outcome.REFUSED, 0)
        note(log, Outcome.REFUSED, 1, name="")
        note(log, Outcome.IN, 2)
        assert [(one.at, one.who, one.what) for one in trail(store)] == [
            (AT + timedelta(minutes=2), "Teo", "sign-in: signed in"),
            (AT + timedelta(minutes=1), "", "sign-in: refused"),
            (AT, "", "sign-in: refused"),
        ]
        assert [one.what for one in trail(store, who="teo")] == ["sign-in: signed in"]
        write_trail(trail(store), tmp_path / "changes.csv")
    with (tmp_path / "changes.csv").open(newline="", encoding="utf-8") as stream:
        told = [(row["field"], row["after"]) for row in csv.DictReader(stream)]
    assert told == [
        ("from", "192.0.2.8"),
        ("name tried", "of no account"),
        ("from", "192.0.2.8"),
        ("name tried", "Teo"),
        ("from", "192.0.2.8"),
    ]
    assert stat.S_IMODE((tmp_path / "farm" / SIGN_INS_NAME).stat().st_mode) == 0o600


def test_beyond_the_limit_refused_tries_are_counted_and_told_by_the_next_line(
    tmp_path: Path,
) -> None:
    now = [0.0]
    log = SignInLog(tmp_path, lambda: now[0])
    for _ in range(MOST_REFUSED + 7):
        note(log, Outcome.REFUSED)
    assert len(list(sign_ins(tmp_path))) == MOST_REFUSED
    note(log, Outcome.IN)
    note(log, Outcome.REFUSED)
    now[0] = WINDOW_S + 1
    note(log, Outcome.REFUSED)
    kept = [(one.outcome, one.untold) for one in sign_ins(tmp_path)][MOST_REFUSED:]
    assert kept == [(Outcome.IN, 7), (Outcome.REFUSED, 1)]


def test_a_half_line_costs_no_other_line(tmp_path: Path) -> None:
    log = SignInLog(tmp_path)
    note(log, Outcome.IN, 0)
    with (tmp_path / SIGN_INS_NAME).open("ab") as stream:
        stream.write(b'{"at": "2026-09-01T07:3')
    note(log, Outcome.IN, 1)
    # As an older program's time without a zone would be read.
    with (tmp_path / SIGN_INS_NAME).open("ab") as stream:
        stream.write(b'{"at": "2026-09-01T07:32:00", "outcome": "refused", "name": "", ')
        stream.write(b'"address": "", "untold": 0}\n')
    assert [one.at for one in sign_ins(tmp_path)] == [AT + timedelta(minutes=n) for n in range(3)]


def test_nobody_is_kept_out_where_it_cannot_be_kept(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = SignInLog(tmp_path)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        note(SignInLog(tmp_path / "gone"), Outcome.IN)
        note(log, Outcome.REFUSED)
    assert "No space left" in caplog.text
    note(log, Outcome.IN)
    assert [one.untold for one in sign_ins(tmp_path)][-1] == 1


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / SIGN_INS_NAME).mkdir()
    with pytest.raises(AccountError, match=r"Can't read .*sign-ins"):
        list(sign_ins(tmp_path))
