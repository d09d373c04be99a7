"""Twenty worked examples of one invented conveyor: each number derived here from first principles, then asked of the product.

Conveyor: 0 to 420 t/h, 1.9 m/s, 1 m wide, 5200 1/s gross on the empty belt, 60 1/s background, 0.0065 m2/kg, Cs-137, damping
10 s, 260 t/h for 15 h, empty for 5 h a day. All numbers are invented; the arithmetic is done twice (computed).
"""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from scipy import integrate, stats

from checks import edge_findings, shape
from checks.current import check as current_check
from checks.derived import Integral
from checks.hypotheses import TONS, Measured, rank
from checks.increments import Resolver
from checks.lines import chain
from checks.physics import attenuation, empty_rate, flow_noise_t_h, flow_t_h
from checks.pivot import fieller
from checks.result import Verdict
from checks.scaling import check as scaling_check
from checks.signal import current_of, current_of_raw, flow_of, raw_of
from checks.total_findings import CONSTANTS
from checks.total_findings import findings as total_findings
from checks.totals import check as totals_check
from collector.sources.decode import BlockDecoder
from config.model import FlowRange, ModbusTag, RawSpan, Totalizer
from config.nuclides import decay_constant_s
from config.units import convert
from tests.checks.simulation import ALL_ROLES, Chain, swinging_load
from tests.checks.test_fit import all_follow

SPAN = FlowRange(high=420.0)
NET, BACKGROUND, MU, WIDTH, SPEED, TAU = 5140.0, 60.0, 0.0065, 1.0, 1.9, 10.0
KV = 3.6 * WIDTH * SPEED / MU
"""1052 t/h per neper."""
DAY_S = 86400.0
TIGHT = np.diag([0.1**2, 0.0003**2])


def counts(flow: float) -> float:
    """Gross rate [1/s] under a flow [t/h] by exponential attenuation."""
    return BACKGROUND + NET * math.exp(-MU * flow / (3.6 * SPEED * WIDTH))


def shown(rate: float, empty: float = NET + BACKGROUND, background: float = BACKGROUND) -> float:
    """The flow [t/h] that the product makes of a rate."""
    return float(flow_t_h(attenuation(np.array([rate]), empty, background), WIDTH / MU, SPEED)[0])


def line_of(low: float, high: float) -> tuple[float, float]:
    """Offset and gain - 1 of the deviation line, from the PLC flows at 0 and 420 t/h."""
    return low, (high - low) / 420.0 - 1.0


def pivot_ma(offset: float, gain: float) -> float:
    return fieller(offset, gain, TIGHT).in_ma(0.0, 420.0).at


def named(offset: float, gain: float, roles: tuple[str, ...] = ("flow", "plc_flow")) -> str:
    """The cause that the product ranks first for this line, on the first line of the loop that reaches the card."""
    loop = Chain(load=np.zeros(10), roles=roles).site().loops["TB-07"]
    path = chain(loop)[-1] if "ai_raw" not in roles else chain(loop)[-2]
    return rank(path, loop, Measured(offset=offset, gain=gain, covariance=TIGHT), output_agrees=False, factors={})[0].cause


def test_w01_gauge_to_500_on_a_plc_to_420() -> None:
    gauge = FlowRange(high=500.0)
    assert current_of(260.0, gauge) == pytest.approx(4.0 + 16.0 * 260.0 / 500.0, abs=1e-12)
    assert current_of(260.0, gauge) == pytest.approx(12.320, abs=5e-4)
    far = flow_of(current_of(260.0, gauge), SPAN)
    assert far == pytest.approx(260.0 * 420.0 / 500.0)
    assert far == pytest.approx(218.4)
    offset, gain = line_of(flow_of(current_of(0.0, gauge), SPAN), flow_of(current_of(420.0, gauge), SPAN))
    assert offset == pytest.approx(0.0, abs=1e-9)
    assert 1.0 + gain == pytest.approx(0.840)
    assert pivot_ma(offset, gain) == pytest.approx(4.0, abs=1e-6)
    assert named(offset, gain) == "upper-range"


def test_w02_plc_to_400_loses_186_tonnes_a_day() -> None:
    far = flow_of(current_of(260.0, SPAN), FlowRange(high=400.0))
    assert far == pytest.approx(260.0 * 400.0 / 420.0)
    assert far == pytest.approx(247.6, abs=0.05)
    tonnes, _ = Integral(60).push(60 * np.arange(15 * 60, dtype=np.int64), np.full(15 * 60, far - 260.0))
    assert float(tonnes.sum()) == pytest.approx(-186.0, abs=0.5)


@pytest.mark.parametrize(("flow", "far"), [(0.0, 19.1), (100.0, 114.5), (260.0, 267.3), (420.0, 420.0)])
def test_w03_gauge_from_minus_20_agrees_only_at_full_range(flow: float, far: float) -> None:
    part = (flow + 20.0) / 440.0
    assert 420.0 * part == pytest.approx(far, abs=0.06)
    gauge = FlowRange(low=-20.0, high=420.0)
    assert flow_of(current_of(flow, gauge), SPAN) == pytest.approx(420.0 * part)
    offset, gain = line_of(flow_of(current_of(0.0, gauge), SPAN), flow_of(current_of(420.0, gauge), SPAN))
    assert pivot_ma(offset, gain) == pytest.approx(20.0, abs=1e-6)
    assert named(offset, gain) == "lower-range"


def test_w04_short_tons_in_the_plc() -> None:
    factor = 1.0 / (2000.0 * 0.45359237e-3)
    assert convert(260.0, "t/h", "short_ton/h") == pytest.approx(260.0 * factor)
    assert 260.0 * factor == pytest.approx(286.6, abs=0.05)
    assert convert(3900.0, "t", "short_ton") == pytest.approx(4299.0, abs=0.5)
    assert factor == pytest.approx(1.1023, abs=5e-5)
    assert min(abs(factor - known) for known in TONS) < 1e-5
    assert min(abs(factor - constant) for cause, constant in CONSTANTS if cause == "ton-unit") < 1e-5
    assert named(0.0, factor - 1.0) == "ton-unit"


def test_w05_20_kohm_across_250_ohm() -> None:
    part = 20_000.0 / (20_000.0 + 250.0)
    far = {}
    for flow, milliamps, plc in ((0.0, 3.951, -1.3), (260.0, 13.733, 255.5), (420.0, 19.753, 413.5)):
        through = part * current_of(flow, SPAN)
        assert through == pytest.approx(milliamps, abs=2e-3)
        far[flow] = flow_of(through, SPAN)
        assert far[flow] == pytest.approx(plc, abs=0.07)
    offset, gain = line_of(far[0.0], far[420.0])
    assert 1.0 + gain == pytest.approx(0.9877, abs=5e-5)
    assert pivot_ma(offset, gain) == pytest.approx(0.0, abs=1e-6)
    assert named(offset, gain, ALL_ROLES) == "current-leak"


def test_w06_17_5_v_drive_16_67_ma_and_no_more() -> None:
    ceiling = 1000.0 * (17.5 - 10.0) / 450.0
    assert ceiling == pytest.approx(16.67, abs=0.005)
    level = flow_of(ceiling, SPAN)
    assert level == pytest.approx(332.5, abs=0.1)
    load = swinging_load(np.random.default_rng(61), 5400, 60.0, 400.0)
    limited = Chain(load=load, current_of=lambda ma: np.minimum(ma, ceiling), seed=61)
    window = limited.window()
    found = list(edge_findings.findings(window, scaling_check(window)))
    assert [item.cause for item in found] == ["compliance-ceiling"]
    evidence = {item.unit: item.value for item in found[0].evidence}
    assert evidence["mA"] == pytest.approx(ceiling, abs=0.03)
    assert evidence["t/h"] == pytest.approx(level, abs=0.8)


@pytest.mark.parametrize(("flow", "far"), [(0.0, 84.0), (100.0, 164.0), (260.0, 292.0), (420.0, 420.0)])
def test_w07_card_0_to_20_ma_on_a_live_zero(flow: float, far: float) -> None:
    assert 0.8 * flow + 0.2 * 420.0 == pytest.approx(far)
    card = RawSpan(low=27648.0 * 4.0 / 20.0, high=27648.0)  # raw at 4 and at 20 mA of a card whose zero is 0 mA
    raw = raw_of(current_of(flow, SPAN), card)
    believed = flow_of(current_of_raw(raw, RawSpan()), SPAN)
    assert believed == pytest.approx(far)
    offset, gain = line_of(84.0, 420.0)
    assert 1.0 + gain == pytest.approx(0.8)
    assert pivot_ma(offset, gain) == pytest.approx(20.0, abs=1e-6)
    assert named(offset, gain) == "live-zero-mix"


def test_w08_square_root_on_a_linear_signal() -> None:
    assert 420.0 * math.sqrt(40.0 / 420.0) == pytest.approx(129.6, abs=0.05)
    assert 420.0 * math.sqrt(260.0 / 420.0) == pytest.approx(330.5, abs=0.05)
    x = 200.0 + 160.0 * np.sin(np.arange(240) / 7.0)
    found = shape.choose(x, 420.0 * np.sqrt(x / 420.0), all_follow(240), 0.0, 420.0)
    assert found.model == shape.POWER
    assert found.exponent == pytest.approx(0.50, abs=0.01)


def test_w09_clamp_at_zero_makes_6_6_tonnes_a_day_of_noise() -> None:
    sigma = flow_noise_t_h(0.0, load_per_attenuation=WIDTH / MU, speed=SPEED, net_empty=NET, background=BACKGROUND, tau_s=TAU)
    assert sigma == pytest.approx(KV * math.sqrt(5200.0 / (2.0 * TAU)) / NET)
    assert sigma == pytest.approx(3.3, abs=0.01)
    bias, _ = integrate.quad(lambda z: z * stats.norm.pdf(z), 0.0, np.inf)
    assert bias == pytest.approx(1.0 / math.sqrt(2.0 * math.pi))
    assert bias * sigma == pytest.approx(1.32, abs=0.01)
    assert bias * sigma * 5.0 == pytest.approx(6.6, abs=0.05)
    clamped = Chain(
        load=np.zeros(7200), seed=9, roles=("flow", "plc_flow", "speed", "drive_running"),
        plc_of=lambda flow: np.maximum(flow, 0.0),
    ).window()  # fmt: skip
    found = list(edge_findings.findings(clamped, scaling_check(clamped)))
    assert [item.cause for item in found] == ["zero-clamp"]
    assert found[0].rate_error_t_h == pytest.approx(1.32, abs=0.25)  # two hours hold 360 correlated values


def test_w10_swapped_and_off_by_one_give_the_same_magnitude() -> None:
    high, low = struct.unpack(">HH", struct.pack(">f", 260.3))
    assert (high, low) == (0x4382, 0x2666)

    def read(words: list[int], order: str) -> float:
        tag = ModbusTag.model_validate({"endpoint": "gauge", "address": 0, "type": "float32", "order": order})
        return BlockDecoder([("flow", tag)], 0, 2).decode(words)[0].value

    assert read([high, low], "ABCD") == pytest.approx(260.3, rel=1e-6)
    swapped, joined = read([high, low], "CDAB"), read([low, 0x4216], "ABCD")
    assert swapped == pytest.approx(7.99e-16, rel=1e-3)
    assert joined == pytest.approx(7.99e-16, rel=1e-3)


def test_w11_closed_shutter_over_loaded_potash_would_be_more_than_4000_t_h() -> None:
    load = 260.0 / (3.6 * SPEED)
    rate = BACKGROUND + 1.5 * load  # 1.5 1/s per kg/m of the product's own gammas, invented
    assert rate == pytest.approx(117.0, abs=0.1)
    assert shown(rate) == pytest.approx(KV * math.log(NET / (rate - BACKGROUND)))
    assert shown(rate) > 4000.0
    assert current_of(shown(rate), SPAN) > 20.5


def test_w12_90_days_of_decay_that_nobody_compensates() -> None:
    left = NET * 0.5 ** (90.0 / (30.05 * 365.2422))  # half-life of Cs-137 30.05 y, second-hand
    assert left == pytest.approx(5111.0, abs=1.0)
    now = empty_rate(NET + BACKGROUND, BACKGROUND, decay_constant_s("Cs-137"), 90.0 * DAY_S)
    assert now - BACKGROUND == pytest.approx(left, abs=0.1)
    error = shown(now)
    assert error == pytest.approx(KV * math.log(NET / left), abs=0.01)
    assert error == pytest.approx(6.0, abs=0.05)
    assert 100.0 * error / 260.0 == pytest.approx(2.3, abs=0.05)
    assert 20.0 * error == pytest.approx(120.0, abs=1.0)


def test_w13_co_60_set_for_cs_137_makes_minus_6_6_t_h_in_3_weeks() -> None:
    apart = math.log(2.0) / 365.2422 * (1.0 / 5.271 - 1.0 / 30.05)  # half-lives from memory and second-hand [1/d]
    true, believed = (
        empty_rate(NET + BACKGROUND, BACKGROUND, decay_constant_s(name), 21.0 * DAY_S) for name in ("Cs-137", "Co-60")
    )
    error = shown(true, empty=believed)
    assert error == pytest.approx(-KV * apart * 21.0, abs=0.02)
    assert error == pytest.approx(-6.6, abs=0.05)


def test_w14_half_a_kilogram_of_cake_on_a_square_metre() -> None:
    per_mass = 3.6 * SPEED * WIDTH
    assert per_mass == pytest.approx(6.84)
    error = shown(BACKGROUND + NET * math.exp(-MU * 0.5))
    assert error == pytest.approx(0.5 * per_mass)
    assert error == pytest.approx(3.42, abs=0.005)
    assert 20.0 * error == pytest.approx(68.0, abs=0.5)
    assert 100.0 * 20.0 * error / 3900.0 == pytest.approx(1.75, abs=0.01)


@pytest.mark.parametrize(("flow", "error"), [(0.0, 0.0), (100.0, -1.2), (260.0, -3.4), (420.0, -5.9)])
def test_w15_background_entered_as_zero(flow: float, error: float) -> None:
    wrong = KV * math.log(5200.0 / counts(flow))
    assert wrong - flow == pytest.approx(error, abs=0.06)
    assert shown(counts(flow), background=0.0) == pytest.approx(wrong)
    assert shown(counts(flow)) == pytest.approx(flow, abs=1e-9)


def test_w16_load_on_half_the_width_reads_338_of_420() -> None:
    mass = 420.0 / (3.6 * SPEED)
    across, _ = integrate.quad(lambda y: math.exp(-MU * (2.0 * mass if y < 0.5 else 0.0)), 0.0, 1.0, points=[0.5])
    assert shown(BACKGROUND + NET * across) == pytest.approx(-KV * math.log(across))
    assert shown(BACKGROUND + NET * across) == pytest.approx(338.0, abs=0.5)
    assert 100.0 * (shown(BACKGROUND + NET * across) / 420.0 - 1.0) == pytest.approx(-19.0, abs=0.6)


def test_w17_25_minutes_of_a_standing_belt_are_108_tonnes() -> None:
    tonnes, seconds = Integral(1).push(np.arange(1500, dtype=np.int64), np.full(1500, 260.0))
    assert float(tonnes.sum()) == pytest.approx(260.0 * 25.0 / 60.0)
    assert float(tonnes.sum()) == pytest.approx(108.3, abs=0.05)
    assert float(seconds.sum()) == 1500.0


def single(start: float, hours: float, flow: float = 260.0) -> tuple[float, float]:
    """A single-precision sum of 100 ms steps: its end, and the same in double precision."""
    step = flow / 36_000.0
    steps = np.full(round(hours * 36_000.0), step, np.float32)
    return float(np.cumsum(np.concatenate([[np.float32(start)], steps]), dtype=np.float32)[-1]), start + step * len(steps)


@pytest.mark.parametrize(
    ("total", "ratio"), [(5_000.0, 1.014), (10_000.0, 0.946), (20_000.0, 1.082), (70_000.0, 1.082), (131_072.0, 0.0)]
)
def test_w18_single_precision_swallows_or_swells_the_steps(total: float, ratio: float) -> None:
    """The step 0.00722 t is rounded to the digit of the sum: right below 4096 t, 8.2 % high from 16,384 t, nothing from 131,072 t."""
    step, digit = 260.0 / 36_000.0, float(np.spacing(np.float32(total)))
    assert round(step / digit) * digit / step == pytest.approx(ratio, abs=0.002)
    got, true = single(total, 0.5)
    assert (got - total) / (true - total) == pytest.approx(ratio, abs=0.004)


def test_w18_the_sum_stalls_at_131_072_tonnes_after_472_hours() -> None:
    hours, total = 0.0, 0.0
    for power in range(17):  # within one power of two every step is rounded alike
        low, high = (0.0 if power == 0 else 2.0**power), 2.0 ** (power + 1)
        digit = float(np.spacing(np.float32(low))) if power else 0.0
        step = 260.0 / 36_000.0
        taken = round(step / digit) * digit if digit > 1e-9 else step
        hours += (high - low) / taken / 36_000.0
        total = high
    assert total == 131_072.0
    assert hours == pytest.approx(472.3, abs=0.5)
    assert hours * 260.0 == pytest.approx(122_788.0, abs=150.0)
    assert single(131_072.0, 1.0)[0] == 131_072.0


def test_w18_the_product_names_the_single_precision() -> None:
    """From 40,000 t every flow between 141 and 422 t/h is booked as 281.25; the resolver books what is shown, the finding says why."""
    chain_ = Chain(load=swinging_load(np.random.default_rng(18), 7200), seed=18)
    flow = chain_.samples().values["plc_flow"]
    small = np.repeat(flow / 36_000.0, 10).astype(np.float32)
    line = np.cumsum(np.concatenate([[np.float32(40_000.0)], small]), dtype=np.float32)[10::10].astype(np.float64)
    shown_total = np.floor(line / 0.1) * 0.1
    digit = float(np.spacing(np.float32(40_000.0)))
    booked = float((np.round(flow / 36_000.0 / digit) * digit * 10.0).sum())
    gained, jumps = Resolver(Totalizer(resolution=0.1), 420.0).push(np.arange(7200, dtype=np.int64), shown_total)
    assert jumps == []
    assert float(np.nansum(gained)) == pytest.approx(booked, abs=0.3)
    window = Chain(load=chain_.load, seed=18, override={"plc_total": lambda _: shown_total}).window()
    assert [item.cause for item in total_findings(window, totals_check(window))] == ["total-precision"]


def test_w19_20_k_at_half_a_per_mille_make_10_6_t_h_at_every_load() -> None:
    lost = 1.0 - 0.0005 * 20.0
    for flow in (0.0, 260.0, 420.0):
        rate = BACKGROUND + (counts(flow) - BACKGROUND) * lost
        assert shown(rate) - flow == pytest.approx(-KV * math.log(lost))
        assert shown(rate) - flow == pytest.approx(10.6, abs=0.05)


def test_w20_output_held_at_12_ma() -> None:
    assert flow_of(12.0, SPAN) == pytest.approx(210.0)
    sigma = flow_noise_t_h(260.0, load_per_attenuation=WIDTH / MU, speed=SPEED, net_empty=NET, background=BACKGROUND, tau_s=TAU)
    assert 16.0 * sigma / 420.0 == pytest.approx(0.14, abs=0.005)
    steady = Chain(load=np.full(600, 260.0), seed=20, current_of=lambda ma: np.full(len(ma), 12.0)).window()
    assert float(steady.samples.column("plc_flow")[-1]) == pytest.approx(210.0)
    r2 = 12.0 - current_of(steady.samples.column("flow"), SPAN)
    assert float(r2.std()) == pytest.approx(16.0 * sigma / 420.0, rel=0.3)
    load = swinging_load(np.random.default_rng(20), 900)
    found = current_check(Chain(load=load, seed=20, current_of=lambda ma: np.full(len(ma), 12.0)).window())[0]
    assert found.verdict is Verdict.FAULT
    assert found.facts["still"] == 1.0
