"""A calibration is trusted by load, turns, counting and the drift of its factor; what is not known is asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from checks import calibration
from checks.references import MaterialTest, Reference, Span, Tare
from checks.result import CheckResult, Link, Verdict
from checks.window import LedgerEntry, Window
from tests.checks.runs_of_terminal import run_of, window_of

DAY = 86400
SEED = 3


def bare(ledger: Sequence[LedgerEntry] = ()) -> Window:
    """TB-07: 0 to 420 t/h, 1.9 m/s, belt of 240 m, 5200 1/s on the empty belt."""
    return replace(window_of(run_of("TB-07", 0.02, seed=SEED)), ledger=tuple(ledger))


END = bare().end_s


def judged(*references: Reference, ledger: Sequence[LedgerEntry] = ()) -> CheckResult:
    (result,) = calibration.check(replace(bare(ledger), references=references))
    assert (result.check, result.link) == ("calibration", Link.LOAD)
    return result


def tare(seconds: int = 900, **more: Any) -> Tare:
    return Tare(begin_s=END - 9000 - seconds, end_s=END - 9000, rate=5200.0, **more)


def span(load: float = 38.0, seconds: int = 900, **more: Any) -> Span:
    rate = 60.0 + 5140.0 * math.exp(-0.0065 * load)
    return Span(begin_s=END - 7000 - seconds, end_s=END - 7000, load_kg_m=load, rate=rate, speed=1.9, **more)


def weighed(day: float, asked: float, *, uncertainty_t: float = 0.5, product: str = "") -> MaterialTest:
    """A test of 520 t in 2 h that asks for this factor where 150 is in force."""
    end = END - int(day * DAY)
    return MaterialTest(
        begin_s=end - 7200, end_s=end, reference_t=520.0, reference_u_t=uncertainty_t, gauge_t=520.0 * 150.0 / asked,
        factor_before=150.0, product=product,
    )  # fmt: skip


def test_nothing_known_is_not_evaluated_with_what_is_needed() -> None:
    result = judged()
    assert result.verdict is Verdict.NOT_EVALUATED
    for words in ("a material test, or a span run", "a tare with begin and end", "3 material tests"):
        assert any(words in need for need in result.needs)


def test_tare_and_span_by_the_book_are_ok_and_the_drift_is_asked_for() -> None:
    result = judged(tare(), span())
    assert result.verdict is Verdict.OK
    assert result.value("turns of the tare") == pytest.approx(900 * 1.9 / 240.0)
    assert result.value("load of the run") == pytest.approx(100.0 * 3.6 * 38.0 * 1.9 / 420.0)
    assert any("3 material tests" in need for need in result.needs)


@pytest.mark.parametrize(
    ("load", "verdict"), [(10.0, Verdict.SUSPECT), (12.0, Verdict.SUSPECT), (12.5, Verdict.OK), (60.0, Verdict.OK)]
)
def test_run_below_a_fifth_of_full_load_is_doubtful(load: float, verdict: Verdict) -> None:
    """20 % of 420 t/h at 1.9 m/s are 12.28 kg/m; common practice, no source."""
    result = judged(tare(3600), span(load, 7200))
    assert result.verdict is verdict
    assert ("20 % are needed" in result.reason) == (verdict is Verdict.SUSPECT)


@pytest.mark.parametrize(
    ("turns", "verdict"), [(1.0, Verdict.SUSPECT), (2.9, Verdict.SUSPECT), (3.0, Verdict.OK), (7.0, Verdict.OK)]
)
def test_tare_of_fewer_than_three_turns_is_doubtful(turns: float, verdict: Verdict) -> None:
    assert judged(tare(turns=turns)).verdict is verdict


def test_turns_come_from_time_and_speed_where_they_are_not_written() -> None:
    assert judged(tare(380)).value("turns of the tare") == pytest.approx(3.0, abs=0.02)
    assert judged(tare(380, speed=1.2)).verdict is Verdict.SUSPECT


def test_tare_that_only_the_tags_showed_is_judged_by_how_long_the_gauge_calibrated() -> None:
    def seen(seconds: int) -> CheckResult:
        begin = END - 5000
        return judged(
            ledger=(
                LedgerEntry(time_s=begin, kind="calibration", role="calibrating", old=0.0, new=1.0),
                LedgerEntry(time_s=begin + seconds - 2, kind="tare", role="empty_belt_rate", old=5200.0, new=5180.0),
                LedgerEntry(time_s=begin + seconds, kind="calibration", role="calibrating", old=1.0, new=0.0),
            )
        )

    assert seen(500).verdict is Verdict.OK
    assert seen(60).verdict is Verdict.SUSPECT
    assert "0.5 turns" in seen(60).reason


def test_counting_noise_of_a_tare_is_that_of_poisson_counts() -> None:
    """Against drawn counts: the standard deviation of the load that a tare of 400 s leaves behind."""
    print("seed", SEED)
    rng = np.random.default_rng(SEED)
    counts = rng.poisson(5200.0 * 400.0, 4000) / 400.0
    load = np.log((counts - 60.0) / 5140.0) / 0.0065
    drawn = 200.0 * 3.6 * float(load.std()) * 1.9 / 420.0
    assert judged(tare(400)).value("uncertainty of the tare, k = 2") == pytest.approx(drawn, rel=0.05)


def test_tare_that_was_counted_too_short_is_told_to_count_longer() -> None:
    result = judged(tare(60, turns=3.0))
    assert result.verdict is Verdict.SUSPECT
    assert "count for longer" in result.reason


def test_span_run_carries_its_stated_uncertainty() -> None:
    assert judged(tare(3600), span(seconds=3600)).verdict is Verdict.OK
    result = judged(tare(3600), span(seconds=3600, uncertainty_percent=2.0))
    assert result.verdict is Verdict.SUSPECT
    assert "span run is known to 2" in result.reason


def test_factor_that_moves_one_way_over_several_tests_is_doubtful() -> None:
    result = judged(*(weighed(day, 150.0 * (1.0 + 0.0001 * (300 - day))) for day in (300, 220, 140, 60)))
    assert result.verdict is Verdict.SUSPECT
    assert "moved by +2.4 % in 240 days" in result.reason
    assert result.value("drift of the factor") == pytest.approx(3.65, rel=0.03)


def test_factor_that_scatters_within_its_uncertainty_holds() -> None:
    """3 sigma in one direction or the other: 2 in 300 at most over drawn tests without drift."""
    print("seed", SEED)
    rng = np.random.default_rng(SEED)
    doubts = 0
    for _ in range(300):
        off = rng.normal(0.0, 0.0013, 5)
        tests = [weighed(300.0 - 60.0 * k, 150.0 * (1.0 + off[k]), uncertainty_t=0.8) for k in range(5)]
        doubts += judged(*tests).verdict is Verdict.SUSPECT
    assert doubts <= 2


def test_two_tests_show_no_drift_and_two_products_are_not_mixed() -> None:
    assert judged(weighed(200, 150.0), weighed(10, 160.0)).value("drift of the factor") is None
    mixed = [weighed(200, 150.0, product="1"), weighed(100, 155.0, product="2"), weighed(10, 160.0, product="1")]
    assert judged(*mixed).value("drift of the factor") is None


def test_answer_stands_until_the_ledger_or_a_calibration_changes_it() -> None:
    window = bare()
    more = replace(window, references=(tare(),))
    event = replace(window, ledger=(LedgerEntry(time_s=END - 10, kind="calibration", role="calibrating", old=1.0, new=0.0),))
    assert len({calibration.follows(item) for item in (window, more, event)}) == 3
    assert calibration.follows(window) == calibration.follows(replace(window, end_s=window.end_s + 3600))
