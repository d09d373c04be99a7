"""Both ends alike and as declared; every change with old and new value."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from checks import setup
from checks.result import CheckResult, Verdict
from config.model import RecordedTag, Site
from config.units import unece_unit_id
from tests.checks.runs_of_terminal import samples_by_hand, small_site, window_of

T_H, SHORT_TON_H = unece_unit_id("t/h"), unece_unit_id("short_ton/h")
SOUND = {
    "gauge_range_low": 0.0, "gauge_range_high": 420.0, "plc_range_low": 0.0, "plc_range_high": 420.0, "nuclide_code": 137.0,
    "background_rate": 60.0, "empty_belt_rate": 5200.0,
}  # fmt: skip


def judged(
    settings: Mapping[str, float] | None = None, later: Mapping[str, float] | None = None, site: Site | None = None
) -> CheckResult:
    values = {**SOUND, **(settings or {})}
    columns = {"flow": np.ones(100), "plc_flow": np.ones(100)} | {role: np.full(100, value) for role, value in values.items()}
    for role, value in (later or {}).items():
        columns[role][60:] = value
    return setup.check(window_of(samples_by_hand(columns), site or small_site(tuple(columns))))[0]


def test_ends_that_agree_with_the_site_file() -> None:
    result = judged()
    assert result.verdict is Verdict.OK
    assert result.used == 7


@pytest.mark.parametrize(
    ("role", "value", "verdict", "fact"),
    [
        ("gauge_range_high", 500.0, Verdict.FAULT, "high_differs"),
        ("plc_range_low", 20.0, Verdict.FAULT, "low_differs"),
        ("plc_range_high", 420.1, Verdict.OK, ""),
        ("nuclide_code", 60.0, Verdict.FAULT, "nuclide_differs"),
        ("background_rate", 0.0, Verdict.SUSPECT, "background_rate_differs"),
        ("empty_belt_rate", 4900.0, Verdict.SUSPECT, "empty_belt_rate_differs"),
        ("empty_belt_rate", 5180.0, Verdict.OK, ""),
    ],
)
def test_setting_that_differs_is_named(role: str, value: float, verdict: Verdict, fact: str) -> None:
    result = judged({role: value})
    assert result.verdict is verdict
    assert not fact or result.facts[fact] == 1.0


def test_both_ends_alike_but_not_as_declared_is_doubtful_not_wrong() -> None:
    result = judged({"gauge_range_high": 500.0, "plc_range_high": 500.0})
    assert result.verdict is Verdict.SUSPECT
    assert "the site file says 420 t/h" in result.reason


def test_unit_of_the_plc_by_its_unece_id() -> None:
    """Unit ids are the UNECE codes as bytes (OPC UA Part 8); the codes themselves are tested with `config.units`."""
    assert T_H is not None
    assert SHORT_TON_H is None or SHORT_TON_H != T_H
    assert judged({"plc_unit": float(T_H)}).verdict is Verdict.OK
    wrong = judged({"plc_unit": float(T_H) + 1.0})
    assert wrong.verdict is Verdict.FAULT
    assert wrong.facts["plc_unit_differs"] == 1.0


def test_unit_is_compared_with_what_the_tag_is_measured_in() -> None:
    kilogram = unece_unit_id("kg/h")
    assert kilogram is not None
    roles = (*SOUND, "flow", "plc_flow", "plc_unit")
    site = small_site(roles)
    loop = site.loops["TB-07"]
    tags = {**loop.tags, "plc_flow": RecordedTag(measured_in="kg/h")}
    site = site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"tags": tags})}})
    assert judged({"plc_unit": float(kilogram)}, site=site).verdict is Verdict.OK
    assert judged({"plc_unit": float(T_H or 0)}, site=site).verdict is Verdict.FAULT


def test_change_is_told_with_role_old_new_unit_and_time() -> None:
    result = judged(later={"plc_range_high": 400.0})
    assert "plc_range_high went from 420 to 400 t/h at 2027-01-15 08:01:00 UTC" in result.reason
    assert result.value("change of plc_range_high") == -20.0
    assert result.facts["changes"] == 1.0


def test_nothing_read_back_says_which_tags_would_help() -> None:
    result = setup.check(window_of(samples_by_hand({"flow": np.ones(20)}), small_site(["flow"])))[0]
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "plc_range_high" in result.needs[0]
