"""Figures of the alarm system against counts by another library and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from collector.alerts.model import Alert, AlertState, Annunciation, Priority
from collector.alerts.performance import Performance, in_hand, performance_of
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding

DAY = 86400.0
BEGIN = 1_795_564_800.0
"""2026-11-25 00:00 UTC."""


def came(times: list[float], priority: Priority = Priority.HIGH, alert: str = "a") -> list[Annunciation]:
    return [Annunciation(time=time, alert=alert, loop="TB-07", link="counts", priority=priority) for time in times]


def figures(performance: Performance) -> dict[str, float | None]:
    return {item.name: item.value for item in performance.figures}


def met(performance: Performance) -> dict[str, bool | None]:
    return {item.name: item.met for item in performance.figures}


def over(times: list[float], days: float = 30.0, operators: int = 1) -> Performance:
    end = BEGIN + days * DAY
    return performance_of(came(times), [], [], BEGIN, BEGIN, end, operators=operators)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rates_are_those_that_pandas_counts(seed: int) -> None:
    # reference: pandas.Series.resample over ten minutes from the begin of the time
    drawn = np.random.default_rng(seed)
    quiet = drawn.uniform(0.0, 30 * DAY, 900)
    storm = drawn.uniform(3 * DAY, 3 * DAY + 1200.0, 60)
    times = np.sort(BEGIN + np.concatenate([quiet, storm]))
    index = pd.to_datetime(np.append(times, [BEGIN, BEGIN + 30 * DAY - 1e-3]), unit="s")
    cells = pd.Series([1] * len(times) + [0, 0], index=index).resample("10min", origin=pd.Timestamp(BEGIN, unit="s")).sum()
    found = figures(over(times.tolist(), operators=2))
    assert len(cells) == 30 * 144
    assert found["rate"] == pytest.approx(cells.mean() / 2)
    assert found["peak"] == cells.max()
    assert found["crowded"] == pytest.approx(100 * (cells > 10).mean())
    assert found["day"] == pytest.approx(len(times) / 30 / 2)


def test_flood_begins_above_ten_and_ends_below_five() -> None:
    # ISA-18.2 (second-hand): above 10 alarms in ten minutes, until below 5. By hand: 11 alarms, one every 30 s from 0 to 300 s.
    # The flood begins with the eleventh at 300 s. An alarm leaves the window 600 s behind it; fewer than 5 are left when the
    # seventh (at 180 s) has gone: 780 s. In flood from 300 s to 780 s.
    found = over([BEGIN + 30.0 * number for number in range(11)])
    share = figures(found)["flood"]
    assert share is not None
    assert share / 100 * 30 * DAY == pytest.approx(480.0, abs=15.0)
    assert figures(over([BEGIN + 30.0 * number for number in range(10)]))["flood"] == 0.0


def test_yardsticks_are_held_only_against_thirty_days() -> None:
    # ISA-18.2 (second-hand): at least 30 days of data
    short = over([BEGIN + 1.0], days=29.9)
    assert not short.graded
    assert set(met(short).values()) == {None}
    long = over([BEGIN + 1.0])
    assert long.graded
    assert met(long)["rate"] is True


@pytest.mark.parametrize(
    ("a_day", "rate", "day", "very_likely"), [(100, True, True, True), (200, True, True, False), (300, False, False, False)]
)
def test_rate_is_graded_by_both_yardsticks(a_day: int, rate: bool, day: bool, very_likely: bool) -> None:
    # ISA-18.2 (second-hand): about 144 a day, at most 288; 1 or 2 in ten minutes. EEMUA 191 (from memory): below 1 in ten minutes
    found = met(over([BEGIN + DAY * number / a_day for number in range(30 * a_day)]))
    assert (found["rate"], found["day"], found["rate-very-likely"]) == (rate, day, very_likely)


@pytest.mark.parametrize(
    ("times", "chatters"), [([0, 30, 60], True), ([0, 30, 61], False), ([0, 500, 520, 540], True), ([0, 1], False)]
)
def test_alert_that_comes_three_times_in_a_minute_chatters(times: list[float], chatters: bool) -> None:
    # from memory: three or more times in a minute; the standard fixes no number
    assert bool(over([BEGIN + time for time in times]).chattering) is chatters


def alert(number: int, raised: float, returned: float | None = None) -> Alert:
    return Alert(
        id=f"a{number}", loop="TB-07", link="counts", state=AlertState.UNACKNOWLEDGED if returned is None else AlertState.NORMAL,
        active=returned is None, priority=Priority.HIGH, finding=finding(), raised=raised, returned=returned,
    )  # fmt: skip


def test_stale_alerts_stand_for_more_than_a_day_now_and_on_the_worst_day() -> None:
    end = BEGIN + 30 * DAY
    now = [alert(1, end - 1.1 * DAY), alert(2, end - 0.9 * DAY)]
    before = [alert(10 + number, BEGIN + 10 * DAY, BEGIN + 12.5 * DAY) for number in range(6)]
    found = performance_of([], now, [*now, *before], BEGIN, BEGIN, end)
    assert found.stale == ("a1",)
    assert (figures(found)["stale"], figures(found)["stale-worst"]) == (1.0, 6.0)
    assert (met(found)["stale"], met(found)["stale-worst"]) == (True, False)


def test_most_frequent_and_shares_of_priority() -> None:
    many = [
        *came([BEGIN + 1.0] * 8, Priority.LOW, "a"),
        *(
            Annunciation(time=BEGIN + 2.0, alert=f"b{n}", loop=f"TB-{n:02d}", link="load", priority=Priority.MEDIUM)
            for n in range(12)
        ),
    ]
    found = performance_of(many, [], [], BEGIN, BEGIN, BEGIN + 30 * DAY)
    assert [(item.loop, item.link, item.count, item.share) for item in found.frequent][:2] == [
        ("TB-07", "counts", 8, 0.4), ("TB-00", "load", 1, 0.05),
    ]  # fmt: skip
    assert len(found.frequent) == 10
    assert figures(found)["top"] == pytest.approx(100 * 17 / 20)
    assert found.priorities == {"high": 0.0, "medium": 0.6, "low": 0.4}


def test_without_data_nothing_is_claimed() -> None:
    found = performance_of([], [], [], None, BEGIN, BEGIN + 30 * DAY)
    assert (found.days, found.graded, found.count) == (0.0, False, 0)
    assert set(figures(found).values()) == {None}


def test_book_counts_what_began_to_ask_for_attention_and_nothing_that_was_silent(keep: Make) -> None:
    kept = keep()
    kept.book.take([change()], now=T0)
    kept.book.take([change("returned")], now=T0 + 100.0)
    kept.book.take([change(number=2)], now=T0 + 200.0)
    kept.book.acknowledge("TB-07-scaling-block-1", by="x", now=T0 + 300.0)
    kept.book.remove("TB-07-scaling-block-1", by="x", reason="y", until=T0 + DAY, now=T0 + 301.0)
    kept.book.take([change(found=finding(cause="ai-gain"), number=3)], now=T0 + 400.0)
    found = kept.book.performance(T0 - 10.0, T0 + 1000.0)
    assert found.count == 2
    assert in_hand(kept.book.standing())[AlertState.OUT_OF_SERVICE] == 2
    assert (found.frequent[0].loop, found.frequent[0].link, found.frequent[0].count) == ("TB-07", "scaling-block", 2)
