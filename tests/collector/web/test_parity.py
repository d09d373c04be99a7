"""Whatever a page shows or takes, REST gives and takes too, described and with examples that are true."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest

from checks.reliability.timeline import LoopState
from collector.web import openapi
from config.cautions import CAUTIONS
from tests.browser import places
from tests.collector.web import plant
from tests.collector.web.conftest import Serve, Served
from tests.collector.web.locked import every_route
from tests.collector.web.test_uptime_page import Rolled

TWINS: dict[str, tuple[str, ...]] = {
    "/": ("get /site", "get /loops", "get /endpoints"),
    "/loops/{loop}": (
        "get /loops/{loop}", "get /loops/{loop}/declared", "get /loops/{loop}/findings", "get /loops/{loop}/trend", "get /tags",
        "get /endpoints", "get /alerts",
    ),
    "/loops/{loop}/trend": ("get /loops/{loop}/trend", "get /loops/{loop}/declared", "get /events", "get /alerts"),
    "/loops/{loop}/lines": ("get /loops/{loop}/lines",),
    "/alerts": ("get /alerts", "get /alerts/{alert}", "get /alerts/holds"),
    "/alerts/performance": ("get /alerts/performance",),
    "/deliveries": ("get /deliveries",),
    "post /deliveries/{name}/test": ("post /deliveries/{name}/test",),
    "post /deliveries/messages/{number}/resend": ("post /deliveries/messages/{number}/resend",),
    "post /alerts/{alert}/out-of-service": ("post /alerts/{alert}/out-of-service",),
    "post /alerts/{alert}/restore": ("post /alerts/{alert}/restore",),
    "post /alerts/{alert}/accept": ("post /alerts/{alert}/accept",),
    "post /alerts/holds/{number}/end": ("post /alerts/holds/{number}/end",),
    "/tags": ("get /tags",),
    "/uptime": ("get /uptime",),
    "/causes": ("get /causes",),
    "/causes/{cause}": ("get /causes/{cause}",),
    "/account": ("get /access/me",),
    "/accounts": ("get /access/accounts", "get /access/tokens"),
    "/audit": ("get /access/audit", "get /access/audit/verify"),
    "post /accounts": ("post /access/accounts",),
    "post /accounts/{name}/{action}": (
        "post /access/accounts/{name}/role", "post /access/accounts/{name}/password",
        "post /access/accounts/{name}/disable", "post /access/accounts/{name}/enable",
    ),
    "post /accounts/tokens": ("post /access/tokens",),
    "post /accounts/tokens/{number}/revoke": ("post /access/tokens/{number}/revoke",),
    "/records": ("get /records", "get /records/verify"),
    "/records/{number}": ("get /records/{number}",),
    "/totals": ("get /totals",),
    "/loops/{loop}/totals": ("get /loops/{loop}/totals",),
    "post /totals/close": ("post /loops/{loop}/totals/close",),
    "post /totals/restate": ("post /accounts/{number}/restate",),
    "/verify": ("post /exports",),
    "/verify/{key}": ("get /exports/{key}",),
    "post /verify": ("post /exports",),
    "post /verify/{key}": ("post /exports/{key}/answers",),
    "/survey": ("get /survey",),
    "post /survey": ("post /survey", "post /survey/stop"),
    "/loops/{loop}/check": ("get /loops/{loop}/check",),
    "post /loops/{loop}/check": ("post /loops/{loop}/check", "post /loops/{loop}/check/finish"),
    "/plan": ("get /plans",),
    "/loops/{loop}/plan": ("get /loops/{loop}/plan",),
    "/sources": ("get /sources",),
    "/fleet": ("get /fleet",),
    "/loops/{loop}/calibration": ("get /loops/{loop}/calibration", "post /loops/{loop}/calibration"),
    "post /loops/{loop}/calibration": ("post /loops/{loop}/calibration/record",),
    "/init": ("get /site-file/questions",),
    "/init/{key}": ("get /site-file/questions", "post /site-file", "get /site-file/look"),
    "post /init": ("get /site-file/questions",),
    "post /init/{key}": ("post /site-file", "post /site-file/look", "post /site-file/look/stop"),
    "post /alerts/{alert}/{action}": (
        "post /alerts/{alert}/acknowledge", "post /alerts/{alert}/shelve", "post /alerts/{alert}/unshelve",
    ),
    "post /uptime": ("post /uptime/corrections",),
    "post /records": ("post /records/chain-report",),
    "post /records/restate": ("post /records/{number}/restate",),
}  # fmt: skip
"""Pages and forms, and where REST has the same."""
ALONE = {"/login", "post /login", "post /logout", "post /account/password", "post /account/others"}
"""What is about the session of a browser: a program has a token instead and no session."""


@pytest.fixture
def served(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> Served:
    monkeypatch.setattr(plant, "MemoryStore", Rolled)
    return serve(plant.faulty(), plant.MemoryDesk(plant.alert()))


async def document_of(served: Served) -> dict[str, Any]:
    found: dict[str, Any] = (await served.get("/api/openapi.json")).json()
    return found


async def test_every_page_and_form_has_its_twin(served: Served) -> None:
    document = await document_of(served)
    offered = {f"{method} {path.removeprefix('/api/v1')}" for path, method, _ in openapi.operations(document)}
    routes = every_route(served.app)
    assert len(routes) > 60
    for method, path in routes:
        if path.startswith("/api/") or path.endswith(places.NO_PAGES):
            continue
        name = path if method == "GET" else f"{method.lower()} {path}"
        if name in ALONE:
            continue
        assert TWINS.get(name), f"{name} has no twin"
        assert set(TWINS[name]) <= offered, name


async def test_every_operation_is_described_and_every_example_fits_its_schema(served: Served) -> None:
    document = await document_of(served)
    for path, method, operation in openapi.operations(document):
        where = f"{method} {path}"
        assert operation.get("summary"), where
        assert operation.get("description"), where
        good = [answer for status, answer in operation["responses"].items() if status.startswith("2")]
        assert len(good) == 1, where
        schema = good[0]["content"]["application/json"]["schema"]
        assert schema.get("$ref") or schema.get("items", {}).get("$ref"), f"{where} answers with no model"
        for body in openapi.bodies(operation):
            whole = {**body["schema"], "components": document["components"]}
            jsonschema.validate(body["example"], whole, cls=jsonschema.Draft202012Validator)


async def test_errors_are_told_as_problems_as_the_document_says(served: Served) -> None:
    document = await document_of(served)
    answers = document["paths"]["/api/v1/loops/{loop}"]["get"]["responses"]
    assert list(answers["404"]["content"]) == ["application/problem+json"]
    refused = await served.get("/api/v1/loops/TB-99")
    assert refused.headers["content-type"] == "application/problem+json"
    schema = {"$ref": "#/components/schemas/ProblemOut", "components": document["components"]}
    jsonschema.validate(refused.json(), schema, cls=jsonschema.Draft202012Validator)


async def test_site_says_what_to_do_next_with_the_cautions(served: Served) -> None:
    found = (await served.get("/api/v1/site")).json()
    assert found["standing"] == "3 loops: 1 differs, 1 cannot be evaluated, 1 agrees."
    assert found["next"]["loop"] == "TB-07"
    assert found["next"]["headline"].startswith("Begin with TB-07: The PLC shows 0.840")
    assert found["next"]["cautions"] == list(CAUTIONS)


async def test_line_of_a_loop_carries_what_its_row_on_the_site_page_shows(served: Served) -> None:
    rows = {row["loop"]: row for row in (await served.get("/api/v1/loops")).json()}
    first = rows["TB-07"]
    assert (first["verdict"], first["ne_107"], first["lead"], first["tonnes"]) == ("fault", "S", "ends differ", -186.2)
    assert first["since"] == "2026-03-02T08:38:24Z"
    assert first["no_alert_since"] is None
    assert rows["TB-09"]["no_alert_since"] == "2026-03-02T07:31:44Z"


async def test_declared_tags_and_lines(served: Served) -> None:
    declared = (await served.get("/api/v1/loops/TB-07/declared")).json()
    assert (declared["nuclide"], declared["reference_date"], declared["gauge_range_high"]) == ("Cs-137", "2019-05-14", 500.0)
    assert {"role": "plc_flow", "meaning": "mass flow after the PLC scaling block", "unit": "t/h"} in declared["roles"]
    tag = next(row for row in (await served.get("/api/v1/tags?loop=TB-07")).json() if row["role"] == "flow")
    assert (tag["stale"], tag["where"]) == (False, "gauge-07 holding 10 float32 ABCD")
    lines = (await served.get("/api/v1/loops/TB-07/lines")).json()
    assert [line["verdict"] for line in lines] == ["fault"]
    assert len(lines[0]["time"]) == len(lines[0]["x_t_h"]) == len(lines[0]["y_t_h"]) > 100


async def test_correction_of_uptime_is_taken_with_name_and_reason_and_shows_at_once(served: Served) -> None:
    body = {
        "loop": "TB-07", "begin": "2026-03-02T10:00:00Z", "end": "2026-03-02T05:00:00-06:00", "state": "maintenance",
        "by": " R. Ortega ", "reason": "housing opened",
    }  # fmt: skip
    made = await served.post("/api/v1/uptime/corrections", json=body)
    assert made.status_code == 201, made.text
    assert (made.json()["by"], made.json()["end"]) == ("R. Ortega", "2026-03-02T11:00:00Z")
    assert served.store.corrections[0].state is LoopState.MAINTENANCE
    found = (await served.get("/api/v1/uptime?loop=TB-07&day=2026-03-02")).json()
    assert found["loops"][0]["corrections"] == [made.json()]
    assert {"maintenance"} == {
        item["state"]
        for item in found["loops"][0]["intervals"]
        if item["begin"] >= "2026-03-02T10:00:00Z" and item["end"] <= "2026-03-02T11:00:00Z"
    }


@pytest.mark.parametrize(
    "changed",
    [
        {"by": " "}, {"reason": ""}, {"loop": "TB-99"}, {"state": "fine"}, {"begin": "2026-03-02T10:00:00"},
        {"end": "2026-03-02T09:00:00Z"}, {"end": "2027-03-02T09:00:00Z"}, {"also": 1},
    ],
)  # fmt: skip
async def test_correction_that_does_not_fit_is_refused_and_nothing_is_kept(served: Served, changed: dict[str, object]) -> None:
    body = {
        "loop": "TB-07", "begin": "2026-03-02T10:00:00Z", "end": "2026-03-02T11:00:00Z", "state": "maintenance",
        "by": "R. Ortega", "reason": "housing opened",
    }  # fmt: skip
    answer = await served.post("/api/v1/uptime/corrections", json=body | changed)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert served.store.corrections == []
