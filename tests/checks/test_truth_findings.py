"""Findings of the weight: the set or the cause, tonnes since when, and the factor to enter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from checks.finding import UNKNOWN, Finding
from checks.references import MaterialTest
from checks.result import CheckResult, Link, Verdict
from checks.truth import check
from checks.truth_findings import SEPARATED_BY, findings
from checks.window import Window
from config.cautions import CAUTIONS
from tests.checks.lots_by_hand import lot, off_by, quiet_hour, with_references
from tests.checks.simulation import START, Chain

LOADS = (130.0, 260.0, 390.0) * 3
WET = (0.5, 2.0, 4.0) * 3
SPEED = CheckResult(
    check="speed", link=Link.DRIVE, verdict=Verdict.OK, reason="", facts={"deviation_span": 0.1, "uncertainty_span": 0.1}
)


def told(lots: list[MaterialTest], *, proven: bool = True, window: Window | None = None) -> list[Finding]:
    known = window or quiet_hour()
    if proven:
        gauge = known.loop.gauge.model_copy(update={"speed_sensor_at": "tail", "load_per_attenuation": 153.85})
        known = replace(known, loop=known.loop.model_copy(update={"gauge": gauge}))
    known = with_references(lots, known)
    return list(findings(known, [*check(known), *([SPEED] if proven else [])]))


def test_silent_without_references_with_sound_lots_and_with_too_few() -> None:
    assert told([]) == []
    assert told(off_by([0.1] * 6)) == []
    assert told(off_by([-2.0, 1.5, 0.8, -1.2])) == []


def test_lots_that_are_alike_give_the_set_with_equal_odds_and_what_parts_it() -> None:
    (finding,) = told(off_by([-2.0] * 5), proven=False)
    assert (finding.cause, finding.link, finding.verdict) == (UNKNOWN, Link.LOAD, Verdict.FAULT)
    assert {item.cause for item in finding.alternatives} == {"calibration-factor", "belt-slip", "wet-dry-basis", "load-shape"}
    assert max(item.odds for item in finding.alternatives) < 1.02 * min(item.odds for item in finding.alternatives)
    assert any("another load" in need for need in finding.gate)
    assert any("laboratory moisture" in need for need in finding.gate)
    assert any("belt speed" in need for need in finding.gate)
    assert "change no factor yet" in finding.advice[0]
    assert finding.correction is None
    assert finding.cautions == CAUTIONS


def test_factor_is_named_with_the_number_to_enter_and_what_it_will_do() -> None:
    """The gauge reads 2 % low with 153.85 kg/m: 153.85/0.98 = 156.99 kg/m puts it right."""
    (finding,) = told(off_by([-2.0] * 9, loads=LOADS, moistures=WET))
    assert (finding.cause, finding.link) == ("calibration-factor", Link.LOAD)
    assert finding.odds is not None
    assert finding.odds >= 3.0
    enter = finding.correction
    assert enter is not None
    assert enter.computed == pytest.approx(153.85 / 0.98, rel=0.002)
    assert enter.enter == pytest.approx(157.0, abs=0.3)
    assert enter.present == 153.85
    assert enter.before.slope == pytest.approx(0.98, abs=0.002)
    assert enter.after is not None
    assert abs(enter.after.slope - 1.0) < 0.002
    assert "less than the reference over 9 lots" in finding.sentence


def test_shape_basis_and_product_are_named_without_a_factor() -> None:
    shape = off_by([-1.0 * load / 130.0 for load in LOADS], loads=LOADS, moistures=WET)
    basis = off_by([100.0 * w / (100.0 - w) for w in WET], loads=LOADS, moistures=WET)
    gammas = off_by([-3.5, 0.0] * 4, products=("potash", "salt") * 4, moistures=(1.0,) * 8)
    for lots, cause, link in (
        (shape, "load-shape", Link.LOAD), (basis, "wet-dry-basis", Link.TOTALS), (gammas, "product-gammas", Link.LOAD),
    ):  # fmt: skip
        (finding,) = told(lots)
        assert (finding.cause, finding.link, finding.correction) == (cause, link, None)


def test_factor_entered_twice_begins_at_the_entry_and_is_taken_back() -> None:
    """150 to 154.5 kg/m is +3 %; the gauge acts as if it were in twice, so it is 3 % high and 150 kg/m is right."""
    before = [lot(20 + 2 * index, 505.0) for index in range(3)]
    change = lot(15, 504.9, factors=(150.0, 154.5))
    (finding,) = told([*before, change, *off_by([3.0] * 5, loads=LOADS[:5], moistures=WET[:5])])
    assert (finding.cause, finding.begin) == ("factor-twice", change.end_s)
    assert finding.correction is not None
    assert finding.correction.enter == pytest.approx(150.0, abs=0.3)
    assert "once more" in finding.sentence


def test_tonnes_since_the_begin_are_those_the_gauge_booked_too_few() -> None:
    """Two hours at 260 t/h booked 2 % low: 520 - 520/0.98 = -10.6 t; -5.3 t/h."""
    window = Chain(load=np.full(7200, 260.0)).window()
    lots = [replace(item, begin_s=START, end_s=START + 1800 + 60 * n) for n, item in enumerate(off_by([-2.0] * 5))]
    (finding,) = told(lots, window=window)
    assert finding.begin == START
    assert finding.tonnes == pytest.approx(-10.6, abs=0.8)
    assert finding.tonnes_uncertainty is not None
    assert 0.5 < finding.tonnes_uncertainty < 2.0
    assert finding.rate_error_t_h == pytest.approx(-5.3, abs=0.4)
    assert sum(part.tonnes for part in finding.by_shift) == pytest.approx(finding.tonnes, rel=0.02)


def test_what_began_in_between_begins_there() -> None:
    lots = off_by([0.0] * 5 + [-3.0] * 3)
    (finding,) = told(lots)
    assert finding.begin == lots[5].begin_s
    assert finding.begin_interval == (lots[4].end_s, lots[5].begin_s)
    assert finding.evidence[0].value == pytest.approx(-3.0, abs=0.3)


def test_what_was_repaired_is_not_told_any_more() -> None:
    assert told(off_by([-3.0] * 4 + [0.0] * 4)) == []


def test_every_alternative_has_its_measurement() -> None:
    assert all(SEPARATED_BY.values())
    assert set(SEPARATED_BY) >= {
        "calibration-factor",
        "load-shape",
        "wet-dry-basis",
        "belt-slip",
        "product-gammas",
        "factor-twice",
    }
