"""Patterns of the mechanisms behind reference lots: what is the same ties, what differs is told apart."""

from __future__ import annotations

import numpy as np
import pytest

from checks.finding import UNKNOWN
from checks.hypotheses import Scored
from checks.lots import lots_of
from checks.references import MaterialTest
from checks.truth_models import rank, split
from tests.checks.lots_by_hand import lot, off_by, with_references

LOADS = (130.0, 260.0, 390.0) * 3
WET = (0.5, 2.0, 4.0) * 3


def ranked(lots: list[MaterialTest], *, proven: bool = True) -> dict[str, Scored]:
    found = lots_of(with_references(lots))
    return {scored.cause: scored for scored in rank(found.now, found, speed_proven=proven)}


def leader(lots: list[MaterialTest], *, proven: bool = True) -> str:
    return next(iter(ranked(lots, proven=proven)))


def test_lots_alike_tie_factor_shape_basis_and_slip_to_the_digit() -> None:
    scored = ranked(off_by([-2.0] * 5), proven=False)
    tied = {scored[cause].odds for cause in ("calibration-factor", "belt-slip", "wet-dry-basis")}
    assert len(tied) == 1
    assert scored["load-shape"].odds == pytest.approx(tied.pop(), rel=0.01)
    assert scored["load-shape"].probability < 0.3


def test_factor_is_the_same_at_every_load_and_moisture() -> None:
    assert leader(off_by([-2.0] * 9, loads=LOADS, moistures=WET)) == "calibration-factor"


def test_shape_grows_with_the_load() -> None:
    """A load on part of the width reads low in proportion to the load: -1 % at 130 t/h is -3 % at 390 t/h."""
    assert leader(off_by([-1.0 * load / 130.0 for load in LOADS], loads=LOADS, moistures=WET)) == "load-shape"


@pytest.mark.parametrize(("sign", "times"), [(1.0, 1.0), (-1.0, 1.0), (1.0, 2.0)])
def test_basis_follows_the_moisture(sign: float, times: float) -> None:
    """Wet tonnes over dry ones are 1/(1 - w): +2.04 % at 2 %."""
    lots = off_by([sign * times * 100.0 * w / (100.0 - w) for w in WET], loads=LOADS, moistures=WET)
    assert leader(lots) == "wet-dry-basis"


def test_product_gammas_come_with_the_product() -> None:
    """The gammas of potash are counted and taken for less load; a gauge calibrated on rock salt reads low under potash only."""
    lots = off_by([-3.5, 0.0] * 4, products=("potash", "salt") * 4, moistures=(1.0,) * 8)
    assert leader(lots) == "product-gammas"


def test_last_correction_once_more_is_named_where_it_fits_only() -> None:
    """Factor 150 to 154.5 is +3 %: entered twice the gauge is 3 % high."""
    before = [lot(20 + 2 * index, 505.0) for index in range(3)]
    change = [lot(15, 504.9, factors=(150.0, 154.5))]
    assert leader([*before, *change, *off_by([3.0] * 5, loads=LOADS[:5], moistures=WET[:5])]) == "factor-twice"
    assert leader([*before, *change, *off_by([-1.5] * 5, loads=LOADS[:5], moistures=WET[:5])]) == "calibration-factor"


def test_lots_that_follow_nothing_are_unknown() -> None:
    assert leader(off_by([-6.0, 1.0, 4.0, -3.0, 5.0, -4.0], moistures=(1.0,) * 6)) == UNKNOWN


def test_lots_are_parted_where_the_deviation_began_and_nowhere_else() -> None:
    assert split(lots_of(with_references(off_by([0.0] * 5 + [-3.0] * 3))).now) == 5
    assert split(lots_of(with_references(off_by([0.0] * 8))).now) == 0
    by_product = off_by([0.0] * 4 + [-3.0] * 4, products=("salt",) * 4 + ("potash",) * 4)
    assert split(lots_of(with_references(by_product)).now) == 0


def test_healthy_lots_name_no_cause_of_their_own_in_two_hundred_draws() -> None:
    """Odds of three to one must not come from noise that the verdict lets through: leaders of sound lots stay tied."""
    rng = np.random.default_rng(3)
    named = 0
    for draw in range(200):
        lots = off_by([float(rng.normal(0.0, 0.1))] * 5, seed=draw, noise=0.15)
        named += next(iter(ranked(lots, proven=False).values())).probability > 0.75
    assert named == 0
