"""Every fault moves what lies behind it in the chain, and nothing before it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.samples import Samples
from config.errors import TallywireError
from deploy.plant.faults import BENIGN, FAULTS, Faulty, find
from deploy.plant.model import LoopModel, Switch, simulate, swapped_words
from deploy.plant.site import TB07, TB09, scenario_of

SEED = 5
COUNTS = {"count_rate"}
GAUGE = {"flow", "load", "gauge_total", "gauge_status", "gauge_over_range"}
OUTPUT = {"gauge_output"}
WIRE = {"loop_current"}
CARD = {"ai_raw"}
BLOCK = {"plc_flow", "plc_total"}
TOTAL = {"plc_total"}
BELT = {"speed", "drive_speed", "drive_running", "feed_running"}
BEHIND_COUNTS = COUNTS | GAUGE | OUTPUT | WIRE | CARD | BLOCK
BEHIND_GAUGE = GAUGE | OUTPUT | WIRE | CARD | BLOCK
BEHIND_OUTPUT = OUTPUT | WIRE | CARD | BLOCK
BEHIND_WIRE = WIRE | CARD | BLOCK

MAY_MOVE: dict[str, set[str]] = {
    "upper-range": BEHIND_OUTPUT | {"gauge_range_high"},
    "upper-range@plc": BLOCK | {"plc_range_high"},
    "lower-range": BEHIND_OUTPUT | {"gauge_range_low"},
    "lower-range@plc": BLOCK | {"plc_range_low"},
    "over-range": BEHIND_COUNTS,
    "ton-unit": BLOCK,
    "time-base": BLOCK,
    "current-leak": BEHIND_WIRE,
    "current-leak-in": BEHIND_WIRE,
    "current-offset": BEHIND_WIRE,
    "output-trim": BEHIND_WIRE,
    "compliance-ceiling": BEHIND_WIRE | {"loop_supply_voltage"},
    "open-loop": BEHIND_WIRE,
    "burnout-value": BEHIND_WIRE,
    "output-frozen": BEHIND_WIRE,
    "live-zero-mix": CARD | BLOCK,
    "raw-span": BLOCK,
    "square-root": BLOCK,
    "zero-clamp": BLOCK,
    "low-cutoff": BLOCK,
    "extra-filter": BLOCK,
    "forced-value": BLOCK | {"plc_forced"},
    "zero-counts": BEHIND_COUNTS,
    "shutter-closed": BEHIND_COUNTS | {"shutter_closed"},
    "shutter-contradiction": {"shutter_closed", "gauge_status"},
    "shutter-part-open": BEHIND_COUNTS,
    "counts-frozen": BEHIND_COUNTS,
    "counts-noisy": BEHIND_COUNTS,
    "detector-drift": BEHIND_COUNTS,
    "detector-temperature": BEHIND_COUNTS | {"detector_temperature"},
    "dead-time": BEHIND_GAUGE,
    "background": BEHIND_COUNTS,
    "decay-off": BEHIND_GAUGE,
    "decay-double": BEHIND_GAUGE,
    "nuclide-or-clock": BEHIND_GAUGE | {"gauge_clock"},
    "stale-tare": BEHIND_COUNTS,
    "build-up": BEHIND_COUNTS,
    "wet-belt": BEHIND_COUNTS,
    "tare-loaded": BEHIND_GAUGE | {"empty_belt_rate"},
    "tare-standing": BEHIND_GAUGE | {"empty_belt_rate"},
    "auto-zero-creep": BEHIND_COUNTS | {"empty_belt_rate"},
    "source-changed": BEHIND_COUNTS,
    "decay-in-steps": BEHIND_GAUGE,
    "detector-temperature@zero": BEHIND_COUNTS | {"detector_temperature", "ambient_temperature", "cabinet_temperature"},
    "calibration-factor": BEHIND_GAUGE,
    "tach-lost": BEHIND_GAUGE - {"load"} | {"speed"},
    "speed-held": BEHIND_COUNTS | BELT,
    "belt-slip": BEHIND_COUNTS | {"speed"},
    "tach-extra-pulses": BEHIND_GAUGE - {"load"} | {"speed"},
    "total-time-base": TOTAL,
    "total-discontinuity": TOTAL,
    "total-gating": TOTAL,
    "counted-twice": TOTAL,
    "total-precision": TOTAL,
    "stale-tag": {"plc_flow", "ai_raw", "loop_current"},
    "word-order": {"flow", "load", "speed", "count_rate", "detector_temperature", "gauge_output"}
    | {"gauge_range_low", "gauge_range_high", "empty_belt_rate", "background_rate"},
    "gateway-zeros": {name for name in TB07.roles if name not in BLOCK | WIRE | CARD},
    "mode-left-on": BEHIND_OUTPUT | {"gauge_output_mode", "gauge_status"},
    "fixed-speed": BEHIND_GAUGE - {"load"} | {"speed"},
    "hold-on-stop": BEHIND_COUNTS | BELT,
    "belt-wander": BEHIND_COUNTS,
    "undocumented-change": BEHIND_GAUGE | {"gauge_range_high", "empty_belt_rate", "background_rate"},
    "controller-switch": TOTAL | {"plc_heartbeat"},
    "factor-twice": BEHIND_GAUGE,
    "register-offset": {"flow", "load", "speed", "count_rate", "detector_temperature"},
    "register-offset@flow": {"flow"},
    "wrong-type": {"flow"},
    "raw-overflow": CARD | BLOCK,
    "wrong-channel": WIRE | CARD | BLOCK,
    "double-scaling": {"plc_flow"},
    "averaging-differs": BLOCK,
    "digital-analogue-differ": BEHIND_OUTPUT,
    "wrong-variable": BEHIND_OUTPUT,
    "clock-shift": WIRE | CARD | BLOCK,
    "product-gammas": BEHIND_COUNTS,
    "light-leak": BEHIND_COUNTS,
    "neighbour-source": BEHIND_COUNTS,
    "source-weak": BEHIND_GAUGE,
    "calibration-factor@product": BEHIND_COUNTS,
    "load-shape": BEHIND_COUNTS,
    "wet-dry-basis": {"moisture"},
}
OF_THE_LABORATORY = "wet-dry-basis"
"""Nothing in the chain sees it; the loop has no tag for the moisture."""
MEASURED_SPEED = {"tach-extra-pulses", "fixed-speed"}


@cache
def run(loop: str, fault: str) -> Samples:
    spec = TB09 if loop == "TB-09" else TB07
    return simulate(spec, 1.5, seed=SEED, scenario=scenario_of(loop, SEED), faults=[Switch(fault, at_h=0.5)] if fault else [])


def moved(fault: str) -> set[str]:
    loop = "TB-09" if fault in MEASURED_SPEED else "TB-07"
    sound, faulty = run(loop, ""), run(loop, fault)
    return {role for role in sound.values if not np.array_equal(sound.values[role], faulty.values[role])}


def test_every_fault_says_what_it_may_move() -> None:
    assert set(MAY_MOVE) == set(FAULTS)


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_moves_only_what_lies_behind_it(fault: str) -> None:
    changed = moved(fault)
    assert changed or fault == OF_THE_LABORATORY, "the fault shows nowhere"
    assert changed <= MAY_MOVE[fault]


@pytest.mark.parametrize("fault", [*FAULTS, *BENIGN])
def test_stream_is_the_sound_one_before_the_fault_comes(fault: str) -> None:
    loop = "TB-09" if fault in MEASURED_SPEED else "TB-07"
    sound, faulty = run(loop, ""), run(loop, fault)
    for role, column in sound.values.items():
        np.testing.assert_array_equal(column[:1800], faulty.values[role][:1800], err_msg=role)


def test_fault_that_goes_leaves_the_noise_where_it_was() -> None:
    back = simulate(TB07, 1.0, seed=SEED, faults=[Switch("upper-range", 0.2, 0.4)])
    sound = simulate(TB07, 1.0, seed=SEED)
    np.testing.assert_array_equal(back.values["ai_raw"][1800:], sound.values["ai_raw"][1800:])


def settled(fault: str, role: str, severity: float | None = None) -> NDArray[np.float64]:
    samples = simulate(TB07, 1.0, seed=SEED, faults=[Switch(fault, 0.1, severity=severity)])
    return samples.values[role][900:]


def test_dead_detector_pegs_the_flow_and_the_current_high() -> None:
    assert settled("zero-counts", "count_rate").max() == 0.0
    running = settled("zero-counts", "drive_running") > 0.0
    assert settled("zero-counts", "flow")[running].min() > 420.0
    assert settled("zero-counts", "plc_flow").max() == pytest.approx(433.1, abs=0.3)


def test_closed_shutter_leaves_the_background() -> None:
    counts = settled("shutter-closed", "count_rate")
    assert counts.mean() == pytest.approx(60.0, abs=5.0 * np.sqrt(60.0 / len(counts)))
    assert settled("shutter-closed", "shutter_closed").min() == 1.0


def test_open_loop_reads_nothing_and_a_wire_break_reads_full_scale() -> None:
    assert settled("open-loop", "plc_flow").max() < -70.0
    assert settled("burnout-value", "ai_raw").min() == 32767.0


def test_current_leak_in_moves_fifteen_to_about_eighteen_milliampere() -> None:
    """A = (E + U/R_leak)/(1 + R_loop/R_leak) with 24 V, 450 ohm, 6.5 kohm; derived here, no source."""
    currents = settled("current-leak-in", "loop_current")
    sent = settled("current-leak-in", "gauge_output")
    expected = (sent + 24000.0 / 6500.0) / (1.0 + 450.0 / 6500.0)
    np.testing.assert_allclose(currents[1:], expected[:-1], atol=0.02)


@pytest.mark.parametrize(("covered", "shown"), [(0.5, 338.0), (0.999, 420.0)])
def test_load_on_half_the_width_reads_338_of_420(covered: float, shown: float) -> None:
    """-Kv ln(1/2 + 1/2 exp(-2 mu m)) with mu m = 0.399 and Kv = 1052 t/h is 338 t/h (worked example W16, derived again)."""
    spec = TB07.with_("belt", feed_override=420.0)
    flow = simulate(spec, 1.0, seed=SEED, faults=[Switch("load-shape", 0.0, severity=covered)]).values["flow"][600:]
    assert flow.mean() == pytest.approx(shown, rel=0.012)


def test_hot_detector_passes_its_limit() -> None:
    assert settled("detector-temperature", "detector_temperature").min() > 55.0


def test_total_that_is_lost_begins_again_at_zero() -> None:
    total = simulate(TB07, 0.5, seed=SEED, faults=[Switch("total-discontinuity", 0.25)]).values["plc_total"]
    assert total[899] > 84_000.0
    assert total[900] < 1.0


def test_single_precision_total_books_too_much_above_65536_tonnes() -> None:
    """Steps of 0.1 s at 260 t/h round to 0.0078125 t there: +8.2 %; IEEE 754 binary32, checked by hand."""
    spec = TB07.with_("belt", feed_override=260.0)
    samples = simulate(spec, 2.0, seed=SEED, faults=["total-precision"])
    booked = samples.values["plc_total"][-1] - samples.values["plc_total"][0]
    assert booked / (2.0 * 281.25) == pytest.approx(1.0, abs=0.03)


def test_gateway_writes_all_zeros_together() -> None:
    samples = simulate(TB07, 0.1, seed=SEED, faults=["gateway-zeros"])
    assert all(samples.values[role].max() == 0.0 for role in ("flow", "count_rate", "gauge_total", "detector_temperature"))
    assert samples.values["ai_raw"].min() < 0.0 or samples.values["ai_raw"].max() > 0.0


def test_swapped_words_are_those_of_the_wire() -> None:
    """260.3 is 0x43822666 as IEEE 754 binary32; with the words swapped 0x26664382."""
    import struct

    expected = struct.unpack(">f", bytes.fromhex("26664382"))[0]
    assert swapped_words(np.array([260.3]))[0] == pytest.approx(expected)


def test_defaults_go_with_the_span_of_the_loop() -> None:
    assert find("upper-range").default(TB07) == 500.0
    assert find("upper-range").default(TB09) == pytest.approx(500.0 * 500.0 / 420.0)


def test_unknown_fault_names_the_nearest() -> None:
    with pytest.raises(TallywireError, match="zero-counts"):
        find("zero-count")


def test_loop_with_fixed_speed_cannot_have_extra_pulses() -> None:
    with pytest.raises(TallywireError, match="fixed belt speed"):
        Faulty(LoopModel(TB07, SEED)).set("tach-extra-pulses", True)


def test_range_changed_at_both_ends_is_no_fault() -> None:
    sound, changed = simulate(TB07, 1.0, seed=SEED), simulate(TB07, 1.0, seed=SEED, faults=["range-both-ends"])
    np.testing.assert_allclose(sound.values["plc_flow"][60:], changed.values["plc_flow"][60:], atol=1.8)
