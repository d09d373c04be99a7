"""Sessions, tokens and delays: they end, they are kept as hashes, and nobody waits for ever."""

from __future__ import annotations

import hashlib

import pytest

from collector.access.roles import Role, Scope
from collector.access.sessions import form_token
from collector.access.throttle import LONGEST_S, Throttle
from collector.clock import ManualClock
from config.errors import TallywireError
from tests.collector.access.conftest import CONSOLE, GOOD, Books


@pytest.fixture
def signed_in(books: Books) -> Books:
    books.accounts.add("ortega", Role.ADMIN, GOOD, by=CONSOLE)
    return books


def test_session_is_kept_as_a_hash_and_its_form_token_does_not_tell_it(signed_in: Books) -> None:
    secret = signed_in.sessions.begin("ortega", "192.0.2.9")
    assert len(secret) >= 43
    with signed_in.state.transaction() as connection:
        stored = str(connection.exec_driver_sql("SELECT * FROM sessions").fetchall())
    assert secret not in stored
    assert hashlib.sha256(secret.encode()).hexdigest() in stored
    assert form_token(secret) not in stored
    assert secret not in form_token(secret)
    assert signed_in.sessions.begin("ortega", "") != secret


async def test_session_ends_idle_and_acts_keep_it_awake(signed_in: Books) -> None:
    secret = signed_in.sessions.begin("ortega", "")
    for _ in range(3):
        await signed_in.clock.advance(1700.0)
        assert signed_in.sessions.find(secret, acts=True) is not None
    await signed_in.clock.advance(1000.0)
    found = signed_in.sessions.find(secret, acts=False)
    assert found is not None
    assert found.left_s == pytest.approx(800.0)
    await signed_in.clock.advance(801.0)
    assert signed_in.sessions.find(secret, acts=True) is None
    assert signed_in.sessions.find(secret, acts=True) is None


async def test_session_ends_after_its_longest_time_however_busy(signed_in: Books) -> None:
    secret = signed_in.sessions.begin("ortega", "")
    for _ in range(42):
        await signed_in.clock.advance(1000.0)
        assert signed_in.sessions.find(secret, acts=True) is not None
    await signed_in.clock.advance(1201.0)
    assert signed_in.sessions.find(secret, acts=True) is None


async def test_clock_that_steps_back_makes_no_session_longer(signed_in: Books) -> None:
    secret = signed_in.sessions.begin("ortega", "")
    signed_in.clock.step_wall(-86400.0)
    assert signed_in.sessions.find(secret, acts=True) is None


async def test_what_has_run_out_is_forgotten_with_the_next_sign_in(signed_in: Books) -> None:
    signed_in.sessions.begin("ortega", "")
    await signed_in.clock.advance(1801.0)
    signed_in.sessions.begin("ortega", "")
    assert signed_in.sessions.count("ortega") == 1
    with signed_in.state.transaction() as connection:
        assert connection.exec_driver_sql("SELECT COUNT(*) FROM sessions").scalar_one() == 1


def test_end_of_one_and_of_all_others(signed_in: Books) -> None:
    first, second, third = (signed_in.sessions.begin("ortega", "") for _ in range(3))
    signed_in.sessions.end(first)
    assert signed_in.sessions.find(first, acts=True) is None
    assert signed_in.sessions.end_others("ortega", second) == 1
    assert signed_in.sessions.find(second, acts=True) is not None
    assert signed_in.sessions.find(third, acts=True) is None


async def test_token_is_told_once_scoped_and_ends(books: Books) -> None:
    made, secret = books.tokens.add("scraper", [Scope.READ, Scope.METRICS], 1.0, by=CONSOLE)
    assert made.scopes == {Scope.METRICS, Scope.READ}
    assert books.tokens.find(secret) == made
    for wrong in (secret[:-1], secret + "x", secret.upper(), secret.removeprefix("tw_"), "", "tw_"):
        assert books.tokens.find(wrong) is None
    with books.state.transaction() as connection:
        assert secret not in str(connection.exec_driver_sql("SELECT * FROM api_tokens").fetchall())
        assert secret not in str(connection.exec_driver_sql("SELECT * FROM audit").fetchall())
    await books.clock.advance(86_401.0)
    assert books.tokens.find(secret) is None


def test_token_that_is_revoked_opens_nothing_and_the_log_says_so(books: Books) -> None:
    made, secret = books.tokens.add("scraper", [Scope.READ], 30.0, by=CONSOLE)
    books.tokens.revoke(made.id, by=CONSOLE)
    books.tokens.revoke(made.id, by=CONSOLE)
    assert books.tokens.find(secret) is None
    assert [entry.action.what for entry in books.log.newest()] == ["token revoked", "token added"]
    for number in (99, 0, -1, 2**70):
        with pytest.raises(TallywireError, match=f"no token {number}"):
            books.tokens.revoke(number, by=CONSOLE)


@pytest.mark.parametrize(
    ("name", "scopes", "days"),
    [("a b", [Scope.READ], 1.0), ("x1", [], 1.0), ("x1", [Scope.READ], 0.0), ("x1", [Scope.READ], 401.0),
     ("x1", [Scope.READ], float("nan"))],
)  # fmt: skip
def test_token_that_is_not_complete_is_refused(books: Books, name: str, scopes: list[Scope], days: float) -> None:
    with pytest.raises(TallywireError):
        books.tokens.add(name, scopes, days, by=CONSOLE)
    assert books.tokens.all() == []


async def test_delay_grows_with_failures_of_an_account_and_ends() -> None:
    clock = ManualClock()
    throttle = Throttle(clock)
    waits = []
    for number in range(12):
        throttle.failed("ortega", f"192.0.2.{number}")
        waits.append(throttle.wait_s("Ortega", "198.51.100.1"))
    assert waits == [0.0, 0.0, 0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, LONGEST_S, LONGEST_S, LONGEST_S]
    await clock.advance(LONGEST_S)
    assert throttle.wait_s("ortega", "198.51.100.1") == 0.0
    assert throttle.wait_s("sandhu", "198.51.100.1") == 0.0


async def test_delay_grows_with_failures_from_an_address_whatever_the_name() -> None:
    clock = ManualClock()
    throttle = Throttle(clock)
    for number in range(13):
        throttle.failed(f"name{number}", "192.0.2.66")
    assert throttle.wait_s("somebody", "192.0.2.66") == 4.0
    throttle.failed("somebody", "192.0.2.66")
    throttle.succeeded("somebody", "192.0.2.66")
    assert throttle.wait_s("another", "192.0.2.66") == 4.0
    clock.step_wall(86400.0)
    assert throttle.wait_s("another", "192.0.2.66") == 4.0
    await clock.advance(901.0)
    throttle.failed("another", "192.0.2.66")
    assert throttle.wait_s("another", "192.0.2.66") == 0.0


def test_owner_is_not_kept_out_by_failures_from_elsewhere() -> None:
    throttle = Throttle(ManualClock())
    throttle.succeeded("ortega", "192.0.2.5")
    for _ in range(20):
        throttle.failed("ortega", "203.0.113.9")
    assert throttle.wait_s("ortega", "192.0.2.5") == 0.0
    assert throttle.wait_s("ortega", "192.0.2.6") > 0.0
    for _ in range(5):
        throttle.failed("ortega", "192.0.2.5")
    assert throttle.wait_s("ortega", "192.0.2.5") > 0.0
