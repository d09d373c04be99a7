from __future__ import annotations

import re

import pytest

from tests.collector.web import plant
from tests.collector.web.conftest import Serve


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/..%2Fapp.py", "/static/%2e%2e/app.py", "/static/x.css", "/static/"]
)
async def test_nothing_outside_the_static_files_is_served(serve: Serve, path: str) -> None:
    answer = await serve(plant.healthy()).get(path)
    assert answer.status_code == 404
    assert "create_app" not in answer.text


async def test_static_files_are_those_the_page_names_and_are_not_sent_twice(serve: Serve) -> None:
    served = serve(plant.healthy())
    page = (await served.get("/")).text
    named = re.findall(r'"(/static/[^"]+)"', page)
    assert len(named) == 3
    for address in named:
        first = await served.get(address)
        assert first.status_code == 200
        assert (await served.get(address, **{"If-None-Match": first.headers["etag"]})).status_code == 304


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/v1/loops/TB-99", 404),
        ("/api/v1/nothing", 404),
        ("/api/v1/alerts/none", 404),
        ("/api/v1/loops/TB-07/trend", 422),
        ("/api/v1/loops/TB-07/trend?role=flow&from=yesterday", 422),
        ("/api/v1/loops/TB-07/trend?role=flow&from=2026-03-02T13:05:00", 422),
        ("/api/v1/loops/TB-07/trend?role=moisture", 404),
    ],
)
async def test_errors_of_rest_have_one_shape(serve: Serve, path: str, status: int) -> None:
    answer = await serve(plant.healthy()).get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert {"type", "title", "status", "detail", "instance"} <= problem.keys()
    assert problem["status"] == status


async def test_errors_are_a_page_for_a_browser_and_a_problem_for_a_program(serve: Serve) -> None:
    served = serve(plant.healthy())
    page, program = await served.get("/loops/TB-99"), await served.get("/loops/TB-99", Accept="*/*")
    assert (page.status_code, program.status_code) == (404, 404)
    assert page.headers["content-type"].startswith("text/html")
    assert "TB-99" in page.text
    assert program.json()["detail"] == "this site has no loop 'TB-99'"


async def test_path_of_an_error_is_escaped(serve: Serve) -> None:
    answer = await serve(plant.healthy()).get("/loops/%3Cscript%3Ealert(1)%3C%2Fscript%3E")
    assert answer.status_code == 404
    assert "<script>alert" not in answer.text


async def test_failure_inside_is_told_without_its_traceback(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> None:
    served = serve(plant.healthy())

    def broken() -> list[object]:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(served.desk, "standing", broken)
    page, program = await served.get("/"), await served.get("/api/v1/alerts")
    assert (page.status_code, program.status_code) == (500, 500)
    assert "secret detail" not in page.text + program.text
    assert program.headers["content-type"] == "application/problem+json"


async def test_refusal_of_the_desk_keeps_its_fix(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.post(f"/api/v1/alerts/{plant.alert().id}/unshelve", json={"by": "A. Person"})
    assert answer.status_code == 409
    assert "not shelved" in answer.json()["detail"]


async def test_there_is_no_documentation_page_that_loads_from_elsewhere(serve: Serve) -> None:
    served = serve(plant.healthy())
    assert (await served.get("/docs")).status_code == 404
    assert (await served.get("/redoc")).status_code == 404
    assert (await served.get("/api/openapi.json")).json()["openapi"].startswith("3.1")


async def test_unknown_address_is_told_in_words(serve: Serve) -> None:
    answer = await serve(plant.healthy()).get("/nothing")
    assert "There is nothing at this address." in answer.text


async def test_who_looks_is_noted_and_a_scrape_or_a_probe_does_not_look(serve: Serve) -> None:
    served = serve(plant.healthy())
    for path in ("/metrics", "/api/v1/healthz", "/api/v1/readyz", "/static/tallywire.css"):
        await served.get(path)
    assert served.live.looked_at == 0.0
    for path in ("/", "/loops/TB-07", "/api/v1/loops"):
        served.live.looked_at = 0.0
        await served.get(path)
        assert served.live.looked_at == plant.NOW, path
