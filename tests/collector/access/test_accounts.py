from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.access.accounts import AccountBook
from collector.access.passwords import Argon2, normal, require_good
from collector.access.roles import Role, Scope, Who, of_scopes
from collector.clock import ManualClock
from collector.history.access_tables import ACCOUNTS
from collector.history.state import StateDb
from config.errors import TallywireError
from tests.collector.access.conftest import CONSOLE, GOOD, QUICK, Books

OTHER = "ship loader at night"


def test_first_account_is_an_admin_and_everybody_signs_in_from_then_on(books: Books) -> None:
    assert not books.accounts.any()
    with pytest.raises(TallywireError, match="first account must be an admin"):
        books.accounts.add("ortega", Role.VIEWER, GOOD, by=CONSOLE)
    assert not books.accounts.any()
    made = books.accounts.add("Ortega", Role.ADMIN, GOOD, by=CONSOLE)
    assert (made.name, made.role, made.disabled) == ("Ortega", Role.ADMIN, False)
    assert books.accounts.any()


def test_answer_that_there_is_no_account_is_asked_again_after_a_while(books: Books) -> None:
    assert not books.accounts.any()
    with books.state.transaction() as connection:
        connection.execute(
            ACCOUNTS.insert().values(name="x1", role="admin", password="", made=0.0, changed=0.0, disabled=False)
        )
    assert not books.accounts.any()
    books.clock._move_to(6.0)
    assert books.accounts.any()


def test_password_and_name_open_and_nothing_else_does(books: Books) -> None:
    books.accounts.add("Ortega", Role.ADMIN, GOOD, by=CONSOLE)
    assert books.accounts.check("ortega", GOOD) is not None
    for name, password in (("ortega", GOOD + " "), ("ortega", ""), ("nobody", GOOD), ("", ""), ("ortega", "x" * 10_000)):
        assert books.accounts.check(name, password) is None


def test_disabled_account_is_no_account_and_its_sessions_end(books: Books) -> None:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    books.accounts.add("sandhu", Role.OPERATOR, OTHER, by=CONSOLE)
    secret = books.sessions.begin("sandhu", "192.0.2.9")
    books.accounts.set_disabled("sandhu", True, by=CONSOLE)
    assert books.accounts.check("sandhu", OTHER) is None
    assert books.sessions.find(secret, acts=True) is None
    books.accounts.set_disabled("sandhu", False, by=CONSOLE)
    assert books.accounts.check("sandhu", OTHER) is not None
    assert books.sessions.find(secret, acts=True) is None


def test_last_admin_stays(books: Books) -> None:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    books.accounts.add("sandhu", Role.ADMIN, OTHER, by=CONSOLE)
    books.accounts.set_disabled("sandhu", True, by=CONSOLE)
    with pytest.raises(TallywireError, match="last admin"):
        books.accounts.set_role("ortega", Role.VIEWER, by=CONSOLE)
    with pytest.raises(TallywireError, match="last admin"):
        books.accounts.set_disabled("ortega", True, by=CONSOLE)
    books.accounts.set_disabled("sandhu", False, by=CONSOLE)
    assert books.accounts.set_role("ortega", Role.VIEWER, by=CONSOLE).role is Role.VIEWER


def test_new_password_ends_the_sessions_of_the_old_one(books: Books) -> None:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    secret = books.sessions.begin("ortega", "")
    books.accounts.set_password("ortega", OTHER, by=CONSOLE)
    assert books.sessions.find(secret, acts=True) is None
    assert books.accounts.check("ortega", GOOD) is None
    assert books.accounts.check("ortega", OTHER) is not None


def test_every_change_is_in_the_log_and_no_password_is(books: Books) -> None:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    books.accounts.add("sandhu", Role.VIEWER, OTHER, by=CONSOLE)
    books.accounts.set_role(
        "sandhu", Role.ENGINEER, by=Who(name="ortega", role=Role.ADMIN, kind="account", address="192.0.2.5")
    )
    books.accounts.set_password("sandhu", "another long word", by=CONSOLE)
    books.accounts.set_disabled("sandhu", True, by=CONSOLE)
    entries = list(reversed(books.log.newest()))
    assert [entry.action.what for entry in entries] == [
        "account added", "account added", "role changed", "password changed", "account disabled",
    ]  # fmt: skip
    changed = entries[2].action
    assert (changed.who, changed.address, changed.subject) == ("ortega", "192.0.2.5", "sandhu")
    assert (changed.old, changed.new) == ({"role": "viewer"}, {"role": "engineer"})
    with books.state.transaction() as connection:
        stored = str(connection.exec_driver_sql("SELECT text FROM audit").fetchall())
    assert GOOD not in stored
    assert "argon2" not in stored


def test_change_that_is_refused_leaves_nothing_in_book_and_log(books: Books) -> None:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    refused: tuple[Callable[[], object], ...] = (
        lambda: books.accounts.add("ORTEGA", Role.ADMIN, GOOD, by=CONSOLE),
        lambda: books.accounts.add("a b", Role.VIEWER, GOOD, by=CONSOLE),
        lambda: books.accounts.add("sandhu", Role.VIEWER, "short", by=CONSOLE),
        lambda: books.accounts.set_role("nobody", Role.VIEWER, by=CONSOLE),
        lambda: books.accounts.set_disabled("ortega", True, by=CONSOLE),
    )
    for wrong in refused:
        with pytest.raises(TallywireError):
            wrong()
    assert len(books.accounts.all()) == 1
    assert len(books.log.newest()) == 1


@pytest.mark.parametrize(
    ("password", "what"),
    [
        ("elevensigns", "fewer than 12"), ("x" * 257, "more than 256"), ("ababababababab", "repeats"),
        ("the Ortega belt", "name of the account"), ("tab\tin the middle", "control sign"),
    ],
)  # fmt: skip
def test_poor_password_is_refused(password: str, what: str) -> None:
    with pytest.raises(TallywireError, match=what):
        require_good(password, "ortega")


def test_same_signs_composed_otherwise_are_the_same_password() -> None:
    """Unicode TR 15: e with acute as one sign and as two are canonically equal."""
    assert normal("caf\u00e9") == normal("cafe\u0301")
    assert QUICK.verify("long enough cafe\u0301", QUICK.hash("long enough caf\u00e9"))


def test_hash_of_the_reference_implementation_is_understood_and_a_damaged_one_fits_nothing() -> None:
    """Test vector of the reference implementation of argon2 (test.c, argon2id, t=2, m=2^16, p=1), from memory."""
    vector = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
    assert QUICK.verify("password", vector)
    assert not QUICK.verify("passwore", vector)
    for damaged in ("", "x", vector[:-4], vector.replace("argon2id", "argon2q"), "$argon2id$v=19$m=1"):
        assert not QUICK.verify("password", damaged)


def test_parameters_in_force_are_at_least_those_that_the_trade_asks_for() -> None:
    """OWASP Password Storage Cheat Sheet: argon2id with at least 19 MiB, two passes, one lane; from memory."""
    kind, version, parameters = Argon2().hash("a long enough one").split("$")[1:4]
    found = dict(item.split("=") for item in parameters.split(","))
    assert (kind, version) == ("argon2id", "v=19")
    assert int(found["m"]) >= 19 * 1024
    assert int(found["t"]) >= 2


def test_roles_grow_and_scopes_never_reach_accounts() -> None:
    for rank, role in enumerate(Role):
        who = Who(name="x", role=role)
        assert [who.may(other) for other in Role] == [index <= rank for index in range(len(Role))]
    assert not Who().may(Role.VIEWER)
    assert of_scopes(frozenset({Scope.METRICS})) is None
    assert of_scopes(frozenset({Scope.READ, Scope.OPERATE})) is Role.OPERATOR
    assert of_scopes(frozenset(Scope)) is Role.ENGINEER


def test_database_that_holds_the_hashes_is_for_its_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "state.db"
    path.touch(mode=0o644)
    state = StateDb(path)
    try:
        AccountBook(state, ManualClock(), QUICK).add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
        modes = {one.name: stat.S_IMODE(one.stat().st_mode) for one in tmp_path.iterdir()}
    finally:
        state.close()
    assert "state.db-wal" in modes
    assert set(modes.values()) == {0o600}, modes
