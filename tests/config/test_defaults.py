"""Every default has its reason and its source, and is the one that acts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import get_args

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from config.defaults import DEFAULTS, Default, Origin
from config.deliveries import MailDelivery
from config.limits import Limits
from config.model import Loop, ModbusEndpoint, OpcUaEndpoint, Site
from config.quantity import Unit
from config.units import known_unit
from config.validation import model_at

ROOTS: dict[str, type[BaseModel]] = {
    "limits": Limits,
    "site": Site,
    "loop": Loop,
    "modbus": ModbusEndpoint,
    "opcua": OpcUaEndpoint,
    "mail": MailDelivery,
}
ELSEWHERE = {"site.schema_", "loop.limits"}


def unit_of(entry: FieldInfo) -> str:
    marks = [*entry.metadata, *(mark for arg in get_args(entry.annotation) for mark in getattr(arg, "__metadata__", ()))]
    return next((mark.symbol for mark in marks if isinstance(mark, Unit)), "")


def numbers(name: str, model: type[BaseModel], given: BaseModel | None = None) -> Iterator[tuple[str, float, str]]:
    """Dotted name, value and unit of every number that acts where the site file says nothing."""
    for key, entry in model.model_fields.items():
        here = f"{name}.{key}"
        if here in ELSEWHERE:
            continue
        value = getattr(given, key) if given is not None else entry.default
        inner = model_at(model, (entry.alias or key,))
        if inner is not None:
            yield from numbers(here, inner, value if isinstance(value, BaseModel) else None)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield here, float(value), unit_of(entry)


ACTING = {here: (value, unit) for root, model in ROOTS.items() for here, value, unit in numbers(root, model)}


def test_none_is_missing_and_none_is_stale() -> None:
    assert set(ACTING) - set(DEFAULTS) == set()
    assert set(DEFAULTS) - set(ACTING) == set()


def test_every_limit_is_walked() -> None:
    assert sum(here.startswith("limits.") for here in ACTING) == 40
    assert ACTING["limits.counts_to_flow.fault"] == (1.0, "%")


@pytest.mark.parametrize("name", DEFAULTS)
def test_value_and_unit_are_the_ones_that_act(name: str) -> None:
    value, unit = ACTING[name]
    assert DEFAULTS[name].value == value
    assert DEFAULTS[name].unit == unit or (unit == "" and DEFAULTS[name].unit == "count")
    assert DEFAULTS[name].unit == "" or known_unit(DEFAULTS[name].unit)


@pytest.mark.parametrize("name", DEFAULTS)
def test_reason_and_source_are_given(name: str) -> None:
    entry: Default = DEFAULTS[name]
    assert len(entry.reason) > 15
    assert entry.source
    assert entry.origin in get_args(Origin)
    assert ("no source" in entry.source) == (entry.origin == "common practice")


def test_reasons_that_are_arithmetic_hold() -> None:
    # gains of card and output, 0.1 % each, in quadrature, stay below the suspect limit of a link
    assert math.hypot(0.1, 0.1) < DEFAULTS["limits.link.suspect"].value
    # Poisson: no count in t seconds at rate b has the probability exp(-b t)
    assert -math.log(DEFAULTS["limits.counts.zero_probability"].value) == pytest.approx(20.7, abs=0.03)
    # 3 % of 5200 1/s against the scatter of a 10 s mean, sqrt(n / t)
    assert 0.03 * 5200 / math.sqrt(5200 / 10) == pytest.approx(6.8, abs=0.05)
    # noise of the current on the reference belt: Kv sqrt(n / 2 tau) / (n - b) in t/h, 16 mA over 420 t/h
    assert 1052 * math.sqrt(5200 / 20) / 5140 * 16 / 420 == pytest.approx(0.13, abs=0.005)
    # the same at full load, 3509 1/s, over the range
    assert 1052 * math.sqrt(3509 / 20) / 3449 / 420 < 0.01
    # 60 W on 20 kg of 500 J/(kg K)
    assert pytest.approx(0.4, abs=0.05) == 60 / (20 * 500) * 60
    # 1 % of span over Kv: share of the net counts; two months of decay at 2.02 t/h a month
    assert pytest.approx(0.004, abs=1e-4) == 4.2 / 1052
    assert pytest.approx(2.1, abs=0.05) == 4.2 / 2.02
    assert math.exp(-6) == pytest.approx(0.0025, abs=1e-4)
    assert 420 * 30 / 3600 == 3.5
    assert pytest.approx(3.5, abs=0.1) == 0.002 / (16 / 27648)


def test_failure_levels_are_those_of_the_recommendation() -> None:
    # NAMUR NE 43: measuring 3.8 to 20.5 mA, failure at or below 3.6 and at or above 21 mA (second-hand)
    current = Limits().current
    assert (current.failure_low, current.measuring_low, current.measuring_high, current.failure_high) == (3.6, 3.8, 20.5, 21.0)


def test_limits_of_the_zero_are_those_of_the_reference_belt() -> None:
    kv, span = 3.6 * 1.0 * 1.9 / 0.0065, 420.0  # t/h for one unit of the logarithm: 3.6 w v / mu
    se_half_hour = kv * math.sqrt(5200.0 / 1800.0) / 5140.0
    assert DEFAULTS["limits.zero.suspect"].value * span / 100.0 == pytest.approx(3.0 * se_half_hour, rel=0.03)
    month = kv * math.log(2.0) / 30.04 * 30.0 / 365.25
    assert DEFAULTS["limits.zero.fault"].value * span / 100.0 == pytest.approx(month, rel=0.06)
    assert DEFAULTS["limits.decay.fault"].value == pytest.approx(0.5 * 100.0 * month / kv, rel=0.06)
