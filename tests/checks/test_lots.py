"""Lots beside what the gauge booked: from the ledger, or from the stored blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from checks.lots import lots_of, stored_tonnes
from checks.references import MaterialTest, Span
from tests.checks.lots_by_hand import lot, quiet_hour, with_references
from tests.checks.simulation import START, Chain


def test_gauge_tonnes_of_the_ledger_give_the_deviation_and_the_load() -> None:
    (found,) = lots_of(with_references([lot(3, 509.6)])).now
    assert found.deviation == pytest.approx(-2.0)
    assert found.flow == pytest.approx(260.0)
    assert found.source == "ticket 3"


def test_error_of_a_lot_is_reference_and_repeatability_half_of_the_reference_is_shared() -> None:
    """U = 1 t of 520 t is 0.096 % at one sigma, half its variance is 0.068 % squared; with 0.15 % that is 0.165 %."""
    (found,) = lots_of(with_references([lot(3, 509.6)])).now
    assert found.common == pytest.approx(0.068, abs=0.001)
    assert found.random == pytest.approx(0.165, abs=0.003)


def test_period_in_the_blocks_is_weighed_from_them() -> None:
    """Half an hour at 260 t/h is 130 t; the gauge total of the chain adds up its own flow."""
    window = Chain(load=np.full(7200, 260.0)).window()
    entry = MaterialTest(begin_s=START + 1803, end_s=START + 3603, reference_t=130.0, reference_u_t=0.2)
    (found,) = lots_of(with_references([entry], window)).now
    assert found.gauge_t == pytest.approx(130.0, abs=0.6)
    assert found.flow == pytest.approx(260.0, abs=1.5)
    silent = Chain(load=np.full(7200, 260.0), roles=("flow", "plc_flow")).window()
    again = lots_of(with_references([entry], silent)).now[0]
    assert again.gauge_t == pytest.approx(found.gauge_t, abs=0.2)


def test_cut_rows_add_to_the_error() -> None:
    window = Chain(load=np.full(7200, 260.0)).window()
    coarse = replace(window, blocks=window.blocks[:0], minutes=window.minutes[:0])
    sharp, blurred = stored_tonnes(window, START, START + 3600), stored_tonnes(coarse, START + 900, START + 6000)
    assert not isinstance(sharp, str)
    assert not isinstance(blurred, str)
    assert sharp[1] == pytest.approx(0.0, abs=0.02)
    assert blurred[1] == pytest.approx(0.289 * np.hypot(260.0, 260.0), rel=0.02)


@pytest.mark.parametrize(("ends", "held_s"), [((600, 4200), 1.0), ((1800, 3000), 0.0), ((600, 3000), 1.0)])
def test_what_the_damping_holds_back_belongs_to_the_lot(ends: tuple[int, int], held_s: float) -> None:
    """First order, integrated: a lot that ends at 260 t/h under a damping of 20 s misses 20 s of it, 1.44 t, if it began empty."""
    load = np.where((np.arange(7200) >= 600) & (np.arange(7200) < 4200), 260.0, 0.0)
    chain = Chain(load=load, override={"flow": lambda _: _damped(load, 20.0)}, roles=("flow", "plc_flow"))
    window = chain.window()
    gauge = window.loop.gauge.model_copy(update={"damping": 20.0})
    window = replace(window, loop=window.loop.model_copy(update={"gauge": gauge}))
    begin, end = ends
    found = stored_tonnes(window, START + begin, START + end)
    assert not isinstance(found, str)
    true = 260.0 * (min(end, 4200) - begin) / 3600.0
    assert found[0] == pytest.approx(true, abs=0.1)
    assert found[1] == pytest.approx(0.3 * held_s * 20.0 * 260.0 / 3600.0, rel=0.15, abs=0.01)


def _damped(values: np.ndarray, seconds: float) -> np.ndarray:
    out, now = np.empty(len(values)), float(values[0])
    for index, value in enumerate(values):
        now += (float(value) - now) / seconds
        out[index] = now
    return out


def test_lot_older_than_the_history_with_gaps_or_with_work_is_left_out_and_says_why() -> None:
    assert lots_of(with_references([lot(30, None)])).left_out[0].startswith("ticket 30: the history does not reach")
    holes = Chain(
        load=np.full(7200, 260.0), override={"flow": lambda flow: np.where(np.arange(len(flow)) < 600, np.nan, flow)}
    ).window()
    entry = MaterialTest(begin_s=START, end_s=START + 3600, reference_t=260.0, reference_u_t=0.4)
    assert "gaps" in lots_of(with_references([entry], holes)).left_out[0]
    work = Chain(load=np.full(7200, 260.0), settings={"maintenance": 1.0}).window()
    assert "under work" in lots_of(with_references([entry], work)).left_out[0]
    assert "right lot" in lots_of(with_references([lot(2, 90.0)])).left_out[0]


def test_lots_before_the_last_change_of_the_factor_are_set_apart() -> None:
    end = quiet_hour().end_s - 5 * 86400
    change = Span(begin_s=end - 600, end_s=end, load_kg_m=38.0, factor_before=150.0, factor_after=153.0)
    found = lots_of(with_references([lot(9, 510.0), change, lot(2, 519.0)]))
    assert (len(found.before), len(found.now)) == (1, 1)
    assert found.factor == pytest.approx(1.02)
    assert (found.changed_s, found.load_per_attenuation) == (end, 153.0)
    assert lots_of(with_references([lot(2, 519.0, factors=(150.0, 150.0))])).factor is None
