"""Orders that outlast an alert, on the page and over REST; figures of the alarm system; the deliveries and their messages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.alerts.model import AlertState
from collector.history.tables import OUTBOX
from config.cautions import CAUTIONS
from tests.collector.web import plant
from tests.collector.web.alarmed import DAY, URL, Alarmed
from tests.collector.web.test_pages import visible

ID = "TB-07-scaling-block-1"


@pytest.fixture
def alarmed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Alarmed]:
    monkeypatch.setenv("ON_CALL_URL", URL)
    made = Alarmed(tmp_path)
    yield made
    made.close()


def state_of(alarmed: Alarmed, alert: str = ID) -> AlertState:
    found = alarmed.book.find(alert)
    assert found is not None
    return found.state


async def test_page_says_why_an_alert_is_one_how_often_it_came_back_and_what_belongs_to_it(alarmed: Alarmed) -> None:
    text = visible((await alarmed.get("/alerts")).text)
    assert "came back 1 time, last 06:15 CST" in text
    assert "Act within 59 min: about 20 t/h are booked wrongly while it lasts." in text
    assert "2 other alerts are held back as its consequences." in text
    assert "A consequence of TB-07-communication-1" in text
    assert text.count("TB-07: ends differ") == 1


async def test_finding_is_accepted_on_the_page_and_that_is_shown_with_its_owner_and_limit(alarmed: Alarmed) -> None:
    fields = alarmed.form(name="R. Sandhu", owner="B. Ostrander", reason="waits for the shutdown", days="30", grow="5,5")
    answer = await alarmed.post(f"/alerts/{ID}/accept", data=fields)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/alerts#{ID}")
    text = visible((await alarmed.get("/alerts")).text)
    assert "accepted ( upper range ) by B. Ostrander until" in text
    assert "or until its rate error is above 25.9 t/h (20.4 t/h then). Reason: waits for the shutdown." in text
    assert state_of(alarmed) is AlertState.SHELVED
    (hold,) = alarmed.book.holds()
    assert (await alarmed.post(f"/alerts/holds/{hold.id}/end", data=alarmed.form(name="A. Meyer"))).status_code == 303
    assert state_of(alarmed) is AlertState.UNACKNOWLEDGED
    assert "Silent by order" not in visible((await alarmed.get("/alerts")).text)


async def test_link_is_taken_out_of_service_and_put_back_on_the_page(alarmed: Alarmed) -> None:
    fields = alarmed.form(name="R. Ortega", reason="the gauge is exchanged", hours="24")
    assert (await alarmed.post(f"/alerts/{ID}/out-of-service", data=fields)).status_code == 303
    text = visible((await alarmed.get("/alerts")).text)
    assert "TB-07, scaling-block: out of service by R. Ortega until" in text
    assert (await alarmed.post(f"/alerts/{ID}/restore", data=alarmed.form(name="R. Ortega"))).status_code == 303
    assert state_of(alarmed) is AlertState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("action", "fields", "said"),
    [
        (
            "accept",
            {"name": "A", "owner": "B", "reason": "c", "days": "400", "grow": "1"},
            "Days: a number from above 0 to 366 is needed.",
        ),
        ("accept", {"name": "A", "owner": "", "reason": "c", "days": "4", "grow": "1"}, "An owner is missing."),
        (
            "accept",
            {"name": "A", "owner": "B", "reason": "c", "days": "4", "grow": "-1"},
            "Growth: a number from 0 to 1e+06 is needed.",
        ),
        ("accept", {"name": "A", "owner": "B", "reason": "c", "days": "4"}, "It is not said by how much it may grow"),
        ("out-of-service", {"name": "A", "reason": "", "hours": "1"}, "A reason is missing."),
        ("out-of-service", {"name": "A", "reason": "b", "hours": "nan"}, "Hours: a number from above 0 to 2160 is needed."),
        ("restore", {"name": "A"}, "The alert is not out of service."),
        ("restore", {}, "A name is missing."),
    ],
)
async def test_what_is_wrong_with_an_order_is_said_and_nothing_changes(
    alarmed: Alarmed, action: str, fields: dict[str, str], said: str
) -> None:
    answer = await alarmed.post(f"/alerts/{ID}/{action}", data=alarmed.form(**fields))
    assert answer.status_code == 422
    assert said in visible(answer.text)
    assert state_of(alarmed) is AlertState.UNACKNOWLEDGED
    assert alarmed.book.holds() == []


@pytest.mark.parametrize(
    "path", [f"/alerts/{ID}/accept", "/alerts/holds/1/end", "/deliveries/shift/test", "/deliveries/messages/1/resend"]
)
async def test_form_without_our_token_is_refused(alarmed: Alarmed, path: str) -> None:
    assert (await alarmed.post(path, data={"name": "A", "token": "other"})).status_code == 403


async def test_orders_over_rest(alarmed: Alarmed) -> None:
    base = f"/api/v1/alerts/{ID}"
    body: dict[str, Any] = {"by": "R. Sandhu", "owner": "B. Ostrander", "reason": "waits", "days": 30, "grow": 5}
    accepted = (await alarmed.post(f"{base}/accept", json=body)).json()
    assert (accepted["state"], accepted["amount"], accepted["amount_unit"]) == ("shelved", 20.4, "t/h")
    (hold,) = (await alarmed.get("/api/v1/alerts/holds")).json()
    assert (hold["kind"], hold["owner"], hold["limit"], hold["unit"]) == ("accepted", "B. Ostrander", 25.4, "t/h")
    ended = await alarmed.post(f"/api/v1/alerts/holds/{hold['number']}/end", json={"by": "A. Meyer"})
    assert (ended.json()["ended_by"], ended.status_code) == ("A. Meyer", 200)
    assert (await alarmed.post(f"/api/v1/alerts/holds/{hold['number']}/end", json={"by": "A. Meyer"})).status_code == 404
    out = await alarmed.post(f"{base}/out-of-service", json={"by": "R. Ortega", "reason": "exchange", "hours": 2})
    assert out.json()["state"] == "out-of-service"
    assert (await alarmed.post(f"{base}/restore", json={"by": "R. Ortega"})).json()["state"] == "unacknowledged"
    assert (await alarmed.post(f"{base}/restore", json={"by": "R. Ortega"})).status_code == 409


async def test_alert_over_rest_says_consequence_response_and_time(alarmed: Alarmed) -> None:
    alert = (await alarmed.get(f"/api/v1/alerts/{ID}")).json()
    assert alert["consequence"] == "about 20 t/h are booked wrongly while it lasts"
    assert alert["response"] == "compare both ranges"
    assert alert["respond_within_s"] == pytest.approx(20.0 / 20.4 * 3600)  # 20 t tolerable at 20.4 t/h
    assert (alert["reopened"], alert["roles"]) == (1, ["maintenance"])
    child = (await alarmed.get("/api/v1/alerts/TB-08-communication-1")).json()
    assert (child["state"], child["parent"]) == ("suppressed-by-design", "TB-07-communication-1")


async def test_figures_of_the_alarm_system_on_page_rest_and_metrics(alarmed: Alarmed) -> None:
    text = visible((await alarmed.get("/alerts/performance")).text)
    assert "3 alerts began to ask for attention" in text
    assert "not held against it yet" in text
    found = (await alarmed.get("/api/v1/alerts/performance")).json()
    assert (found["count"], found["graded"], found["operators"]) == (3, False, 1)
    assert found["states"]["suppressed-by-design"] == 2
    assert {item["name"] for item in found["figures"]} >= {"rate", "day", "peak", "flood", "chattering", "stale", "top"}
    metrics = (await alarmed.get("/metrics")).text
    assert "tallywire_alarm_annunciations_last_day 3.0" in metrics
    assert 'tallywire_outbox_messages{delivery="shift",state="waiting"} 4.0' in metrics


async def test_deliveries_show_what_waits_and_was_given_up_and_never_an_address(alarmed: Alarmed) -> None:
    with alarmed.state.transaction() as connection:
        connection.execute(OUTBOX.update().where(OUTBOX.c.id == 1).values(dead=True, attempts=50, error="HTTP 503"))
    for path in ("/deliveries", "/api/v1/deliveries"):
        answer = (await alarmed.get(path)).text
        assert "s3cr3t" not in answer
        assert "on-call.terminal.example" in answer
    text = visible((await alarmed.get("/deliveries")).text)
    assert "every priority; low priority in a summary at 07:00" in text
    assert "only what nobody has acknowledged for 15 min" in text
    assert "alert: TB-07 scaling-block" in text
    sent = await alarmed.post("/deliveries/messages/1/resend", data=alarmed.form(name="A"))
    assert sent.status_code == 303
    assert alarmed.outbox.backlog() == {"waiting": 4, "dead": 0}
    assert (await alarmed.post("/deliveries/messages/1/resend", data=alarmed.form(name="A"))).status_code == 422


async def test_message_that_was_given_up_is_sent_again_over_rest(alarmed: Alarmed) -> None:
    with alarmed.state.transaction() as connection:
        connection.execute(OUTBOX.update().where(OUTBOX.c.id == 1).values(dead=True, attempts=50, error="HTTP 503"))
    (dead,) = (await alarmed.get("/api/v1/deliveries")).json()["dead"]
    assert (dead["number"], dead["attempts"], dead["error"]) == (1, 50, "HTTP 503")
    sent = await alarmed.post("/api/v1/deliveries/messages/1/resend", json={"by": "A"})
    assert sent.json() == {"number": 1, "delivery": "shift"}
    assert (await alarmed.post("/api/v1/deliveries/messages/1/resend", json={"by": "A"})).status_code == 404


@pytest.mark.parametrize("way", ["form", "rest"])
async def test_test_message_goes_into_the_outbox_like_every_other(alarmed: Alarmed, way: str) -> None:
    before = alarmed.outbox.backlog()["waiting"]
    if way == "form":
        answer = await alarmed.post("/deliveries/shift/test", data=alarmed.form(name="R. Sandhu"))
        assert answer.headers["location"] == "/deliveries?tested=shift"
        said = "A test message for shift is on its way"
        assert said in visible((await alarmed.get("/deliveries?tested=shift")).text)
    else:
        assert (await alarmed.post("/api/v1/deliveries/shift/test", json={"by": "R. Sandhu"})).json()["delivery"] == "shift"
    last = alarmed.outbox.waiting()[-1]
    assert alarmed.outbox.backlog()["waiting"] == before + 1
    assert "Test message for shift, ordered by R. Sandhu" in last.message


async def test_delivery_that_is_not_there_is_not_found(alarmed: Alarmed) -> None:
    assert (await alarmed.post("/deliveries/none/test", data=alarmed.form(name="A"))).status_code == 404
    assert (await alarmed.post("/api/v1/deliveries/none/test", json={"by": "A"})).status_code == 404
    assert "<script>" not in (await alarmed.get("/deliveries?tested=<script>")).text


async def test_alert_pages_carry_the_cautions(alarmed: Alarmed) -> None:
    text = (await alarmed.get("/alerts")).text
    assert all(caution.partition(",")[0] in text for caution in CAUTIONS)


async def test_accepted_finding_is_told_again_when_its_time_is_over(alarmed: Alarmed) -> None:
    body = {"by": "A", "owner": "B", "reason": "c", "days": 2, "grow": 5}
    await alarmed.post(f"/api/v1/alerts/{ID}/accept", json=body)
    alarmed.book.tick(plant.NOW + 2 * DAY)
    assert state_of(alarmed) is AlertState.UNACKNOWLEDGED
