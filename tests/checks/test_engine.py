"""The engine: the same evaluations to the byte for any chunks, a broken check is an answer, sound loops stay quiet."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks import answers as answers_module
from checks.blocks import ARRAYS
from checks.catalogue import CHECKS, Check
from checks.engine import LoopEngine
from checks.evaluation import BeltState, Evaluation
from checks.result import CheckResult, Link, Verdict
from checks.samples import Samples, join
from checks.window import Window
from deploy.plant.model import Switch, simulate
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, changed, evaluations, run_of, samples_by_hand, small_site, terminal


def rough() -> Samples:
    """Twelve minutes with a product change, a fault, a hole and a reset in them."""
    samples = changed(
        run_of("TB-07", 0.2, seed=4, faults=[Switch("zero-counts", 0.1, 0.12)]),
        plc_total=lambda v: np.where(np.arange(len(v)) > 300, v - v[300], v),
        product=lambda v: np.where(np.arange(len(v)) > 200, v + 1, v),
    )
    return join([samples[slice(0, 487)], samples[slice(533, None)]])


ROUGH = rough()
WHOLE = evaluations(ROUGH)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(0, len(ROUGH)), max_size=25))
def test_any_chunks_give_the_same_evaluations(cuts: list[int]) -> None:
    edges = [0, *sorted(cuts), len(ROUGH)]
    assert evaluations(ROUGH, chunks=[b - a for a, b in pairwise(edges)]) == WHOLE


def test_one_sample_at_a_time_gives_the_same_evaluations() -> None:
    assert evaluations(ROUGH, chunks=[1] * len(ROUGH)) == WHOLE


def test_each_closed_block_is_evaluated_once_at_its_end() -> None:
    ends = [evaluation.time_s for evaluation in WHOLE]
    assert all(end % 10 == 0 for end in ends)
    assert ends == sorted(set(ends))
    assert ends[0] == BEGIN + 10


def test_every_check_always_answers() -> None:
    for evaluation in WHOLE:
        assert {result.check for result in evaluation.results} == {check.name for check in CHECKS}


def test_slow_checks_are_asked_in_new_periods_of_the_clock_only(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def slow(window: Window) -> list[CheckResult]:
        asked.append(window.end_s)
        return [CheckResult(check="slow", link=Link.TOTALS, verdict=Verdict.OK, reason="x")]

    monkeypatch.setattr(answers_module, "CHECKS", (Check("slow", Link.TOTALS, slow, 60),))
    samples = samples_by_hand({"flow": np.full(300, 10.0)}, begin=BEGIN + 25)
    LoopEngine(small_site(["flow"]), "TB-07").push(samples)
    assert [end - BEGIN for end in asked] == [30, 60, 120, 180, 300]


def test_answer_stands_where_nothing_it_follows_has_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def slow(window: Window) -> list[CheckResult]:
        asked.append(window.end_s)
        return [CheckResult(check="slow", link=Link.TOTALS, verdict=Verdict.OK, reason="x")]

    follows = Check("slow", Link.TOTALS, slow, 60, (), lambda window: (window.end_s - BEGIN) // 200)
    monkeypatch.setattr(answers_module, "CHECKS", (follows,))
    samples = samples_by_hand({"flow": np.full(480, 10.0)}, begin=BEGIN)
    told = LoopEngine(small_site(["flow"]), "TB-07").push(samples)
    assert [end - BEGIN for end in asked] == [10, 300]
    assert all(len(evaluation.results) == 1 for evaluation in told)


def test_nothing_is_asked_for_those_who_do_not_look_and_what_is_told_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def check(window: Window) -> list[CheckResult]:
        asked.append(window.end_s)
        return [CheckResult(check="said", link=Link.TOTALS, verdict=Verdict.OK, reason=f"at {window.end_s - BEGIN}")]

    monkeypatch.setattr(answers_module, "CHECKS", (Check("said", Link.TOTALS, check, 10),))
    samples = samples_by_hand({"flow": np.full(900, 10.0)}, begin=BEGIN)
    site = small_site(["flow"])
    judged = [one.time_s for one in LoopEngine(site, "TB-07").push(samples)]
    asked.clear()
    shown = LoopEngine(site, "TB-07").push(samples, show=True, asking=False)
    assert [one.time_s - BEGIN for one in shown] == list(range(10, 901, 10))
    assert asked == judged == [one.time_s for one in shown if one.due]
    for one in shown:
        last = max(end for end in judged if end <= one.time_s)
        assert one.results[0].reason == f"at {last - BEGIN}"


def test_check_that_raises_becomes_an_answer_and_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(window: Window) -> list[CheckResult]:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(answers_module, "CHECKS", (*CHECKS, Check("broken", Link.LOAD, broken)))
    engine = LoopEngine(terminal(), "TB-07")
    last = engine.push(run_of("TB-07", 0.01))[-1]
    result = last.results[-1]
    assert (result.check, result.link, result.verdict) == ("broken", Link.LOAD, Verdict.NOT_EVALUATED)
    assert result.reason.startswith("check failed: ")
    assert engine.check_errors == {"broken": 3}


def test_check_without_anything_to_say_is_not_evaluated_and_says_what_it_needs() -> None:
    last = evaluations(samples_by_hand({"flow": np.full(30, 100.0)}), small_site(["flow"]))[-1]
    result = next(result for result in last.results if result.check == "scaling")
    assert result.verdict is Verdict.NOT_EVALUATED
    assert result.needs


def faults_of(evaluated: list[Evaluation]) -> list[tuple[int, str, str, str]]:
    return [
        (evaluation.time_s - BEGIN, result.check, str(result.link), result.reason)
        for evaluation in evaluated
        for result in evaluation.results
        if result.verdict is Verdict.FAULT
    ]


def suspects_of(evaluated: list[Evaluation]) -> list[str]:
    return [item.check for evaluation in evaluated for item in evaluation.results if item.verdict is Verdict.SUSPECT]


@pytest.mark.parametrize(("loop", "seed"), [("TB-07", 22), ("TB-08", 21), ("TB-09", 22)])
def test_sound_loop_shows_no_fault_in_two_hours(loop: str, seed: int) -> None:
    """Nor a doubt, but for a total just past its first 20 t: one case in twenty lies beyond k = 2, and no finding follows."""
    evaluated = evaluations(run_of(loop, 2.0, seed=seed))
    assert faults_of(evaluated) == []
    assert [finding for item in evaluated for finding in item.findings] == []
    suspects = suspects_of(evaluated)
    assert set(suspects) <= {"totals"}
    assert len(suspects) <= 0.01 * len(evaluated)


@pytest.mark.parametrize("event", ["belt-stop", "empty-belt", "steady-load", "maintenance", "calibration", "product-change"])
def test_what_an_honest_plant_does_is_no_fault_and_no_doubt(event: str) -> None:
    evaluated = evaluations(run_of("TB-07", 0.6, seed=17, faults=[Switch(event, 0.15, 0.4)]))
    assert (faults_of(evaluated), suspects_of(evaluated)) == ([], [])


@pytest.mark.parametrize(("event", "words"), [("maintenance", "maintenance"), ("calibration", "calibrating")])
def test_work_on_the_loop_holds_findings_back(event: str, words: str) -> None:
    evaluated = evaluations(run_of("TB-07", 0.2, seed=17, faults=[Switch(event, 0.1)]))
    assert {words in (item.suppressed or "") for item in evaluated[40:]} == {True}


def test_empty_belt_under_cut_off_and_clamp_at_both_ends_is_no_fault() -> None:
    spec = specs_at(fresh(BEGIN))["TB-07"]
    spec = spec.with_("gauge", low_cutoff=20.0).with_("block", low_cutoff=20.0, clamp_at_zero=True)
    site = terminal()
    loop = site.loops["TB-07"]
    loop = loop.model_copy(
        update={
            "gauge": loop.gauge.model_copy(update={"low_cutoff": 20.0}),
            "plc": loop.plc.model_copy(update={"low_cutoff": 20.0, "clamp_at_zero": True}),
        }
    )
    samples = simulate(spec, 1.2, BEGIN, 18, [Switch("empty-belt", 0.2, 1.0)])
    assert set(samples.column("flow")[1200:3000]) == {0.0}
    evaluated = evaluations(samples, site.model_copy(update={"loops": {"TB-07": loop}}))
    assert (faults_of(evaluated), suspects_of(evaluated)) == ([], [])


def test_belt_stop_is_no_fault_and_holds_findings_back() -> None:
    def stop(values: np.ndarray, to: float = 0.0) -> np.ndarray:
        values[900:1300] = to
        return values

    base = run_of("TB-07", 0.6, seed=9)
    total = base.column("plc_total")
    flow_sum = np.cumsum(
        np.where((np.arange(len(total)) >= 900) & (np.arange(len(total)) < 1300), 0.0, base.column("plc_flow"))
    )
    samples = changed(
        base, drive_running=stop, drive_speed=stop, speed=stop, flow=stop, load=stop, plc_flow=stop,
        gauge_output=lambda v: stop(v, 4.0), loop_current=lambda v: stop(v, 4.0), ai_raw=stop,
        plc_total=lambda v: np.floor(10.0 * (v[0] + flow_sum / 3600.0)) / 10.0,
        gauge_total=lambda v: np.floor(10.0 * (v[0] + flow_sum / 3600.0)) / 10.0,
    )  # fmt: skip
    evaluated = evaluations(samples)
    assert faults_of(evaluated) == []
    stopped = [item for item in evaluated if BEGIN + 910 < item.time_s <= BEGIN + 1300]
    assert {item.suppressed for item in stopped} == {"belt stopped"}
    assert {item.state for item in stopped} == {BeltState.STOPPED}
    starting = next(item for item in evaluated if item.time_s == BEGIN + 1340)
    assert starting.suppressed == "start-up"


def test_short_loss_of_both_links_is_no_fault() -> None:
    def blip(values: np.ndarray) -> np.ndarray:
        values[1000:1020] = np.nan
        return values

    base = run_of("TB-07", 0.5, seed=10)
    assert faults_of(evaluations(changed(base, **dict.fromkeys(base.values, blip)))) == []


def test_rollover_of_both_totals_is_no_fault() -> None:
    base = run_of("TB-08", 0.6, seed=12)
    rolled = changed(
        base, plc_total=lambda v: np.mod(v - v[800], 1e6), gauge_total=lambda v: np.mod(v - v[900], 1e6)
    )  # fmt: skip
    evaluated = evaluations(rolled)
    assert faults_of(evaluated) == []
    last = evaluated[-1].totals
    assert last.plc_t is not None
    assert last.own_t is not None
    assert last.plc_t == pytest.approx(last.own_t, abs=0.6)


def test_rollups_are_handed_out_once() -> None:
    engine = LoopEngine(terminal(), "TB-07")
    engine.push(run_of("TB-07", 1.0, seed=2), evaluate=False)
    rollups = engine.take_rollups()
    assert {length: len(rows) for length, rows in rollups.items()} == {60: 60, 3600: 1}
    assert engine.take_rollups() == {}


def test_engine_whose_rollups_nobody_takes_tells_the_same() -> None:
    taken, left = LoopEngine(terminal(), "TB-07"), LoopEngine(terminal(), "TB-07", rollups=False)
    assert left.push(ROUGH) == taken.push(ROUGH)
    assert (left.look(), left.take_rollups()) == (taken.look(), {})


def test_blocks_without_evaluation_bring_back_the_same_window() -> None:
    samples = run_of("TB-07", 0.5, seed=13)
    straight, restored = LoopEngine(terminal(), "TB-07"), LoopEngine(terminal(), "TB-07")
    straight.push(samples)
    restored.push(samples[slice(0, 1500)], evaluate=False)
    restored.push(samples[slice(1500, None)])
    end = int(samples.time_s[-1]) + 1
    a, b = straight.window(end), restored.window(end)
    for name in ARRAYS:
        assert getattr(a.blocks, name).tobytes() == getattr(b.blocks, name).tobytes()
        assert getattr(a.minutes, name).tobytes() == getattr(b.minutes, name).tobytes()
    assert (a.ledger, a.settings, a.setting_since) == (b.ledger, b.settings, b.setting_since)


def test_window_keeps_to_its_horizons() -> None:
    samples = samples_by_hand({"flow": np.full(3 * 1440 + 10, 100.0)}, step_s=60)
    engine = LoopEngine(small_site(["flow"]), "TB-07")
    engine.push(samples, evaluate=False)
    window = engine.window(BEGIN + 60 * len(samples))
    assert len(window.blocks) == 86400 // 60
    assert len(window.samples) == 7200 // 60
    assert len(window.hours) == len(samples) // 60


@pytest.mark.parametrize("step", [5, 10, 30, 60])
def test_coarse_steps_are_judged_too(step: int) -> None:
    fine = run_of("TB-07", 1.0, seed=15)
    coarse = Samples(
        loop="TB-07", step_s=step, time_s=fine.time_s[::step], flags=fine.flags[::step],
        values={role: column[::step] for role, column in fine.values.items()},
        quality={role: column[::step] for role, column in fine.quality.items()},
    )  # fmt: skip
    evaluated = evaluations(coarse)
    assert faults_of(evaluated) == []
    verdicts = {(result.check, result.link): result.verdict for result in evaluated[-1].results}
    assert verdicts["counts", Link.COUNTS] is Verdict.OK
    assert verdicts["temperature", Link.COUNTS] is Verdict.OK
    assert verdicts["current", Link.CURRENT] is Verdict.OK


def test_what_a_categorical_cause_explained_stays_explained_after_a_restart() -> None:
    before, after = LoopEngine(terminal(), "TB-07"), LoopEngine(terminal(), "TB-07")
    before.push(ROUGH)
    voids = before.empties.take_voids()
    assert voids
    after.push(ROUGH, evaluate=False)
    for begin, end in voids:
        after.explain(begin, end)
    end = int(ROUGH.time_s[-1]) // 10 * 10
    assert np.array_equal(after.window(end).blocks.state("explained"), before.window(end).blocks.state("explained"))
    assert before.window(end).blocks.state("explained").any()
    assert after.empties.stretches() == before.empties.stretches()
