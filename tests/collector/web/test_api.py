from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from collector.history.store import Event
from collector.web import times
from collector.web.schemas import REST_VERSION
from tests.collector.web import plant
from tests.collector.web.conftest import Serve

GETS = (
    "/site", "/loops", "/loops/TB-07", "/loops/TB-07/trend?role=flow", "/loops/TB-07/findings", "/tags", "/tags?loop=TB-08",
    "/alerts", "/alerts?from=2026-03-01T00:00:00Z", "/alerts/TB-07-scaling-block-1", "/endpoints", "/events", "/healthz",
    "/readyz",
)  # fmt: skip


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is no JSON")


async def ask(serve: Serve, path: str, **headers: str) -> Any:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    served.store.add_event(Event(time=plant.NOW - 60, loop="TB-07", kind="config-change", text="site file changed", new="5d1f"))
    answer = await served.get(f"/api/v1{path}", **headers)
    assert answer.status_code == 200, answer.text
    return json.loads(answer.text, parse_constant=refuse)


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    """The description of the interface, made by the first test that asks for it."""
    return {}


@pytest.mark.parametrize("path", GETS)
async def test_every_answer_keeps_to_the_published_schema(serve: Serve, published: dict[str, Any], path: str) -> None:
    document = published or (await serve(plant.faulty()).get("/api/openapi.json")).json()
    published.update(document)
    found = await ask(serve, path)
    template = {"TB-07-scaling-block-1": "{alert}", "TB-07": "{loop}"}
    route = "/api/v1" + path.partition("?")[0]
    for value, name in template.items():
        route = route.replace(f"/{value}", f"/{name}")
    schema = document["paths"][route]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(found, {**schema, "components": document["components"]}, cls=jsonschema.Draft202012Validator)


async def test_evaluation_has_null_for_what_is_missing(serve: Serve) -> None:
    found = await ask(serve, "/loops/TB-07")
    assert found["verdict"] == "fault"
    assert found["time"] == "2026-03-02T13:05:00Z"
    current = next(row for row in found["chain"] if row["link"] == "current")
    assert (current["shown"], current["expected"]) == (None, 12.32)
    calibration = next(item for item in found["checks"] if item["check"] == "calibration")
    assert calibration["evidence"][0]["value"] is None
    assert found["findings"][0]["implied"] == {"range_low": 0.0, "range_high": 420.0, "unit": "t/h"}
    assert found["findings"][0]["cautions"]


async def test_site_says_the_version_of_rest(serve: Serve) -> None:
    assert (await ask(serve, "/site"))["rest"] == REST_VERSION == 1


async def test_loops_stand_worst_first(serve: Serve) -> None:
    assert [item["loop"] for item in await ask(serve, "/loops")] == ["TB-07", "TB-08", "TB-09"]


async def test_trend_has_null_in_gaps_and_keeps_to_its_time(serve: Serve) -> None:
    found = await ask(serve, "/loops/TB-07/trend?role=flow&from=2026-03-02T12:00:00Z&to=2026-03-02T13:00:00%2B00:00")
    assert (found["begin"], found["end"], len(found["time"])) == ("2026-03-02T12:00:00Z", "2026-03-02T13:00:00Z", 60)
    assert found["mean"][20] is None
    assert found["minimum"][0] < found["mean"][0] < found["maximum"][0]


@pytest.mark.parametrize(
    "query", ["from=5&to=5", "from=9&to=8", "from=nan", "from=-1", "from=1e99", "from=0", "points=9", "points=5001"]
)
async def test_times_that_cannot_be_are_refused(serve: Serve, query: str) -> None:
    answer = await serve(plant.faulty()).get(f"/api/v1/loops/TB-07/trend?role=flow&{query}")
    assert answer.status_code == 422


def test_plus_sign_of_a_zone_survives_a_query() -> None:
    assert times.moment("2026-03-02T07:05:04-06:00", 0, "from") == plant.NOW
    assert times.moment("2026-03-02T14:05:04 01:00", 0, "from") == plant.NOW
    assert times.moment(None, 7.0, "from") == 7.0


async def test_tag_that_was_never_read_is_said(serve: Serve) -> None:
    rows = await ask(serve, "/tags?loop=TB-08")
    by_role = {row["role"]: row for row in rows}
    assert by_role["flow"]["quality"] == "bad"
    assert by_role["flow"]["value"] is None
    assert by_role["plc_flow"]["quality"] == "never read"


async def test_alert_carries_its_history(serve: Serve) -> None:
    assert [item["new"] for item in (await ask(serve, "/alerts/TB-07-scaling-block-1"))["transitions"]] == ["unacknowledged"]


async def test_events_of_a_loop(serve: Serve) -> None:
    assert [item["kind"] for item in await ask(serve, "/events?loop=TB-07")] == ["config-change"]
    assert await ask(serve, "/events?loop=TB-08") == []


async def test_acknowledge_shelve_unshelve(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    base = f"/api/v1/alerts/{plant.alert().id}"
    acknowledged = await served.post(f"{base}/acknowledge", json={"by": "R. Sandhu"})
    shelved = await served.post(f"{base}/shelve", json={"by": "R. Sandhu", "reason": "range change", "hours": 2})
    back = await served.post(f"{base}/unshelve", json={"by": "R. Sandhu"})
    assert [answer.json()["state"] for answer in (acknowledged, shelved, back)] == ["acknowledged", "shelved", "unacknowledged"]
    assert shelved.json()["shelved_until"] == "2026-03-02T15:05:04Z"
    assert len(back.json()["transitions"]) == 4


@pytest.mark.parametrize(
    ("action", "body"),
    [
        ("acknowledge", {}),
        ("acknowledge", {"by": "  "}),
        ("acknowledge", {"by": "x" * 81}),
        ("acknowledge", {"by": "A", "also": 1}),
        ("shelve", {"by": "A", "reason": "b"}),
        ("shelve", {"by": "A", "reason": "b", "hours": 721}),
        ("shelve", {"by": "A", "reason": " ", "hours": 1}),
        ("unshelve", {"by": 7}),
    ],
)
async def test_bodies_that_do_not_fit_change_nothing(serve: Serve, action: str, body: dict[str, object]) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.post(f"/api/v1/alerts/{plant.alert().id}/{action}", json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert len(served.desk.log) == 1


async def test_body_that_is_no_json_is_told(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    async with served.client(**{"Content-Type": "application/json"}) as client:
        answer = await client.post(f"/api/v1/alerts/{plant.alert().id}/acknowledge", content=b"{\xff")
    assert answer.status_code in (400, 422)
    assert answer.json()["detail"]


async def test_ready_only_with_fresh_evaluations_of_all_loops(serve: Serve) -> None:
    states = {"ready": plant.healthy(), "starting": plant.live(), "stale": plant.stale()}
    found = {name: await serve(state).get("/api/v1/readyz") for name, state in states.items()}
    assert {name: answer.status_code for name, answer in found.items()} == {"ready": 200, "starting": 503, "stale": 503}
    assert found["stale"].json()["detail"] == "no fresh evaluation of TB-07, TB-08, TB-09"
    assert (await serve(plant.live()).get("/api/v1/healthz")).json()["status"] == "live"


async def test_loop_without_evaluation_says_when_to_ask_again(serve: Serve) -> None:
    answer = await serve(plant.live()).get("/api/v1/loops/TB-07")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "12")
    assert "12 s of data" in answer.json()["detail"]


async def test_without_history_trends_and_events_say_so(serve: Serve) -> None:
    live = plant.faulty()
    live.problems["history"] = "disk full"
    served = serve(live, history=False)
    for path in ("/loops/TB-07/trend?role=flow", "/events"):
        answer = await served.get(f"/api/v1{path}")
        assert (answer.status_code, answer.json()["detail"]) == (503, "there is no history: disk full")


async def test_openapi_gives_an_example_for_every_answer(serve: Serve) -> None:
    document = (await serve(plant.healthy()).get("/api/openapi.json")).json()
    for name in ("SiteOut", "LoopOut", "LinkOut", "TagOut", "EndpointOut", "EventOut", "ProblemOut"):
        properties = document["components"]["schemas"][name]["properties"]
        assert any("examples" in item for item in properties.values()), name
    assert all(path.startswith("/api/v1/") for path in document["paths"])
