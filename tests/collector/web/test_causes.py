"""The catalogue on pages and in REST; the correction and the shifts of a finding."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.causes import registry
from checks.result import CheckResult, Link, Verdict
from config.cautions import CAUTIONS
from tests.collector.web import plant
from tests.collector.web.conftest import Serve


async def test_catalogue_page_links_every_cause_and_says_what_each_loop_can_tell_apart(serve: Serve) -> None:
    page = (await serve(plant.healthy()).get("/causes")).text
    for cause in registry():
        assert f'href="/causes/{cause}"' in page
    assert "only in a set" in page
    assert '<a href="/loops/TB-07">TB-07</a>' in page


async def test_cause_page_has_formula_checks_look_alikes_and_cautions(serve: Serve) -> None:
    served = serve(plant.healthy())
    page = (await served.get("/causes/build-up")).text
    assert "6.84 t/h per kg/m2" in page
    assert "Look at belt, frame and detector cover." in page
    assert 'href="/causes/wet-belt"' in page
    assert all(caution in page for caution in CAUTIONS)
    assert CAUTIONS[0] not in (await served.get("/causes/total-time-base")).text


@pytest.mark.parametrize("path", ["/causes/nothing", "/api/v1/causes/nothing", "/causes/%3Cb%3E"])
async def test_unknown_cause_is_404(serve: Serve, path: str) -> None:
    answer = await serve(plant.healthy()).get(path)
    assert answer.status_code == 404
    assert "<b>" not in answer.text


async def test_rest_gives_the_catalogue_and_one_cause(serve: Serve) -> None:
    served = serve(plant.healthy())
    whole = (await served.get("/api/v1/causes")).json()
    assert len(whole["causes"]) == 76
    assert {item["loop"] for item in whole["loops"]} == set(served.live.site.loops)
    one = (await served.get("/api/v1/causes/upper-range")).json()
    assert one in whole["causes"]


async def test_finding_shows_what_puts_it_right_and_the_tonnes_of_each_shift_and_links_its_causes(serve: Serve) -> None:
    page = (await serve(plant.faulty()).get("/loops/TB-07")).text
    assert "Enter 500 t/h as flow at 20 mA in the PLC" in page
    assert "Slope 0.8400 becomes 1.0000" in page
    assert "Tonnes of the last 2 shifts" in page
    assert "116.2" in page
    assert 'href="/causes/upper-range"' in page
    assert 'href="/causes/ton-unit"' in page


async def test_rest_finding_carries_correction_and_shifts(serve: Serve) -> None:
    (found,) = (await serve(plant.faulty()).get("/api/v1/loops/TB-07/findings")).json()
    assert found["correction"]["enter"] == 500.0
    assert found["correction"]["after"]["slope"] == 1.0
    assert [part["tonnes"] for part in found["by_shift"]] == [-70.0, -116.2]


async def test_weight_that_lots_prove_takes_the_place_of_the_warning(serve: Serve) -> None:
    state = plant.healthy()
    page = (await serve(state).get("/loops/TB-07")).text
    assert "Agreement does not prove the weight" in page
    known = state.evaluations["TB-07"]
    truth = CheckResult(check="truth", link=Link.TOTALS, verdict=Verdict.OK, reason="the tonnes are right: 4 lots")
    state.take_evaluation(replace(known, results=(*known.results, truth)))
    page = (await serve(state).get("/loops/TB-07")).text
    assert "The tonnes are right: 4 lots. It was weighed then" in page
    assert "Agreement does not prove the weight" not in page
