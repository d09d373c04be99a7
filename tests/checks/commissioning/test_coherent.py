"""Numbers that obey the law of the belt are told from many that do not."""

from __future__ import annotations

import random

from checks.commissioning.coherent import MOST_NUMBERS, coherent
from config.model import Drive, FlowRange, Gauge, Loop, ModbusTag, Plc

SEED = 20_260_731


def loop(speed: float | None = 1.9, *, variable: bool = False) -> Loop:
    ends = FlowRange(low=0.0, high=420.0)
    drive = Drive(speed_at_nominal=speed, variable=variable)
    return Loop(gauge=Gauge(range=ends), plc=Plc(range=ends), drive=drive, tags={"flow": ModbusTag(endpoint="g", address=0)})


def test_flow_load_speed_and_current_are_found_among_noise() -> None:
    # 3.6 x 35.34 kg/m x 1.9 m/s = 241.7 t/h; 4 + 16 x 241.7 / 420 = 13.208 mA
    rng = random.Random(SEED)
    numbers = [10.0 ** rng.uniform(-3, 6) for _ in range(60)] + [241.7, 35.34, 1.9, 13.208]
    found = coherent(numbers, loop())[0]
    assert {role: numbers[at] for role, at in found.places.items()} == {
        "flow": 241.7,
        "load": 35.34,
        "speed": 1.9,
        "gauge_output": 13.208,
    }


def test_the_truest_of_two_sets_comes_first() -> None:
    numbers = [241.7, 35.5, 1.9, 35.34]
    assert numbers[coherent(numbers, loop())[0].places["load"]] == 35.34


def test_what_does_not_fit_is_not_found() -> None:
    assert coherent([241.7, 30.0, 1.9], loop()) == []
    assert coherent([4.0, 0.585, 1.9], loop()) == []
    assert coherent([241.7, 35.34, 1.9], loop(None)) == []
    assert coherent([1.9] * (MOST_NUMBERS + 1), loop()) == []


def test_a_belt_of_variable_speed_may_run_slowly() -> None:
    numbers = [100.0, 100.0 / 3.6 / 0.6, 0.6]
    assert coherent(numbers, loop()) == []
    assert len(coherent(numbers, loop(variable=True))) == 1
