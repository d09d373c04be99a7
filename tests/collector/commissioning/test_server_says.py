"""Unit and range that a server gives with its nodes become lines of the site file, and the check `setup` shows them for ever after."""

from __future__ import annotations

import asyncio
from typing import Any

import numpy as np
import pytest
from ruamel.yaml import YAML

from checks import setup
from checks.result import Verdict
from collector.clock import SystemClock
from collector.commissioning.server_says import hints
from collector.commissioning.survey import Survey, survey
from collector.commissioning.survey_text import text
from config.load import parse_site
from config.model import Site
from tests.checks.runs_of_terminal import samples_by_hand, window_of
from tests.collector.commissioning.plant import StandingPlant
from tests.collector.commissioning.test_browsing import written

READ_BACK = ("plc_range_low", "plc_range_high", "plc_unit")


def raw_site(plant: StandingPlant, *left_out: str, loop: str = "TB-07") -> Any:
    raw: Any = YAML(typ="safe").load(plant.text)
    raw["loops"] = {loop: raw["loops"][loop]}
    raw["loops"][loop]["tags"] = {role: tag for role, tag in raw["loops"][loop]["tags"].items() if role not in left_out}
    return raw


def surveyed(raw: Any) -> tuple[Site, Survey]:
    site = parse_site(written(raw), "terminal.yaml").site
    return site, asyncio.run(survey(site, SystemClock(), rate=50.0, wait_s=0.0))


def test_a_site_that_is_as_its_server_says_has_no_hint(plant: StandingPlant) -> None:
    _, found = surveyed(raw_site(plant))
    assert found.hints == []
    assert found.sound


def test_another_range_is_told_with_the_lines_and_makes_the_survey_a_finding(plant: StandingPlant) -> None:
    raw = raw_site(plant, *READ_BACK)
    raw["loops"]["TB-07"]["plc"]["range"]["high"] = "400 t/h"
    _, found = surveyed(raw)
    hint = found.hints[0]
    assert (hint.loop, hint.role, hint.wrong) == ("TB-07", "plc_flow", True)
    assert hint.what == "the server says its range is 0 to 420 t/h, the site file says 0 to 400 t/h"
    raw["loops"]["TB-07"]["plc"] |= YAML(typ="safe").load("\n".join(hint.lines))["plc"]
    _, again = surveyed(raw)
    assert not any(item.wrong for item in again.hints)
    assert not found.sound
    said = text(found, now=0.0)
    assert "What the servers say differs from the site file:" in said
    assert max(map(len, said.splitlines())) <= 80


def test_range_of_another_unit_is_compared_in_that_unit(plant: StandingPlant) -> None:
    raw = raw_site(plant, *READ_BACK, loop="TB-08")
    _, found = surveyed(raw)
    assert [hint.wrong for hint in found.hints] == [False]
    raw["loops"]["TB-08"]["plc"]["range"]["high"] = "661 t/h"
    _, found = surveyed(raw)
    assert "0 to 661.387 short_ton/h (0 to 600 t/h), the site file says 0 to 661 t/h" in found.hints[0].what


def test_another_unit_is_told(plant: StandingPlant) -> None:
    raw = raw_site(plant, *READ_BACK, loop="TB-08")
    raw["loops"]["TB-08"]["tags"]["plc_flow"]["measured_in"] = "long_ton/h"
    site, found = surveyed(raw)
    wrong = [hint for hint in found.hints if hint.wrong]
    assert wrong[0].what.startswith("the server says it is in short_ton/h, the site file says long_ton/h")
    assert wrong[0].lines == ("plc_flow: {measured_in: short_ton/h}",)
    assert site.loops["TB-08"].tags["plc_flow"].measured_in == "long_ton/h"


def test_what_can_be_read_back_is_offered_and_setup_then_shows_what_differs(plant: StandingPlant) -> None:
    raw = raw_site(plant, *READ_BACK)
    _, found = surveyed(raw)
    (hint,) = found.hints
    assert not hint.wrong
    assert found.sound
    raw["loops"]["TB-07"]["tags"] |= YAML(typ="safe").load("\n".join(hint.lines))
    raw["loops"]["TB-07"]["plc"]["range"]["high"] = "400 t/h"
    site, again = surveyed(raw)
    values = {item.role: item.value for item in again.tags}
    assert (values["plc_range_low"], values["plc_range_high"]) == (0.0, 420.0)
    settings = {role: np.full(100, values[role]) for role in (*READ_BACK, "gauge_range_low", "gauge_range_high")}
    result = setup.check(window_of(samples_by_hand({"flow": np.ones(100), **settings}), site))[0]
    assert result.verdict is not Verdict.OK
    assert "PLC range high is 420 t/h, the site file says 400 t/h" in result.reason


@pytest.mark.parametrize("ends", [(0.0, 0.0), (0.0, float("nan")), (420.0, 0.0), None])
def test_a_range_that_nobody_has_set_says_nothing(plant: StandingPlant, ends: tuple[float, float] | None) -> None:
    site, found = surveyed(raw_site(plant, *READ_BACK))
    for item in found.tags:
        item.said_range, item.said_unit = ends, ""
    assert hints(site, found.tags) == []
