from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.sources.backoff import Backoff
from collector.sources.failure import Kind


def test_waits_double_up_to_the_longest() -> None:
    backoff = Backoff(jitter=lambda: 1.0)
    assert [backoff.failed(0.0, Kind.REFUSED) for _ in range(7)] == [1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_jitter_stays_between_half_and_whole(draws: list[float]) -> None:
    source = iter(draws)
    backoff = Backoff(jitter=lambda: next(source))
    for number in range(len(draws)):
        wait = backoff.failed(5.0, Kind.TIMEOUT)
        whole = min(2.0**number, 30.0)
        assert whole / 2 <= wait <= whole
        assert backoff.retry_at == 5.0 + wait


def test_only_a_good_reply_starts_over() -> None:
    backoff = Backoff(jitter=lambda: 1.0)
    for _ in range(4):
        backoff.failed(0.0, Kind.LOST)
    backoff.good_reply()
    assert backoff.failed(0.0, Kind.LOST) == 1.0


def test_three_refused_logins_wait_ten_minutes() -> None:
    backoff = Backoff(jitter=lambda: 0.0)
    assert [backoff.failed(0.0, Kind.LOGIN) for _ in range(4)] == [30.0, 30.0, 600.0, 600.0]


def test_failures_of_another_kind_do_not_forgive_refused_logins() -> None:
    backoff = Backoff(jitter=lambda: 0.0)
    backoff.failed(0.0, Kind.LOGIN)
    backoff.failed(0.0, Kind.TIMEOUT)
    backoff.failed(0.0, Kind.LOGIN)
    assert backoff.failed(0.0, Kind.LOGIN) == 600.0


def test_a_server_without_free_session_is_left_alone_for_half_a_minute() -> None:
    assert Backoff(jitter=lambda: 0.0).failed(0.0, Kind.BUSY) == 30.0


def test_thousands_of_failures_do_not_overflow() -> None:
    backoff = Backoff(jitter=lambda: 1.0)
    assert max(backoff.failed(0.0, Kind.REFUSED) for _ in range(5000)) == pytest.approx(30.0)
