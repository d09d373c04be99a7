"""Other belts by the names in a control system: digits and folders part them, and nothing is made up."""

from __future__ import annotations

import pytest

from checks.commissioning.guess import Candidate, Known, guesses
from checks.commissioning.kin import Place, kin_of
from config.model import FlowRange, Gauge, Loop, Plc

TAGS = ("Flow", "Total", "RawInput")


def folders(*names: str) -> list[Place]:
    return [((name,), tag) for name in names for tag in TAGS]


@pytest.mark.parametrize(
    ("loop", "places", "kin"),
    [
        ("TB-07", folders("TB-07", "TB-08", "TB-09"), {"TB-08", "TB-09"}),
        ("TB-07", [((), f"TB{number:02}_Flow") for number in (7, 8, 12)], {"TB08", "TB12"}),
        ("TB-07", folders("TB-07"), set()), ("TB-07", folders("Belt 1", "Belt 2"), set()), ("TB-07", [], set()),
        ("quay", folders("quay", "tunnel"), {"tunnel"}),
        ("quay", [*folders("quay"), (("Drives",), "Running"), (("Drives",), "quay running")], set()),
        ("TB-07", [*folders("TB-07"), ((), "STB-08 flow"), ((), "TB-071 flow")], {"TB-071"}),
    ],
)  # fmt: skip
def test_names_beside_a_loop(loop: str, places: list[Place], kin: set[str]) -> None:
    assert set(kin_of(loop, places)) == kin


def known() -> dict[str, Known]:
    ends = FlowRange(low=0.0, high=420.0)
    return {"TB-07": Known(Loop(gauge=Gauge(range=ends), plc=Plc(range=ends), tags={}))}


def test_variable_of_another_belt_is_of_no_role_of_this_one() -> None:
    other = Candidate(name="Flow", folders="TB-08", unit="t/h", ends=(0.0, 420.0), value=200.0)
    assert guesses(other, known())[0].role == "plc_flow"
    assert guesses(other, known(), ("TB-08",)) == []


@pytest.mark.parametrize(
    ("name", "unit", "role"),
    [
        ("MassFlow", "t/h", "flow"), ("Total", "", "gauge_total"), ("BeltSpeed", "m/s", "speed"), ("CountRate", "1/s", "count_rate"),
        ("Temperature", "degC", "detector_temperature"), ("OutputCurrent", "mA", "gauge_output"), ("BeltLoad", "kg/m", "load"),
    ],
)  # fmt: skip
def test_on_the_gauge_itself_its_own_values_are_meant(name: str, unit: str, role: str) -> None:
    found = guesses(Candidate(name=name, unit=unit, value=12.0), known(), on_gauge=True)
    assert found[0].role == role
    assert all(guess.role not in ("plc_flow", "plc_total", "loop_current") for guess in found)
