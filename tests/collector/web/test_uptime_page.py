"""The page of uptime, its file, REST and corrections."""

from __future__ import annotations

import pytest

from checks.blocks import Blocks
from checks.reliability.timeline import LoopState
from tests.checks.reliability.test_timeline import BEGIN, blocks
from tests.collector.web import plant
from tests.collector.web.conftest import Serve, Served


class Rolled(plant.MemoryStore):
    """Twelve loaded hours, of which the last has no usable flow."""

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Blocks | None:
        every = blocks([(minute, "loaded", 1.0 if minute < 660 else 0.0) for minute in range(720)])
        kept = (every.start_s >= begin) & (every.start_s < end)
        return every[slice(int(kept.argmax()), int(kept.argmax() + kept.sum()))] if length_s == 60 and kept.any() else None


@pytest.fixture
def served(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> Served:
    monkeypatch.setattr(plant, "MemoryStore", Rolled)
    return serve(plant.healthy())


def form(served: Served, **changed: str) -> dict[str, str]:
    sent = {
        "loop": next(iter(served.live.site.loops)), "state": "maintenance", "from": "2026-03-02T04:00",
        "to": "2026-03-02T05:00", "name": "R. Ortega", "reason": "belt was changed <b>",
    }  # fmt: skip
    return served.form(**(sent | changed))


async def test_the_page_says_the_two_numbers_first_and_the_definitions_last(served: Served) -> None:
    answer = await served.get("/uptime?span=week")
    assert answer.status_code == 200
    text = answer.text
    assert text.index("available,") < text.index("not measuring,") < text.index("<h2>Definitions")
    assert "s-not-measuring" in text


async def test_rest_and_file_give_what_the_page_shows(served: Served) -> None:
    body = (await served.get("/api/v1/uptime?span=week")).json()
    first = body["loops"][0]
    assert first["hours"]["not measuring"] == 1.0
    assert first["availability"] == pytest.approx(1.0 - 1.0 / first["required_h"])
    answer = await served.get("/uptime.csv?span=week")
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.text.startswith("loop,from,to,availability,")


async def test_metrics_tell_the_availability_of_the_last_30_days(served: Served) -> None:
    loop = next(iter(served.live.site.loops))
    shown = (await served.get("/metrics")).text
    line = next(line for line in shown.splitlines() if line.startswith(f'tallywire_availability_ratio{{loop="{loop}"}}'))
    assert float(line.split()[-1]) == pytest.approx(11 / 12)


async def test_a_correction_is_kept_with_name_and_reason_and_shown(served: Served) -> None:
    answer = await served.post("/uptime?span=week", data=form(served))
    assert answer.status_code == 303
    (kept,) = served.store.corrections
    assert (kept.state, kept.by, kept.made) == (LoopState.MAINTENANCE, "R. Ortega", plant.NOW)
    assert "belt was changed &lt;b&gt;" in (await served.get("/uptime?span=week")).text


@pytest.mark.parametrize(
    "changed", [{"name": " "}, {"reason": ""}, {"to": "2026-03-02T03:00"}, {"state": "fine"}, {"loop": "x"}]
)
async def test_a_correction_that_does_not_fit_is_refused_with_the_reason(served: Served, changed: dict[str, str]) -> None:
    answer = await served.post("/uptime?span=week", data=form(served, **changed))
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert served.store.corrections == []


@pytest.mark.parametrize(("query", "status"), [("loop=none", 404), ("span=year", 422), ("day=x", 422), ("day=2999-01-01", 422)])
async def test_a_request_that_does_not_fit_is_refused(served: Served, query: str, status: int) -> None:
    assert (await served.get(f"/uptime?{query}")).status_code == status


async def test_a_form_of_an_earlier_run_is_refused(served: Served) -> None:
    assert (await served.post("/uptime", data=form(served) | {"token": "old"})).status_code == 403


def test_the_fabricated_time_is_today() -> None:
    assert plant.NOW - 86400 < BEGIN < plant.NOW
