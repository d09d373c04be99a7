"""Which role a variable could have: each kind of evidence on its own, what rules out, and one role to one variable."""

from __future__ import annotations

import math

import pytest

from checks.commissioning.guess import Candidate, Known, assigned, guesses
from checks.commissioning.naming_words import WORDS, points_of_name, words_of
from checks.commissioning.plausible import Expected
from config.model import FlowRange, Gauge, Loop, ModbusTag, Plc
from config.roles import ROLES


def loop() -> Loop:
    gauge = Gauge(range=FlowRange(low=0.0, high=420.0))
    return Loop(
        gauge=gauge, plc=Plc(range=FlowRange(low=0.0, high=420.0)), tags={"flow": ModbusTag(endpoint="gauge", address=0)}
    )


def known(**expected: float) -> Known:
    return Known(loop(), {role: Expected(value, 0.06 * value, "from flow") for role, value in expected.items()})


ONE = {"TB-07": known(plc_flow=240.0, ai_raw=15799.0, loop_current=13.14)}
TWO = {**ONE, "TB-08": known(plc_flow=380.0, ai_raw=25015.0)}


def best(candidate: Candidate, loops: dict[str, Known]) -> tuple[str, str, str] | None:
    found = guesses(candidate, loops)
    return (found[0].loop, found[0].role, found[0].measured_in) if found else None


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("DriveRunning", ("drive", "running")), ("drive_running", ("drive", "running")), ("DRIVE-RUNNING", ("drive", "running")),
        ("AIRaw7", ("ai", "raw", "7")), ("FT0731_PV", ("ft", "0731", "pv")),
    ],
)  # fmt: skip
def test_words_of_a_name(name: str, words: tuple[str, ...]) -> None:
    assert words_of(name) == words


def test_every_role_of_the_words_is_one_and_the_longer_phrase_counts_more() -> None:
    assert set(WORDS) <= set(ROLES)
    assert points_of_name("drive_running", "DriveRunning") > points_of_name("drive_running", "Running") > 0.0
    assert points_of_name("ai_raw", "Maintenance") == 0.0


@pytest.mark.parametrize(
    ("candidate", "role"),
    [
        (Candidate(name="RawInput", is_whole=True, value=15810.0), "ai_raw"),
        (Candidate(name="Flow", value=239.0, unit="t/h", ends=(0.0, 420.0)), "plc_flow"),
        (Candidate(name="Motor_Running", is_bit=True, value=1.0), "drive_running"),
        (Candidate(name="AmbientTemp", value=12.0, unit="degC"), "ambient_temperature"),
        (Candidate(name="Totalizer", value=81_000.0, unit="t"), "plc_total"),
        (Candidate(name="V17", value=13.15), "loop_current"),
        (Candidate(name="V18", value=238.9), "plc_flow"),
        (Candidate(name="V19", value=13.2, ends=(4.0, 20.0), unit="mA"), "loop_current"),
    ],
)  # fmt: skip
def test_a_role_is_proposed(candidate: Candidate, role: str) -> None:
    found = best(candidate, ONE)
    assert found is not None
    assert found[:2] == ("TB-07", role)


def test_the_unit_is_taken_from_the_server_or_found_by_the_value() -> None:
    said = best(Candidate(name="Flow", value=240.0 / 0.90718474, unit="short_ton/h"), ONE)
    assert said == ("TB-07", "plc_flow", "short_ton/h")
    found = best(Candidate(name="Flow", value=240.0 / 3.6), ONE)
    assert found == ("TB-07", "plc_flow", "kg/s")


@pytest.mark.parametrize(
    "candidate",
    [
        Candidate(name="Flow", is_bit=True, value=1.0),
        Candidate(name="Flow", value=240.0, unit="degC"),
        Candidate(name="AmbientTemperature", value=4000.0, unit="degC"),
        Candidate(name="X", value=math.nan),
        Candidate(name="X", value=0.0),
    ],
)
def test_nothing_is_proposed_against_kind_unit_or_physics_or_for_nothing(candidate: Candidate) -> None:
    assert best(candidate, ONE) is None


def test_a_variable_named_after_a_loop_is_of_that_loop_also_where_it_is_not_looked_at() -> None:
    candidate = Candidate(name="Flow", folders="Belts/TB_08", value=240.0, unit="t/h")
    found = best(candidate, TWO)
    assert found is not None
    assert found[0] == "TB-08"
    assert guesses(candidate, ONE, ("TB-07", "TB-08")) == []


def test_without_a_name_the_value_tells_the_loop() -> None:
    assert best(Candidate(name="AI_03", is_whole=True, value=25020.0), TWO) == ("TB-08", "ai_raw", "")


def test_one_role_goes_to_the_variable_that_fits_best() -> None:
    flow = Candidate(name="Flow", value=240.0, unit="t/h", ends=(0.0, 420.0))
    other = Candidate(name="Rate", value=240.0, unit="t/h")
    first, second = assigned([guesses(other, ONE), guesses(flow, ONE)])
    assert second[0].role == "plc_flow"
    assert "plc_flow" not in {guess.role for guess in first[:1]}
