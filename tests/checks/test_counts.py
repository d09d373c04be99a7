"""Dead, beamless, frozen, too many; and the flow that counts demand."""

from __future__ import annotations

import numpy as np
import pytest

from checks import counts
from checks.result import CheckResult, Link, Verdict
from checks.samples import Samples
from config.model import Site
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import changed, evaluations, one, run_of, samples_by_hand, small_site, terminal, window_of

FULL = ("flow", "count_rate", "speed", "drive_running", "gauge_total", "detector_temperature")


def detector(samples: Samples, site: Site | None = None) -> CheckResult:
    return one(counts.check(window_of(samples, site)), "counts", Link.COUNTS)


def load(samples: Samples, site: Site | None = None) -> CheckResult:
    return one(counts.check(window_of(samples, site)), "counts", Link.LOAD)


def by_hand(rate: object, n: int = 300, **others: object) -> Samples:
    columns: dict[str, object] = {
        "flow": np.full(n, 260.0), "count_rate": rate, "speed": np.full(n, 1.9), "drive_running": np.ones(n),
        "gauge_total": np.arange(n) * 0.07 + 500.0, "detector_temperature": np.full(n, 30.0), **others,
    }  # fmt: skip
    return samples_by_hand({role: np.broadcast_to(np.asarray(column, float), n) for role, column in columns.items()})


def poisson(mean: float, n: int = 300, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).poisson(mean, n).astype(float)


def unfiltered(background: float = 60.0) -> Site:
    return small_site(FULL, counts_filtered=False, background=background)


def test_dead_detector_is_a_fault_within_ten_seconds() -> None:
    samples = run_of("TB-07", 0.1, seed=3, faults=[Switch("zero-counts", 340.0 / 3600.0)])
    first = next(e for e in evaluations(samples) if one(e.results, "counts", Link.COUNTS).verdict is Verdict.FAULT)
    assert first.time_s - int(samples.time_s[0]) <= 350
    assert one(first.results, "counts", Link.COUNTS).facts["zero"] == 1.0


@pytest.mark.parametrize(("zeros", "verdict"), [(200, Verdict.OK), (420, Verdict.FAULT)])
def test_detector_with_a_low_background_must_be_silent_for_longer(zeros: int, verdict: Verdict) -> None:
    """0.05 1/s: a live detector is silent for 415 s with a chance of 1e-9 (corrected zero rule, computed)."""
    rate = poisson(4000.0, 900)
    rate[900 - zeros :] = 0.0
    assert detector(by_hand(rate, 900), unfiltered(0.05)).verdict is verdict


def test_zeros_without_a_declared_background_need_a_minute() -> None:
    rate = poisson(4000.0)
    rate[-30:] = 0.0
    assert detector(by_hand(rate), unfiltered(0.0)).facts.get("zero") is None
    rate[-60:] = 0.0
    assert detector(by_hand(rate), unfiltered(0.0)).facts["zero"] == 1.0


def test_zeros_of_the_gateway_are_not_a_dead_detector() -> None:
    zero = np.concatenate([np.ones(290), np.zeros(10)])
    result = detector(
        by_hand(4000.0 * zero, flow=260.0 * zero, gauge_total=500.0 * zero, detector_temperature=30.0 * zero, speed=1.9 * zero),
        unfiltered(),
    )
    assert result.facts.get("gateway_zeros") == 1.0
    assert "zero" not in result.facts
    assert "connection" in result.reason


def test_background_under_a_running_belt_means_no_beam() -> None:
    rate = poisson(4000.0)
    rate[-60:] = poisson(60.0, 60)
    assert detector(by_hand(rate), unfiltered()).facts["at_background"] == 1.0


def test_loaded_potash_under_a_closed_shutter_is_no_beam_and_no_contradiction() -> None:
    """K-40 adds 57 1/s at 260 and 92 1/s at 420 t/h to a background of 60 (own rough estimate of the trade's physics)."""
    for extra in (57.0, 92.0):
        rate = poisson(60.0 + extra)
        site = small_site((*FULL, "shutter_closed"), counts_filtered=False)
        result = detector(by_hand(rate, shutter_closed=np.ones(300)), site)
        assert result.facts["at_background"] == 1.0
        assert "contradiction" not in result.facts


def test_closed_indicator_with_the_beam_there_says_treat_as_open() -> None:
    result = detector(run_of("TB-07", 0.1, seed=2, faults=["shutter-contradiction"]))
    assert result.verdict is Verdict.FAULT
    assert result.facts["contradiction"] == 1.0
    assert "treat the shutter as open" in result.reason


def test_filtered_counts_that_fall_from_full_are_seen_dead_at_once() -> None:
    """A tag behind 10 s decays for a minute; taken back through the filter it is zero at once."""
    rate = np.where(np.arange(300) < 290, 4000.0, 4000.0 * np.exp(-(np.arange(300) - 289) / 10.0))
    assert detector(by_hand(rate), small_site(FULL)).facts["zero"] == 1.0


@pytest.mark.parametrize(("part", "verdict"), [(1.02, Verdict.OK), (1.05, Verdict.SUSPECT), (1.10, Verdict.FAULT)])
def test_more_counts_than_the_empty_belt(part: float, verdict: Verdict) -> None:
    assert detector(by_hand(poisson(5200.0 * part)), unfiltered()).verdict is verdict


def test_frozen_counts_are_a_fault_while_the_belt_runs_and_none_while_it_stands() -> None:
    assert detector(by_hand(4000.0), unfiltered()).facts["frozen"] == 1.0
    assert "frozen" not in detector(by_hand(4000.0, drive_running=0.0), unfiltered()).facts


@pytest.mark.parametrize("seed", range(5))
def test_filtered_counts_of_a_sound_detector_are_never_frozen_nor_noisy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rate = np.empty(900)
    level = 4000.0
    for row in range(900):
        level += (rng.poisson(4000.0) - level) * 0.0952
        rate[row] = round(level)
    assert detector(by_hand(rate, 900), small_site(FULL)).verdict is Verdict.OK


def test_load_that_swings_is_not_noise() -> None:
    mean = 4400.0 + 600.0 * np.sin(np.arange(300) / 20.0)
    rate = np.random.default_rng(6).poisson(mean).astype(float)
    result = detector(by_hand(rate), unfiltered())
    assert result.verdict is Verdict.OK
    assert result.facts["dispersion"] < 2.0


def test_bursts_are_noise() -> None:
    rng = np.random.default_rng(7)
    rate = poisson(4000.0) + rng.choice([-1.0, 0.0, 1.0], 300) * 600.0
    assert detector(by_hand(rate), unfiltered()).facts["noisy"] == 1.0


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_flow_of_a_sound_gauge_agrees_with_its_counts(loop: str) -> None:
    result = load(run_of(loop, 0.25, seed=5))
    assert result.verdict is Verdict.OK
    assert abs(result.facts["deviation"]) <= max(result.facts["uncertainty"], 1.0)


def test_r1_of_sound_minutes_is_quiet_through_starts_and_swings() -> None:
    """60 s means with and without the same filter differ by 0.8 to 6.9 t/h (computed); with it hardly at all."""
    found = [one(e.results, "counts", Link.LOAD) for e in evaluations(run_of("TB-07", 1.0, seed=6))]
    judged = [result for result in found if result.verdict is not Verdict.NOT_EVALUATED]
    assert len(judged) > 300
    assert {result.verdict for result in judged} == {Verdict.OK}
    assert max(abs(result.facts["deviation"]) for result in judged) < 1.0


@pytest.mark.parametrize("fault", ["nuclide-or-clock", "dead-time"])
def test_gauge_that_computes_with_wrong_constants_differs_from_its_counts(fault: str) -> None:
    result = load(run_of("TB-07", 0.25, seed=5, faults=[fault]))
    assert result.verdict in (Verdict.FAULT, Verdict.SUSPECT)


def test_read_back_tare_stands_in_where_none_is_declared() -> None:
    declared = terminal().loops["TB-07"]
    gauge = declared.gauge.model_copy(update={"empty_belt_rate": None})
    site = terminal().model_copy(update={"loops": {"TB-07": declared.model_copy(update={"gauge": gauge})}})
    assert load(run_of("TB-07", 0.25, seed=5), site).value("expected") is not None


def test_counts_once_in_five_seconds_say_nothing_of_the_flow() -> None:
    fine = run_of("TB-07", 0.25, seed=5)
    every = {role: column[::5] for role, column in fine.values.items()}
    result = load(samples_by_hand(every, step_s=5), terminal())
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "once a second" in result.needs[0]


def test_loop_without_counts_says_what_is_missing() -> None:
    window = window_of(changed(samples_by_hand({"flow": np.ones(30)})), small_site(["flow"]))
    for result in counts.check(window):
        assert result.verdict is Verdict.NOT_EVALUATED
        assert "count" in result.needs[0]
