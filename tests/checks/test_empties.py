"""The empties ledger: every stretch of empty belt in whole turns, the same for any chunks, none lost at a restart."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from checks.empties import EmptiesLedger, EmptyStretch, column
from checks.engine import LoopEngine
from checks.samples import Samples
from config.model import Site
from deploy.plant.scenario import Steady
from tests.checks.runs_of_terminal import BEGIN, run_of, samples_by_hand, small_site, terminal
from tests.checks.tools_for_empties import stretch

NET, BACKGROUND = 5140.0, 60.0


def ledger_of(samples: Samples, site: Site | None = None, chunks: int = 0) -> EmptiesLedger:
    engine = LoopEngine(site or terminal(), samples.loop)
    for first in range(0, len(samples), chunks or len(samples)):
        engine.push(samples[slice(first, first + (chunks or len(samples)))], evaluate=False)
    return engine.empties


def by_hand(seconds: int, *, seed: int, load_until: int = 0, feed: bool = True, **columns: object) -> Samples:
    """A belt at 1.9 m/s that empties at `load_until`; flow as a perfect gauge without damping would show it."""
    rng = np.random.default_rng(seed)
    load = np.where(np.arange(seconds) < load_until, 200.0 + 12.0 * rng.standard_normal(seconds), 0.0)
    counts = rng.poisson(BACKGROUND + NET * np.exp(-load / 1052.0)).astype(float)
    values = {
        "flow": load, "speed": np.full(seconds, 1.9), "count_rate": counts, "drive_running": np.ones(seconds),
        "detector_temperature": np.full(seconds, 26.0),
    }  # fmt: skip
    if feed:
        values["feed_running"] = (load > 0.0).astype(float)
    values.update({name: np.asarray(value, float) for name, value in columns.items()})
    return samples_by_hand(values)


def hand_site(samples: Samples) -> Site:
    return small_site(list(samples.values), load_per_attenuation=153.8, belt_length=240.0, counts_filtered=False)


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_any_chunks_give_the_same_ledger(loop: str) -> None:
    samples = run_of(loop, 2.0, seed=3)
    whole = ledger_of(samples).stretches()
    assert len(whole) >= 4
    for chunk in (37, 600):
        assert ledger_of(samples, chunks=chunk).stretches() == whole


@pytest.mark.parametrize("seed", range(5))
def test_an_hour_of_empty_belt_is_told_in_whole_turns_with_the_rate_that_was_put_in(seed: int) -> None:
    print("seed", seed)
    samples = by_hand(4000, seed=seed)
    found = ledger_of(samples, hand_site(samples)).stretches()
    first = found[0]
    assert first.turns == math.floor(3600 * 1.9 / 240.0) == 28
    assert first.seconds == pytest.approx(28 * 240.0 / 1.9, abs=0.5)
    # sigma of ln N from counting alone: sqrt(C/t)/N (Poisson)
    assert first.se == pytest.approx(math.sqrt(5200.0 / first.seconds) / NET, rel=0.01)
    assert abs(first.ln_net - math.log(NET)) < 4.0 * first.se
    assert first.whole
    assert first.temperature == pytest.approx(26.0)
    assert first.speed == pytest.approx(1.9)


def test_what_is_left_of_a_load_is_cut_off() -> None:
    samples = by_hand(4200, seed=4, load_until=300)
    (only,) = ledger_of(samples, hand_site(samples)).stretches()
    assert only.start_s >= BEGIN + 300
    assert abs(only.ln_net - math.log(NET)) < 4.0 * only.se


def test_loaded_belt_is_no_stretch_even_where_the_feeder_is_said_to_be_off() -> None:
    samples = by_hand(3000, seed=5, load_until=3000, feed_running=np.zeros(3000))
    assert ledger_of(samples, hand_site(samples)).stretches() == ()


def test_belt_whose_zero_is_far_off_is_still_empty_where_the_feeder_says_so() -> None:
    samples = by_hand(4000, seed=6, flow=np.full(4000, 30.0))
    assert ledger_of(samples, hand_site(samples)).stretches()
    without = by_hand(4000, seed=6, feed=False, flow=np.full(4000, 30.0))
    assert ledger_of(without, hand_site(without)).stretches() == ()


def test_feeder_that_was_not_seen_before_may_have_fed_just_now() -> None:
    """The first sample comes a second after the feed stopped: the flow behind a damping of 20 s still holds the load."""
    t = np.arange(180)
    samples = by_hand(180, seed=7, flow=400.0 * np.exp(-t / 20.0), feed_running=t >= 150)
    site = small_site(list(samples.values), load_per_attenuation=153.8, counts_filtered=False, damping=20.0)
    (only,) = ledger_of(samples, site).stretches()
    assert only.start_s >= BEGIN + site.loops["TB-07"].settle
    assert only.flow is None or abs(only.flow) < 1.0
    behind_gap = samples_by_hand({role: np.concatenate([column, column]) for role, column in samples.values.items()})
    behind_gap.time_s[180:] += 3600
    first, second = ledger_of(behind_gap, site).stretches()
    assert second.start_s - first.start_s == 180 + 3600


@pytest.mark.parametrize("filtered", [True, False])
def test_damped_counts_hold_a_load_for_longer_than_the_belt(filtered: bool) -> None:
    """By hand: 340 t/h behind a damping of 20 s are 17 t/h a minute after the feed stopped, 4 % of 420 t/h, and 0.5 t/h after 130 s."""
    t = np.arange(300)
    left = 340.0 * np.exp(-t / 20.0)
    counts = np.random.default_rng(8).poisson(BACKGROUND + NET * np.exp(-left / 1052.0))
    samples = by_hand(300, seed=8, flow=left, feed_running=t >= 270, count_rate=counts)
    site = small_site(list(samples.values), load_per_attenuation=153.8, counts_filtered=filtered, damping=20.0)
    (only,) = ledger_of(samples, site).stretches()
    begun = only.start_s - BEGIN
    assert begun >= site.loops["TB-07"].settle
    assert bool(left[begun] < 0.0015 * 420.0) is filtered


def test_turns_are_unknown_and_only_time_counts_where_no_belt_length_is_declared() -> None:
    samples = by_hand(4000, seed=7)
    site = small_site(list(samples.values), load_per_attenuation=153.8, counts_filtered=False)
    first = ledger_of(samples, site).stretches()[0]
    assert first.turns is None
    assert first.seconds == pytest.approx(3600.0)
    assert first.whole


def test_flow_that_is_cut_off_is_marked_as_hidden_and_the_counts_still_tell() -> None:
    samples = by_hand(4000, seed=8, flow=np.zeros(4000))
    first = ledger_of(samples, hand_site(samples)).stretches()[0]
    assert first.hidden
    assert first.flow == 0.0
    assert abs(first.ln_net - math.log(NET)) < 4.0 * first.se


def test_without_counts_nothing_is_collected() -> None:
    samples = by_hand(4000, seed=9)
    kept = {role: values for role, values in samples.values.items() if role != "count_rate"}
    bare = samples_by_hand(kept)
    assert ledger_of(bare, small_site(list(kept))).stretches() == ()


def test_tare_stop_and_shutter_stand_with_the_stretch_behind_them() -> None:
    n = 10_000
    running = np.ones(n)
    running[2000:4500] = 0.0
    shutter = np.zeros(n)
    shutter[3000:3100] = 1.0
    tare = np.where(np.arange(n) < 6000, 5200.0, 5150.0)
    samples = by_hand(
        n, seed=10, drive_running=running, speed=1.9 * running, shutter_closed=shutter, empty_belt_rate=tare, flow=np.zeros(n)
    )
    found = ledger_of(samples, hand_site(samples)).stretches()
    after_stop = next(entry for entry in found if entry.start_s > BEGIN + 4500)
    assert after_stop.had("stood")
    assert after_stop.had("shutter")
    after_tare = next(entry for entry in found if entry.start_s >= BEGIN + 6000)
    assert after_tare.had("tare")
    assert (after_stop.tare_rate, after_tare.tare_rate) == (5200.0, 5150.0)
    assert not any(entry.start_s < BEGIN + 6000 < entry.end_s for entry in found)


def test_tare_of_a_standing_belt_is_told_as_one() -> None:
    n = 7000
    running = np.ones(n)
    running[2000:2600] = 0.0
    tare = np.where(np.arange(n) < 2300, 5200.0, 5150.0)
    samples = by_hand(n, seed=11, drive_running=running, speed=1.9 * running, empty_belt_rate=tare, flow=np.zeros(n))
    assert ledger_of(samples, hand_site(samples)).stretches()[-1].had("tare-standing")


def test_error_at_load_is_that_of_the_gauge_and_hardly_scatters() -> None:
    samples = run_of("TB-07", 2.0, seed=12)
    errors = column(ledger_of(samples).stretches()[1:], "load_error")
    assert np.abs(errors).max() < 0.1


def test_state_goes_through_json_and_back_and_samples_that_come_again_are_not_entered_twice() -> None:
    samples = run_of("TB-07", 3.0, seed=13)
    whole = ledger_of(samples).stretches()
    half = len(samples) // 2
    first = LoopEngine(terminal(), "TB-07")
    first.push(samples[slice(0, half)], evaluate=False)
    second = LoopEngine(terminal(), "TB-07")
    second.empties.restore(json.loads(json.dumps(first.empties.state())))
    assert second.empties.take() == []
    second.push(samples[slice(1800, half)], evaluate=False)  # what the history gives back
    second.push(samples[slice(half, None)], evaluate=False)
    restored = second.empties.stretches()
    assert [(entry.start_s, entry.ln_net) for entry in restored] == [(entry.start_s, entry.ln_net) for entry in whole]


def test_state_of_another_version_is_refused() -> None:
    with pytest.raises(ValueError, match="version 9"):
        EmptiesLedger(terminal().loops["TB-07"]).restore({"version": 9, "stretches": []})


def test_window_holds_only_what_was_known_at_its_end() -> None:
    samples = run_of("TB-07", 2.0, seed=14)
    engine = LoopEngine(terminal(), "TB-07")
    engine.push(samples, evaluate=False)
    every = engine.empties.stretches()
    end = every[3].known_s
    assert engine.window(end).empties == every[:4]
    assert engine.window(BEGIN + 7200).empties == every


def test_ledger_forgets_what_is_older_than_400_days() -> None:
    ledger = EmptiesLedger(terminal().loops["TB-07"])
    day = 86400
    ledger.extend([stretch(BEGIN + number * day) for number in range(500)])
    kept = ledger.stretches()
    assert len(kept) in (400, 401)
    assert kept[-1].start_s == BEGIN + 499 * day


def test_steady_empty_plant_gives_one_stretch_an_hour() -> None:
    samples = run_of("TB-07", 3.2, seed=15, scenario=Steady(0.0))
    found: tuple[EmptyStretch, ...] = ledger_of(samples).stretches()
    assert len(found) == 3
    assert all(entry.turns == 28 for entry in found)
