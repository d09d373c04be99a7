"""Signing in and out, the own account, the accounts of others: by the forms, as a browser does it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from collector.access.roles import Role
from collector.access.sessions import form_token
from collector.web.account_page import UNFIT, own_path
from collector.web.security import HEADERS
from config.web import Web
from tests.collector.web import plant
from tests.collector.web.locked import CONSOLE, NAMES, Locked, locked_app, password_of


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Locked]:
    made = locked_app(tmp_path)
    yield made
    made.state.close()


async def sign_in(locked: Locked, name: str, password: str, wanted: str = "/", cookie: str = "") -> httpx.Response:
    async with locked.client(session=cookie) as client:
        page = (await client.get("/login")).text
        found = re.search(r'name="token" value="([^"]+)"', page)
        token = found.group(1) if found else locked.app.state.guard.process_token
        return await client.post("/login", data={"token": token, "name": name, "password": password, "next": wanted})


def secret_of(answer: httpx.Response) -> str:
    found = re.match(r"[^=]+=([^;]*)", answer.headers["set-cookie"])
    assert found
    return found.group(1)


async def test_right_password_leads_to_the_page_that_was_wanted_with_a_cookie_that_scripts_and_others_cannot_have(
    locked: Locked,
) -> None:
    answer = await sign_in(locked, "ortega", password_of(Role.ADMIN), "/alerts?find=TB-07")
    assert (answer.status_code, answer.headers["location"]) == (303, "/alerts?find=TB-07")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-tallywire=")
    assert {part.strip().lower() for part in cookie.split(";")[1:]} == {"httponly", "path=/", "samesite=lax", "secure"}
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    page = await httpx_get(locked, "/alerts", secret_of(answer))
    assert page.status_code == 200
    assert "ortega (admin)" in page.text


async def httpx_get(locked: Locked, path: str, session: str) -> httpx.Response:
    async with locked.client(session=session) as client:
        return await client.get(path)


async def test_on_this_machine_without_tls_the_cookie_is_not_held_to_https(tmp_path: Path) -> None:
    locked = locked_app(tmp_path, Web())
    answer = await sign_in(locked, "ortega", password_of(Role.ADMIN))
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("tallywire=")
    assert "secure" not in cookie.lower()
    assert "httponly" in cookie.lower()
    assert "strict-transport-security" not in answer.headers
    assert (await httpx_get(locked, "/", secret_of(answer))).status_code == 200
    locked.state.close()


@pytest.mark.parametrize(("name", "password"), [("ortega", "wrong"), ("nobody", "wrong"), ("", ""), ("ortega", "x" * 5000)])
async def test_wrong_name_and_wrong_password_are_told_alike(locked: Locked, name: str, password: str) -> None:
    answer = await sign_in(locked, name, password)
    assert answer.status_code == 401
    assert UNFIT in answer.text.lower()
    assert "set-cookie" not in answer.headers
    if password:
        assert password not in answer.text


async def test_every_sign_in_gets_a_new_id_and_ends_the_one_that_the_browser_brought(locked: Locked) -> None:
    first = secret_of(await sign_in(locked, "ortega", password_of(Role.ADMIN)))
    planted = "planted-by-somebody-else"
    second = secret_of(await sign_in(locked, "ortega", password_of(Role.ADMIN), cookie=planted))
    assert len({first, second, planted}) == 3
    async with locked.client(session=first) as client:
        token = locked.app.state.guard.process_token
        answer = await client.post("/login", data={"token": token, "name": "ortega", "password": password_of(Role.ADMIN)})
    third = secret_of(answer)
    assert locked.access.sessions.find(first, acts=True) is None
    assert locked.access.sessions.find(third, acts=True) is not None


async def test_sign_out_ends_the_session_here_and_its_forms(locked: Locked) -> None:
    secret = locked.session(Role.OPERATOR)
    async with locked.client(session=secret) as client:
        answer = await client.post("/logout", data={"token": form_token(secret)})
        assert (answer.status_code, answer.headers["location"]) == (303, "/login")
        assert 'tallywire="";' in answer.headers["set-cookie"]
        assert "Max-Age=0" in answer.headers["set-cookie"]
        again = await client.get("/")
    assert again.headers["location"] == "/login?next=%2F"


async def test_wrong_tries_must_wait_longer_and_longer_and_the_right_one_gets_in_then(locked: Locked) -> None:
    statuses = [(await sign_in(locked, "ortega", "wrong word here")).status_code for _ in range(5)]
    assert statuses == [401, 401, 401, 401, 429]
    answer = await sign_in(locked, "ortega", password_of(Role.ADMIN))
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1
    assert (locked.live.counters["sign_ins_refused"], locked.live.counters["sign_ins_delayed"]) == (4.0, 2.0)
    assert "try again in" in answer.text
    await locked.clock.advance(60.0)
    assert (await sign_in(locked, "ortega", password_of(Role.ADMIN))).status_code == 303


async def test_one_address_that_tries_many_names_must_wait_too(locked: Locked) -> None:
    statuses = [(await sign_in(locked, f"name{number}", "wrong word here")).status_code for number in range(12)]
    assert statuses[:11] == [401] * 11
    assert statuses[11] == 429


async def test_idle_session_ends_and_the_page_that_refreshes_by_itself_does_not_keep_it_awake(locked: Locked) -> None:
    secret = locked.session(Role.VIEWER)
    for _ in range(4):
        await locked.clock.advance(600.0)
        fragment = await httpx_get(locked, "/fragment", secret)
    assert fragment.status_code == 401
    assert (await httpx_get(locked, "/", secret)).headers["location"].startswith("/login")


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("/alerts", "/alerts"), ("/loops/TB-07/trend?span=2h", "/loops/TB-07/trend?span=2h"), ("https://evil.example/", "/"),
        ("//evil.example/alerts", "/"), ("/\\evil.example", "/"), ("\\\\evil.example", "/"), ("javascript:alert(1)", "/"),
        ("/alerts\r\nSet-Cookie: a=b", "/"), ("/nothing", "/"), ("/login", "/"), ("/api/v1/site", "/"), ("", "/"),
        ("/%0d%0aalerts", "/"), ("http:alerts", "/"), ("/alerts\t", "/"), ("//[", "/"), ("/metrics", "/"),
    ],
)  # fmt: skip
def test_way_back_leads_to_a_page_of_ours_or_to_the_site_page(wanted: str, found: str) -> None:
    assert own_path(wanted) == found


async def test_sign_in_leads_the_way_back_that_was_checked(locked: Locked) -> None:
    for wanted, found in (("/tags?find=TB-07", "/tags?find=TB-07"), ("//evil.example/alerts", "/"), ("/alerts\r\nX: y", "/")):
        answer = await sign_in(locked, "weber", password_of(Role.VIEWER), wanted)
        assert answer.headers["location"] == found


async def test_own_password_is_changed_with_the_old_one_and_only_this_session_goes_on(locked: Locked) -> None:
    other, mine = locked.access.sessions.begin("sandhu", ""), locked.session(Role.OPERATOR)
    new = "another long sentence"
    async with locked.client(Role.OPERATOR) as client:
        wrong = await client.post("/account/password", data=locked.form(Role.OPERATOR, old="wrong", new=new, again=new))
        differ = await client.post(
            "/account/password", data=locked.form(Role.OPERATOR, old=password_of(Role.OPERATOR), new=new, again=new + "x")
        )
        short = await client.post(
            "/account/password", data=locked.form(Role.OPERATOR, old=password_of(Role.OPERATOR), new="short", again="short")
        )
        assert [answer.status_code for answer in (wrong, differ, short)] == [422, 422, 422]
        done = await client.post(
            "/account/password", data=locked.form(Role.OPERATOR, old=password_of(Role.OPERATOR), new=new, again=new)
        )
    assert done.status_code == 303
    assert locked.access.sessions.find(other, acts=True) is None
    assert locked.access.sessions.find(mine, acts=True) is None
    assert (await httpx_get(locked, "/account", secret_of(done))).status_code == 200
    assert locked.access.accounts.check("sandhu", new) is not None


async def test_admin_adds_changes_and_disables_by_the_page(locked: Locked) -> None:
    def form(**fields: str) -> dict[str, str]:
        return locked.form(Role.ADMIN, **fields)

    word = "quiet belt at night"
    assert (
        await locked.post("/accounts", Role.ADMIN, data=form(account="diallo", role="viewer", password=word, again=word))
    ).status_code == 303
    assert (await locked.post("/accounts/diallo/role", Role.ADMIN, data=form(role="engineer"))).status_code == 303
    new = word + " again"
    assert (await locked.post("/accounts/diallo/password", Role.ADMIN, data=form(password=new, again=new))).status_code == 303
    found = locked.access.accounts.check("diallo", new)
    assert found is not None
    assert found.role is Role.ENGINEER
    assert (await locked.post("/accounts/diallo/disable", Role.ADMIN, data=form())).status_code == 303
    assert locked.access.accounts.check("diallo", new) is None
    assert (await locked.post("/accounts/diallo/enable", Role.ADMIN, data=form())).status_code == 303
    assert (await locked.post("/accounts/ortega/disable", Role.ADMIN, data=form())).status_code == 422
    assert (await locked.post("/accounts/diallo/delete", Role.ADMIN, data=form())).status_code == 404
    page = (await locked.get("/accounts", Role.ADMIN)).text
    assert "diallo" in page
    assert "argon2" not in page


async def test_token_is_shown_in_the_answer_that_made_it_and_never_again(locked: Locked) -> None:
    made = await locked.post(
        "/accounts/tokens", Role.ADMIN, data=locked.form(Role.ADMIN, account="scraper", scope="metrics", days="30")
    )
    found = re.search(r"tw_[A-Za-z0-9_-]{40,}", made.text)
    assert found
    assert made.headers["cache-control"] == "no-store"
    again = (await locked.get("/accounts", Role.ADMIN)).text
    assert found.group() not in again
    assert "scraper" in again
    revoked = await locked.post("/accounts/tokens/1/revoke", Role.ADMIN, data=locked.form(Role.ADMIN))
    assert revoked.status_code == 303
    assert locked.access.by_token(found.group(), "") is None


async def test_name_on_a_form_is_that_of_the_account_whatever_was_typed(locked: Locked) -> None:
    alert = plant.alert().id
    page = (await locked.get("/alerts", Role.OPERATOR)).text
    assert 'name="name"' not in page
    assert "as <b>sandhu</b>" in page
    done = await locked.post(
        f"/alerts/{alert}/acknowledge", Role.OPERATOR, data=locked.form(Role.OPERATOR, name="somebody else")
    )
    assert done.status_code == 303
    assert locked.desk.alerts[alert].acknowledged_by == "sandhu"
    shelved = await locked.post(
        f"/api/v1/alerts/{alert}/shelve", Role.OPERATOR, json={"by": "somebody else", "reason": "range change", "hours": 2.0}
    )
    assert shelved.status_code == 200, shelved.text
    assert locked.desk.alerts[alert].shelved_by == "sandhu"


async def test_viewer_is_refused_with_the_role_that_is_needed_and_whom_to_ask(locked: Locked) -> None:
    alert = plant.alert().id
    answer = await locked.post(f"/alerts/{alert}/acknowledge", Role.VIEWER, data=locked.form(Role.VIEWER))
    assert answer.status_code == 403
    assert "This needs the role operator" in answer.text
    assert "weber is a viewer" in answer.text
    assert "ask ortega for it" in answer.text
    assert locked.desk.alerts[alert].acknowledged is None


async def test_role_that_is_taken_away_is_gone_with_the_next_request(locked: Locked) -> None:
    secret = locked.session(Role.ENGINEER)
    locked.access.accounts.set_role(NAMES[Role.ENGINEER], Role.VIEWER, by=CONSOLE)
    async with locked.client(session=secret) as client:
        answer = await client.post("/records", data={"token": form_token(secret)})
    assert answer.status_code == 403


async def test_form_to_sign_in_has_the_headers_of_every_page_and_no_script(locked: Locked) -> None:
    answer = await locked.get("/login")
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert "<script" not in answer.text
    assert "style=" not in answer.text
    assert answer.headers["cache-control"] == "no-store"
