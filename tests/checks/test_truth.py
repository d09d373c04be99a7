"""The truth behind the chain: verdict of reference lots, and what is needed where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from checks.lots import lots_of
from checks.result import CheckResult, Link, Verdict
from checks.truth import check, mean_of
from checks.window import Window
from tests.checks.lots_by_hand import lot, off_by, quiet_hour, with_references


def told(window: Window) -> CheckResult:
    (result,) = check(window)
    assert (result.check, result.link) == ("truth", Link.TOTALS)
    return result


def test_without_references_nothing_is_evaluated_and_lots_are_asked_for_by_number_length_and_load() -> None:
    result = told(quiet_hour())
    assert result.verdict is Verdict.NOT_EVALUATED
    assert result.reason.startswith("agreement does not prove the weight: no lot")
    assert "4 material tests in the ledger, each of at least 1.0 h (260 t at 260 t/h)" in result.needs[0]


def test_lots_that_cannot_be_used_are_named() -> None:
    result = told(with_references([lot(30, None)]))
    assert "ticket 30: the history does not reach over it" in result.reason


def test_lots_that_agree_are_ok() -> None:
    result = told(with_references(off_by([0.0] * 6)))
    assert result.verdict is Verdict.OK
    assert "the tonnes are right" in result.reason


def test_two_per_cent_over_four_lots_is_a_fault_with_its_uncertainty() -> None:
    result = told(with_references(off_by([-2.0] * 4)))
    assert result.verdict is Verdict.FAULT
    assert result.value("mean") == pytest.approx(-2.0, abs=0.2)
    uncertainty = result.value("mean_uncertainty")
    assert uncertainty is not None
    assert 0.15 < uncertainty < 0.35


def test_poor_lots_ask_for_more_of_them_or_for_a_better_reference() -> None:
    scattered = told(with_references(off_by([-2.0, 1.5, 0.8, -1.2])))
    assert scattered.verdict is Verdict.NOT_EVALUATED
    assert "more lots: they scatter by" in scattered.needs[0]
    coarse = told(with_references([lot(2, 521.0, uncertainty_t=8.0), lot(4, 519.0, uncertainty_t=8.0)]))
    assert coarse.verdict is Verdict.NOT_EVALUATED
    assert "a better reference" in coarse.needs[0]


def test_product_that_is_wrong_alone_is_a_fault_though_all_together_agree() -> None:
    lots = off_by([1.5, -1.5, 1.5, -1.5, 1.5, -1.5], products=("salt", "potash") * 3)
    result = told(with_references(lots))
    assert result.verdict is Verdict.FAULT
    assert {item.name for item in result.evidence} >= {"deviation, product salt", "deviation, product potash"}


def test_mean_of_scattered_lots_counts_the_scatter_with_student() -> None:
    """Two lots at -1 and +1 %: mean 0, standard error 1 %; Student's t for 95.45 % at one degree of freedom is 13.97."""
    found = mean_of(lots_of(with_references([lot(2, 514.8, uncertainty_t=0.0), lot(4, 525.2, uncertainty_t=0.0)])).now)
    assert found.deviation == pytest.approx(0.0, abs=0.01)
    assert found.uncertainty == pytest.approx(13.97, rel=0.02)


@pytest.mark.parametrize("n", [3, 6])
def test_sound_lots_raise_no_fault_in_four_hundred_draws(n: int) -> None:
    """Lots as good as they are said to be: gauge repeats to 0.15 %, the reference errs by its own 0.1 %."""
    rng = np.random.default_rng(20)
    faults = sum(
        told(with_references(off_by([0.1 * float(rng.standard_normal())] * n, seed=draw, noise=0.15))).verdict is Verdict.FAULT
        for draw in range(400)
    )
    assert faults == 0


def test_lots_that_follow_their_moisture_are_known_better_than_they_scatter() -> None:
    """1/(1 - w) of a dry reference at 1 to 6 %: a mean of +3.6 % that scatters by 1.9 %, and all of it is the moisture."""
    wet = (1.0, 4.0, 2.0, 5.0, 3.0, 6.0)
    loads = (130.0, 260.0, 200.0, 300.0, 150.0, 280.0)
    lots = off_by([100.0 * w / (100.0 - w) for w in wet], loads=loads, moistures=wet)
    (result,) = check(with_references(lots, quiet_hour()))
    assert result.verdict is Verdict.FAULT
    assert result.facts["mean_uncertainty"] < 0.5
    unknown = off_by([100.0 * w / (100.0 - w) for w in wet], loads=(200.0,) * 6)
    (result,) = check(with_references(unknown, quiet_hour()))
    assert result.facts["mean_uncertainty"] > 1.0
