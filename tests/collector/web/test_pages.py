from __future__ import annotations

import re
from dataclasses import replace

import pytest

from checks.evaluation import BeltState
from checks.result import Verdict
from collector.alerts.model import AlertState
from collector.web.words import NOT_THE_WEIGHT
from config.cautions import CAUTIONS
from config.errors import StoreError
from tests.collector.web import plant
from tests.collector.web.conftest import Serve

HOSTILE = "<script>alert('x')</script>\"><img src=x onerror=alert(1)>"


def visible(html: str) -> str:
    """The text of a page on one line, markup and no-break spaces gone."""
    text = re.sub(r"<[^>]+>", " ", html).replace("\u00a0", " ").replace("\u202f", " ").replace("&#39;", "'")
    return re.sub(r"\s+([.,:])", r"\1", " ".join(text.split()))


async def test_site_page_shows_every_loop_worst_first_with_words_and_stake(serve: Serve) -> None:
    text = visible((await serve(plant.faulty()).get("/")).text)
    assert text.index("TB-07 Reclaim") < text.index("TB-08 Rail") < text.index("TB-09 Store")
    for part in ("differs", "not evaluated", "agrees", "−186.2 t ± 4.1 t", "ends differ since 02:38 CST", "Do this next"):
        assert part in text
    assert "First: Read the upper range in the gauge and in the scaling block, side by side." in text


async def test_each_mark_has_a_shape_and_a_word_beside_its_colour(serve: Serve) -> None:
    html = (await serve(plant.faulty()).get("/")).text
    items = re.findall(r'<li class="(ok|suspect|fault|not_evaluated)[^"]*" title="([^"]+)">(.*?)</li>', html, re.S)
    assert len(items) == 10
    shapes = {verdict: re.sub(r'class="[^"]*"', "", re.findall(r"<svg.*?</svg>", item, re.S)[0]) for verdict, _, item in items}
    assert len(set(shapes.values())) == len(shapes) == 3
    for verdict, title, item in items:
        assert Verdict(verdict).words in title
        assert f'<span class="said">{Verdict(verdict).words}</span>' in item


async def test_fault_page_shows_both_numbers_the_sentence_and_the_advice(serve: Serve) -> None:
    text = visible((await serve(plant.faulty()).get("/loops/TB-07")).text)
    for part in (
        "differs S out of specification (NE 107) since",
        "218.4 t/h 260.0 t/h −41.6 t/h −9.90 % ± 0.12 0.50 % differs: PLC shows 41.6 t/h less than the gauge.",
        "no value 12.320 mA 0.50 % not evaluated: no independent current measurement.",
        "The PLC shows 0.840 of the gauge flow at every load",
        "02:38 CST between 02:37 CST and 02:39 CST (95 %)",
        "upper range 19: 1 against all other causes",
        "0.0 to 420.0 t/h",
        "ton unit 1: 25 read the unit of the flow in the gauge display.",
        "slope of PLC flow over gauge flow 0.8400 0.000800 none",
        "Find the date of the last range change at each end.",
        "Cs-137, dated 2019-05-14",
        "gauge flow: mean",
    ):
        assert part in text


@pytest.mark.parametrize("path", ["/", "/loops/TB-07", "/alerts", "/fragment", "/loops/TB-07/fragment", "/alerts/fragment"])
async def test_advice_that_sends_people_to_the_gauge_carries_every_caution(serve: Serve, path: str) -> None:
    text = visible((await serve(plant.faulty(), plant.MemoryDesk(plant.alert())).get(path)).text)
    assert all(caution in text for caution in CAUTIONS)


@pytest.mark.parametrize("path", ["/", "/loops/TB-09", "/alerts", "/tags", "/loops/TB-07"])
async def test_every_page_says_that_it_is_no_safety_function(serve: Serve, path: str) -> None:
    text = visible((await serve(plant.healthy()).get(path)).text)
    assert "Not a radiation safety function; verify with a survey meter." in text


async def test_green_chain_says_that_agreement_does_not_prove_the_weight(serve: Serve) -> None:
    text = visible((await serve(plant.healthy()).get("/loops/TB-09")).text)
    assert NOT_THE_WEIGHT in text
    assert "What is wrong" not in text
    assert "no alert since" in text


async def test_starting_says_what_it_waits_for(serve: Serve) -> None:
    served = serve(plant.live())
    assert "no evaluation yet: needs 12 s of data" in visible((await served.get("/")).text)
    assert "The first verdict needs 12 s of data." in visible((await served.get("/loops/TB-07")).text)


async def test_old_data_are_called_old_loudly(serve: Serve) -> None:
    served = serve(plant.stale())
    site, loop = visible((await served.get("/")).text), visible((await served.get("/loops/TB-07")).text)
    assert "What stands here is old" in site
    assert "last evaluated 07:00:00 CST, 5 min ago" in site
    assert "Do not act on these numbers before data come again." in loop
    assert "Tallywire itself has a problem history: disk full, verifying in memory" in site
    assert site.index("Tallywire itself has a problem") < site.index("Do this next")


async def test_loop_page_stays_open_without_its_trend_where_the_history_cannot_be_read(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: object) -> None:
        raise StoreError("the database is away (connection refused)", where="postgresql")

    served = serve(plant.faulty())
    monkeypatch.setattr(served.store, "trend", away)
    for path in ("/loops/TB-07", "/loops/TB-07/fragment"):
        answer = await served.get(path)
        text = visible(answer.text)
        assert answer.status_code == 200
        assert "The history cannot be read now: the database is away (connection refused)." in text
        assert "The PLC shows 0.840 of the gauge flow at every load" in text


async def test_lost_endpoint_is_named_with_its_loops(serve: Serve) -> None:
    text = visible((await serve(plant.lost()).get("/")).text)
    assert "plc (opcua) does not answer: no answer within 4 s, since 07:00 CST. It carries TB-07, TB-08, TB-09." in text


async def test_page_works_without_a_history_and_with_nothing_but_a_verdict(serve: Serve) -> None:
    live = plant.healthy()
    bare = replace(live.evaluations["TB-07"], chain=(), results=(), state=BeltState.UNKNOWN, suppressed="maintenance")
    live.evaluations["TB-07"] = bare
    text = visible((await serve(live, history=False).get("/loops/TB-07")).text)
    assert "No history to draw yet." in text
    assert "belt state not known, alerts held back by design: maintenance" in text


async def test_tags_page_shows_value_quality_age_and_registers(serve: Serve) -> None:
    text = visible((await serve(plant.faulty()).get("/tags")).text)
    assert "flow mass flow the gauge reports 260.0 t/h good 0 s 17282 0 = 0x 4382 0000 gauge-07 holding 10 float32 ABCD" in text
    assert "no value bad: invalid marker" in text
    assert "never read" in text


async def test_alert_is_acknowledged_by_a_typed_name(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.post(f"/alerts/{plant.alert().id}/acknowledge", data=served.form(name=" R. Sandhu "))
    assert (answer.status_code, answer.headers["location"]) == (303, f"/alerts#{plant.alert().id}")
    text = visible((await served.get("/alerts")).text)
    assert "Acknowledged by R. Sandhu 07:05 CST." in text
    assert "stands, acknowledged by R. Sandhu" in text


async def test_alert_is_shelved_with_a_reason_and_comes_back(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    fields = served.form(name="R. Sandhu", reason="range change under way", hours="8")
    assert (await served.post(f"/alerts/{plant.alert().id}/shelve", data=fields)).status_code == 303
    shelved = served.desk.alerts[plant.alert().id]
    assert (shelved.state, shelved.shelved_until) == (AlertState.SHELVED, plant.NOW + 8 * 3600)
    assert "Shelved by R. Sandhu until 15:05 CST: range change under way" in visible((await served.get("/alerts")).text)
    await served.post(f"/alerts/{plant.alert().id}/unshelve", data=served.form(name="R. Sandhu"))
    assert served.desk.alerts[plant.alert().id].state is AlertState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("action", "fields", "said"),
    [
        ("acknowledge", {}, "A name is missing."),
        ("shelve", {"name": "A", "hours": "8"}, "A reason is missing."),
        (
            "shelve",
            {"name": "A", "reason": "b", "hours": "9999"},
            "Hours: a number from above 0 to 720 is needed.",
        ),
        ("unshelve", {"name": "A"}, "The alert is not shelved."),
    ],
)
async def test_what_is_wrong_with_a_form_is_said_on_the_page(
    serve: Serve, action: str, fields: dict[str, str], said: str
) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    answer = await served.post(f"/alerts/{plant.alert().id}/{action}", data=served.form(**fields))
    assert answer.status_code == 422
    assert f"Nothing was changed {said}" in visible(answer.text)
    assert len(served.desk.log) == 1


@pytest.mark.parametrize("path", ["/alerts/none/acknowledge", "/alerts/TB-07-scaling-block-1/delete"])
async def test_unknown_alert_or_action_is_not_found(serve: Serve, path: str) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    assert (await served.post(path, data=served.form(name="A. Person"))).status_code == 404


async def test_hostile_name_and_reason_are_shown_as_text(serve: Serve) -> None:
    served = serve(plant.faulty(), plant.MemoryDesk(plant.alert()))
    fields = served.form(name=HOSTILE, reason=HOSTILE, hours="1")
    assert (await served.post(f"/alerts/{plant.alert().id}/shelve", data=fields)).status_code == 303
    html = (await served.get("/alerts")).text
    assert "<script>alert" not in html
    assert "<img" not in html
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;" in html


async def test_hostile_texts_from_the_plant_are_shown_as_text(serve: Serve) -> None:
    live = plant.lost()
    live.endpoints["plc"].reason = HOSTILE
    live.problems["history"] = HOSTILE
    live.readings["TB-08", "flow"] = live.readings["TB-08", "flow"]._replace(reason=HOSTILE)
    served = serve(live)
    for path in ("/", "/loops/TB-07", "/tags"):
        html = (await served.get(path)).text
        assert "<script>alert" not in html
        assert "<img" not in html


async def test_past_alerts_are_listed_below_the_standing_ones(serve: Serve) -> None:
    gone = plant.alert(id="TB-09-counts-3", loop="TB-09", state=AlertState.NORMAL, active=False, returned=plant.NOW - 12_300)
    text = visible((await serve(plant.healthy(), plant.MemoryDesk(gone)).get("/alerts")).text)
    assert "No alert stands." in text
    assert "TB-09: ends differ raised 08:40 CST" in text or "stood 60 min" in text


async def test_loop_whose_alert_stands_does_not_agree_though_nothing_shows_it_now(serve: Serve) -> None:
    live = plant.healthy()
    live.standing["TB-07"] = (plant.finding(),)
    served = serve(live, plant.MemoryDesk(plant.alert(plant.NOW)))
    text = visible((await served.get("/loops/TB-07")).text)
    assert "TB-07 Reclaim to ship loader differs" in text
    assert "nothing shows it at this moment" in text
    site = visible((await served.get("/")).text)
    assert site.index("TB-07") < site.index("TB-08")
