"""Whatever changes something leaves an entry: every route that there is, every command, and what happens when the log cannot be written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.access.audit import NOT_KEPT, Action
from collector.access.roles import Role
from collector.web.door import LOG_IS_BROKEN
from collector.web.security import SAFE_METHODS
from config.errors import StoreError
from tests.collector.web import plant
from tests.collector.web.locked import NAMES, Locked, every_route, locked_app
from tests.collector.web.test_door import filled

ALERT = plant.alert().id


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Locked]:
    made = locked_app(tmp_path)
    yield made
    made.state.close()


async def test_every_route_that_changes_something_enters_it(locked: Locked) -> None:
    """Sent by an admin with the right token and nothing else: done or refused by the route, it is in the log."""
    walked = 0
    for method, path in every_route(locked.app):
        if method in SAFE_METHODS or path == "/login":
            continue
        content = {"json": {}} if path.startswith("/api/") else {"data": locked.form(Role.ADMIN)}
        if method == "DELETE":
            content = {"headers": {"Content-Type": "application/json"}}
        before = locked.entries()
        async with locked.client(Role.ADMIN) as client:
            answer = await client.request(method, filled(path), **content)  # type: ignore[arg-type]
        newest = locked.access.log.newest(most=1)[0].action
        assert locked.entries() == before + 1, f"{method} {path}: {answer.status_code} and {locked.entries() - before} entries"
        assert (newest.who, newest.kind, newest.address) == (NAMES[Role.ADMIN], "account", locked.address), f"{method} {path}"
        walked += 1
    assert walked > 25
    assert locked.access.log.walk().broken is None


async def test_entry_says_who_when_from_where_what_was_before_and_after(locked: Locked) -> None:
    done = await locked.post(f"/alerts/{ALERT}/acknowledge", Role.OPERATOR, data=locked.form(Role.OPERATOR))
    assert done.status_code == 303
    act = locked.access.log.newest(most=1)[0].action
    assert (act.who, act.address, act.time, act.status) == ("sandhu", "192.0.2.50", plant.NOW, 303)
    assert (act.what, act.subject) == ("POST /alerts/{alert}/{action}", f"{ALERT} acknowledge")
    assert act.old["state"] == "unacknowledged"
    assert act.new["state"] == "acknowledged"


async def test_refusal_for_want_of_a_role_is_entered_and_one_of_a_stranger_is_not(locked: Locked) -> None:
    before = locked.entries()
    await locked.post("/records", Role.VIEWER, data=locked.form(Role.VIEWER))
    assert locked.entries() == before + 1
    act = locked.access.log.newest(most=1)[0].action
    assert (act.who, act.status, act.what) == ("weber", 403, "POST /records")
    await locked.post("/records", data={"token": "guess"})
    assert locked.entries() == before + 1


async def test_signing_in_and_out_is_entered_and_what_was_typed_for_a_name_is_not(locked: Locked) -> None:
    token = locked.app.state.guard.process_token
    typed = "my password in the wrong field"
    for name, password in ((typed, "x"), ("ortega", "x"), ("ortega", "potash on the belt of admin")):
        await locked.post("/login", data={"token": token, "name": name, "password": password})
    await locked.post("/logout", Role.VIEWER, data=locked.form(Role.VIEWER))
    said = [(entry.action.what, entry.action.who) for entry in reversed(locked.access.log.newest(most=4))]
    assert said == [("sign-in refused", ""), ("sign-in refused", "ortega"), ("signed in", "ortega"), ("signed out", "weber")]
    with locked.state.transaction() as connection:
        assert typed not in str(connection.exec_driver_sql("SELECT text FROM audit").fetchall())


async def test_secrets_that_were_sent_are_not_entered(locked: Locked) -> None:
    word = "a secret in the body of a form"
    await locked.post(
        "/alerts/none/acknowledge", Role.ADMIN, data=locked.form(Role.ADMIN, password=word, api_key=word, note="kept")
    )
    act = locked.access.log.newest(most=1)[0].action
    assert (act.new["password"], act.new["api_key"], act.new["note"]) == (NOT_KEPT, NOT_KEPT, "kept")
    await locked.post("/api/v1/access/accounts", Role.ADMIN, json={"name": "x1", "role": "boss", "password": word})
    await locked.post(
        "/accounts", Role.ADMIN, data=locked.form(Role.ADMIN, account="x1", role="viewer", password=word, again="y")
    )
    with locked.state.transaction() as connection:
        assert word not in str(connection.exec_driver_sql("SELECT text FROM audit").fetchall())


async def test_nothing_more_is_done_while_the_log_cannot_be_written_and_the_page_says_so(
    locked: Locked, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = type(locked.access.log).add

    def full(self: object, action: Action) -> None:
        raise StoreError("the history cannot be used (database or disk is full)")

    monkeypatch.setattr(type(locked.access.log), "add", full)
    first = await locked.post(f"/alerts/{ALERT}/acknowledge", Role.OPERATOR, data=locked.form(Role.OPERATOR))
    assert first.status_code == 303
    second = await locked.post(f"/alerts/{ALERT}/unshelve", Role.OPERATOR, data=locked.form(Role.OPERATOR))
    assert second.status_code == 503
    assert LOG_IS_BROKEN in second.text.lower()
    assert LOG_IS_BROKEN in (await locked.get("/", Role.VIEWER)).text
    monkeypatch.setattr(type(locked.access.log), "add", real)
    third = await locked.post(f"/alerts/{ALERT}/shelve", Role.OPERATOR, data=locked.form(Role.OPERATOR, hours="2", reason="x"))
    assert third.status_code == 303
    assert [entry.action.what for entry in reversed(locked.access.log.newest(most=2))] == [
        "the log can be written again", "POST /alerts/{alert}/{action}",
    ]  # fmt: skip
    assert LOG_IS_BROKEN not in (await locked.get("/", Role.VIEWER)).text


async def test_page_and_rest_show_the_log_and_whether_it_is_unbroken(locked: Locked) -> None:
    await locked.post(f"/alerts/{ALERT}/acknowledge", Role.OPERATOR, data=locked.form(Role.OPERATOR))
    page = (await locked.get("/audit?verify=true", Role.ADMIN)).text
    assert "<strong>Unbroken</strong>" in page
    assert "sandhu" in page
    rest = (await locked.get("/api/v1/access/audit?who=sandhu", Role.ADMIN)).json()
    assert [entry["subject"] for entry in rest] == [f"{ALERT} acknowledge"]
    head = (await locked.get("/api/v1/access/audit/verify", Role.ADMIN)).json()
    assert (head["unbroken"], head["entries"]) == (True, locked.entries())
    kept = f"/api/v1/access/audit/verify?number={head['newest']}&sha256="
    assert (await locked.get(kept + head["sha256"][:16], Role.ADMIN)).json()["unbroken"]
    assert not (await locked.get(kept + "0" * 16, Role.ADMIN)).json()["unbroken"]
    assert (await locked.get(kept + "xyz", Role.ADMIN, Accept="*/*")).status_code == 422
    with locked.state.transaction() as connection:
        connection.exec_driver_sql("UPDATE audit SET text = replace(text, 'sandhu', 'nobody')")
    assert "The chain breaks at entry" in (await locked.get("/audit?verify=true", Role.ADMIN)).text
