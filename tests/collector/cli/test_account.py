"""Accounts and the audit log from a terminal: what is typed, what is printed, what is never printed."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.access.desk import Access
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from config.load import load_site
from tests.config.bad_files import SOUND

GOOD, OTHER = "potash on the belt", "ship loader at night"
Do = Callable[..., int]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(SOUND)
    return path


@pytest.fixture
def do(site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Do:
    def run(*words: str, typed: str = "") -> int:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        group, command, *rest = words
        return main([group, command, str(site), *rest, "--data", str(tmp_path / "data")])

    return run


def test_accounts_from_the_first_to_the_last_word(do: Do, capsys: pytest.CaptureFixture[str]) -> None:
    assert do("account", "add", "ortega", "--role", "admin", typed=f"{GOOD}\n") == 0
    assert do("account", "add", "sandhu", "--role", "viewer", typed=f"{OTHER}\n") == 0
    assert do("account", "role", "sandhu", "operator") == 0
    assert do("account", "password", "sandhu", typed=f"{GOOD} again\n") == 0
    assert do("account", "disable", "sandhu") == 0
    told = capsys.readouterr()
    assert "sandhu is operator: acknowledges, shelves" in told.out
    assert do("account", "list") == 0
    listed = capsys.readouterr().out
    assert max(len(line) for line in listed.splitlines()) <= 80
    assert [line.split()[:2] for line in listed.splitlines()[1:]] == [["ortega", "admin"], ["sandhu", "operator"]]
    assert "disabled" in listed.splitlines()[2]
    assert do("account", "disable", "sandhu", "--enable") == 0
    assert do("audit", "show") == 0
    shown = capsys.readouterr().out
    assert max(len(line) for line in shown.splitlines()) <= 80
    for part in ("from terminal: account added of ortega", "before: role: viewer", "after: role: operator", "password changed"):
        assert part in shown
    for secret in (GOOD, OTHER, "argon2"):
        assert secret not in told.out + told.err + listed + shown


def test_token_is_printed_once_alone_on_its_line_and_revoked(
    do: Do, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    do("account", "add", "ortega", "--role", "admin", typed=f"{GOOD}\n")
    capsys.readouterr()
    assert do("account", "token", "scraper", "--scope", "metrics", "--scope", "read", "--days", "30") == 0
    told = capsys.readouterr()
    secret = told.out.strip()
    assert secret.startswith("tw_")
    assert secret not in told.err
    loaded = load_site(site).site
    store = open_store(tmp_path / "data", loaded, clock=SystemClock(), read_only=True)
    assert Access.open(store.state, SystemClock(), loaded.web).by_token(secret, "") is not None
    store.close()
    assert do("account", "list") == 0
    listed = capsys.readouterr().out
    assert "scraper" in listed
    assert secret not in listed
    assert do("account", "token", "1", "--revoke") == 0
    assert do("account", "list") == 0
    assert "revoked" in capsys.readouterr().out


def test_chain_is_verified_against_itself_and_against_a_head(
    do: Do, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    do("account", "add", "ortega", "--role", "admin", typed=f"{GOOD}\n")
    do("account", "add", "sandhu", "--role", "viewer", typed=f"{OTHER}\n")
    capsys.readouterr()
    assert do("audit", "verify") == 0
    said = capsys.readouterr().out
    assert said.startswith("Unbroken: 2 entries, the newest is 2 with the hash\n")
    head = said.splitlines()[1]
    assert do("audit", "verify", "--head", f"2={head[:16]}") == 0
    assert do("audit", "verify", "--head", "2=00000000") == 1
    assert do("audit", "verify", "--head", "2") == 2
    capsys.readouterr()
    with sqlite3.connect(tmp_path / "data" / "state.db") as raw:
        raw.execute("UPDATE audit SET text = replace(text, 'viewer', 'admin') WHERE number = 2")
    raw.close()
    assert do("audit", "verify") == 1
    assert "The chain breaks at entry 2: its content was changed." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "typed", "what"),
    [
        (("account", "add", "sandhu", "--role", "viewer"), GOOD, "first account must be an admin"),
        (("account", "add", "sandhu", "--role", "admin"), "", "no password on standard input"),
        (("account", "add", "sandhu", "--role", "admin"), "short", "fewer than 12"),
        (("account", "add", "a b", "--role", "admin"), GOOD, "no name for an account"),
        (("account", "password", "sandhu"), GOOD, "no account 'sandhu'"),
        (("account", "token", "scraper"), "", "no scope"),
        (("account", "token", "x", "--revoke"), "", "no number of a token"),
        (("audit", "show", "--from", "monday"), "", "no day"),
        (("audit", "show", "--most", "0"), "", "cannot be shown"),
    ],
)
def test_what_does_not_fit_is_one_message_with_a_remedy(
    do: Do, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], typed: str, what: str
) -> None:
    open_store(tmp_path / "data", load_site(site).site, clock=SystemClock()).close()
    assert do(*words, typed=f"{typed}\n" if typed else "") == 2
    told = capsys.readouterr()
    assert what in told.err
    assert "fix:" in told.err
    assert "Traceback" not in told.err
    assert do("audit", "verify") == 3


def test_service_that_runs_is_named_with_the_page_to_use_instead(
    do: Do, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = open_store(tmp_path / "data", load_site(site).site, clock=SystemClock())
    try:
        assert do("account", "add", "ortega", "--role", "admin", typed=f"{GOOD}\n") == 2
        assert "page /accounts" in capsys.readouterr().err
        assert do("account", "list") == 0
    finally:
        store.close()


def test_password_is_never_an_argument(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("add", "password"):
        with pytest.raises(SystemExit):
            main(["account", command, "--help"])
        said = capsys.readouterr().out
        assert "--password" not in said
