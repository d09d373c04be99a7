"""A raw word without its sign, and a current held at 4 mA; an output of 12 mA means 210 t/h whatever the flow does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from checks.card_findings import held, overflow
from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import UNKNOWN
from checks.result import Link
from checks.window import Window
from deploy.plant.model import Switch
from deploy.plant.scenario import Steady
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, samples_by_hand, small_site, window_of

SEED = 7
LOOPS = ("TB-07", "TB-08", "TB-09")


def faulty(fault: str, loop: str = "TB-07", minutes: float = 15.0, severity: float | None = None) -> Window:
    return window_of(run_of(loop, 0.5 + minutes / 60.0, seed=SEED, faults=[Switch(fault, at_h=0.5, severity=severity)]))


def told(window: Window) -> list[tuple[str, Link]]:
    results = [result for check in CHECKS for result in check.check(window)]
    return [(item.cause, item.link) for item in diagnose(window, results)]


@pytest.mark.parametrize("loop", LOOPS)
def test_raw_word_without_its_sign_is_named_alone(loop: str) -> None:
    assert told(faulty("raw-overflow", loop)) == [("raw-overflow", Link.INPUT_CARD)]


def test_raw_word_without_its_sign_is_seen_in_the_plc_flow_too() -> None:
    """-1 reads 65,535, and -4,864 (the lowest a card shows) 60,672: 921.7 t/h on 0 to 420 t/h, derived by hand."""
    lowest = (65536 - 4864) / 27648 * 420.0
    assert lowest == pytest.approx(921.7, abs=0.05)
    window = faulty("raw-overflow")
    values = {role: column for role, column in window.samples.values.items() if role != "ai_raw"}
    window = replace(window, samples=replace(window.samples, values=values))
    assert [item.cause for item in overflow(window, ())] == ["raw-overflow"]


def test_wire_break_value_and_spikes_under_load_are_no_overflow() -> None:
    assert list(overflow(faulty("burnout-value"), ())) == []

    def spiked(raw: np.ndarray) -> np.ndarray:
        raw[-600:][np.asarray(raw[-600:] > 12000.0).nonzero()[0][::30]] = 65000.0
        return raw

    assert list(overflow(window_of(changed(run_of("TB-07", 0.5, seed=SEED), ai_raw=spiked)), ())) == []


@pytest.mark.parametrize(
    ("words", "named"), [((65535.0, 65531.0), True), ((65535.0, 65535.0), False), ((65535.0, 40000.0), False)]
)
def test_two_counts_at_the_end_of_the_word_tell_where_they_differ(words: tuple[float, float], named: bool) -> None:
    """-1 and -5 read 65,535 and 65,531 (two's complement of 16 bits); a broken reading would repeat one value."""

    def spiked(raw: np.ndarray) -> np.ndarray:
        raw[-400], raw[-200] = words
        return raw

    def emptied(flow: np.ndarray) -> np.ndarray:
        flow[-410:-190] = -1.0
        return flow

    run = changed(run_of("TB-07", 0.5, seed=SEED), ai_raw=spiked, flow=emptied)
    assert [item.cause for item in overflow(window_of(run), ())] == (["raw-overflow"] if named else [])


def test_two_counts_of_a_card_whose_span_fills_the_word_are_flow() -> None:
    """Of 0 to 65,535 counts 58,000 are 88 % of the range: a load that stops within seconds shows two of them beside an empty belt."""
    flow, raw = np.full(900, -1.0), np.full(900, 100.0)
    raw[500:502] = 60000.0, 59000.0
    run = samples_by_hand({"flow": flow, "plc_flow": raw / 65535.0 * 420.0, "ai_raw": raw})
    site = small_site(("flow", "plc_flow", "ai_raw"))
    loop = site.loops["TB-07"]
    full = loop.plc.model_copy(update={"raw_span": loop.plc.raw_span.model_copy(update={"high": 65535.0})})
    wide = site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"plc": full})}})
    assert list(overflow(window_of(run, wide), ())) == []
    assert [item.cause for item in overflow(window_of(run, site), ())] == ["raw-overflow"]


def test_overflow_that_was_mended_is_over() -> None:
    samples = run_of("TB-07", 1.0, seed=SEED, faults=[Switch("raw-overflow", at_h=0.3, until_h=0.6)])
    assert list(overflow(window_of(samples), ())) == []


@pytest.mark.parametrize("loop", LOOPS)
def test_current_held_at_4_ma_is_named_alone_and_stands_through_empty_belts(loop: str) -> None:
    for minutes in (3.0, 9.0, 15.0):
        assert told(faulty("digital-analogue-differ", loop, minutes)) == [("digital-analogue-differ", Link.GAUGE_OUTPUT)]


def test_output_that_stopped_at_4_ma_on_an_empty_belt_is_a_tie() -> None:
    """Without the set current of the gauge nothing tells a held current from an output that stopped on an empty belt."""
    window = faulty("digital-analogue-differ", minutes=9.0)
    values = {role: column for role, column in window.samples.values.items() if role != "gauge_output"}
    begin = 1800
    flow = values["flow"].copy()
    flow[begin - 30 : begin + 2] = 0.0
    window = replace(window, samples=replace(window.samples, values=values | {"flow": flow}))
    (found,) = held(window, ())
    assert found.cause == UNKNOWN
    assert {item.cause for item in found.alternatives} == {"digital-analogue-differ", "output-frozen"}
    assert found.gate


@pytest.mark.parametrize("loop", LOOPS)
@pytest.mark.parametrize("fault", ["", "mode-left-on", "output-frozen", "open-loop", "compliance-ceiling", "low-cutoff"])
def test_look_alikes_and_sound_loops_have_none(fault: str, loop: str) -> None:
    window = faulty(fault, loop) if fault else window_of(run_of(loop, 1.0, seed=SEED))
    assert list(held(window, ())) == []
    assert list(overflow(window, ())) == []


def test_idle_hours_are_no_held_current() -> None:
    """An empty belt shows 4 mA for hours, rightly."""
    window = window_of(run_of("TB-07", 1.0, seed=SEED, scenario=Steady(0.0)))
    assert list(held(window, ())) == []


def test_output_held_at_12_ma_shows_210_t_h_whatever_the_flow_does() -> None:
    """Worked example W20, derived again: (12 - 4)/16 of 420 t/h; noise of 3.7 t/h is 0.14 mA of the demanded current."""
    window = faulty("mode-left-on", minutes=15.0, severity=12.0)
    shown = window.samples.column("plc_flow")[-600:]
    assert np.median(shown) == pytest.approx((12.0 - 4.0) / 16.0 * 420.0, abs=0.6)
    noise = 3.7 * 16.0 / 420.0
    assert noise == pytest.approx(0.14, abs=0.002)
    results = [result for check in CHECKS for result in check.check(window)]
    (found,) = diagnose(window, results)
    assert found.cause == "mode-left-on"
    assert found.begin == pytest.approx(BEGIN + 1800, abs=10)
