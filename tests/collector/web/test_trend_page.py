from __future__ import annotations

import csv
import io

import pytest

from checks.derived import EXPECTED
from collector.history.store import Event
from collector.web.drawn_roles import roles_of
from collector.web.trend_page import lettered
from tests.collector.web import plant
from tests.collector.web.conftest import Serve
from tests.collector.web.test_pages import visible


async def test_page_draws_a_panel_for_each_unit_with_its_table_and_sentence(serve: Serve) -> None:
    html = (await serve(plant.faulty()).get("/loops/TB-07/trend?span=2h&role=flow&role=plc_flow&role=count_rate")).text
    text = visible(html)
    assert html.count("data-panel") == 2
    assert "flow, PLC flow [t/h]" in text
    assert "count rate [1/s]" in text
    assert "flow: mean" in text
    assert html.count("The same as a table") == 2
    assert "times in America/Regina" in text


async def test_page_without_a_choice_draws_both_ends_of_the_last_day(serve: Serve) -> None:
    html = (await serve(plant.faulty()).get("/loops/TB-07/trend")).text
    assert 'data-roles="flow,plc_flow"' in html
    assert 'aria-current="true">1 day' in html


async def test_what_happened_is_lettered_oldest_first_and_escaped(serve: Serve) -> None:
    client = serve(plant.faulty(), plant.MemoryDesk(plant.alert(plant.NOW)))
    client.store.add_event(Event(time=plant.NOW - 20_000, loop="TB-07", kind="config-change", text="<b>range</b> changed"))
    html = (await client.get("/loops/TB-07/trend?span=1d")).text
    assert "&lt;b&gt;range&lt;/b&gt; changed" in html
    assert html.index('data-letter="A"') < html.index("&lt;b&gt;range") < html.index('data-letter="B"')
    assert "ends differ" in html


async def test_file_has_three_numbers_a_role_and_nothing_in_gaps(serve: Serve) -> None:
    answer = await serve(plant.faulty()).get("/loops/TB-07/trend.csv?from=1772452800&to=1772456400&role=flow&role=plc_flow")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[0] == [
        "time (UTC)", "flow.minimum [t/h]", "flow.mean [t/h]", "flow.maximum [t/h]", "plc_flow.minimum [t/h]",
        "plc_flow.mean [t/h]", "plc_flow.maximum [t/h]",
    ]  # fmt: skip
    assert rows[1][0] == "2026-03-02T12:00:00Z"
    assert rows[21][1:] == [""] * 6
    assert float(rows[1][1]) < float(rows[1][2]) < float(rows[1][3])


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("role=nothing", 404, "nothing to draw under"),
        ("span=9y", 422, "one of 2h"),
        ("from=soon", 422, "no time"),
        ("from=2026-03-02T12:00:00Z&to=2026-03-02T11:00:00Z", 422, "must be before"),
    ],
)
async def test_request_that_makes_no_sense_gets_one_clear_answer(serve: Serve, query: str, status: int, says: str) -> None:
    answer = await serve(plant.faulty()).get(f"/loops/TB-07/trend?{query}")
    assert answer.status_code == status
    assert says in visible(answer.text)


async def test_unknown_loop_is_not_found(serve: Serve) -> None:
    assert (await serve(plant.faulty()).get("/loops/TB-99/trend")).status_code == 404


def test_roles_that_can_be_drawn_hold_the_expected_flow_where_it_can_be_computed() -> None:
    loop = plant.site().loops["TB-07"]
    assert roles_of(loop) == ("flow", "count_rate", "ai_raw", "plc_flow")
    gauge = loop.gauge.model_copy(update={"empty_belt_rate": 5200.0, "load_per_attenuation": 153.8, "background": 60.0})
    assert EXPECTED in roles_of(loop.model_copy(update={"gauge": gauge, "tags": {**loop.tags, "speed": loop.tags["flow"]}}))


def test_letters_go_on_behind_z() -> None:
    assert [lettered(index) for index in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


async def test_page_says_that_there_is_no_history(serve: Serve) -> None:
    live = plant.faulty()
    live.problems["history"] = "the disk is gone"
    answer = await serve(live, history=False).get("/loops/TB-07/trend")
    assert answer.status_code == 503
    assert "the disk is gone" in visible(answer.text)
