"""Requests that somebody with bad intent sends, each its own test. Kinds after the OWASP Web Security Testing Guide, from memory."""

from __future__ import annotations

import asyncio
import gzip
import io
import zipfile
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import httpx
import pytest

from collector.access.roles import Role, Scope
from collector.access.sessions import form_token, hashed
from collector.web.limits import BODY_LIMIT
from config.web import Web
from tests.collector.web import plant
from tests.collector.web.locked import HOST, NAMES, Locked, locked_app

ALERT = plant.alert().id
ACK = f"/alerts/{ALERT}/acknowledge"
HTML = '<script>alert("x")</script><img src=x onerror=alert(1)>'
SQL = "' OR '1'='1'; DROP TABLE accounts; --"


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Locked]:
    made = locked_app(tmp_path, folder_of_checks=tmp_path)
    yield made
    made.state.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    """One application for the requests that must not change anything."""
    made = locked_app(tmp_path_factory.mktemp("shared"))
    yield made
    made.state.close()


def untouched(locked: Locked) -> bool:
    return locked.desk.alerts[ALERT].acknowledged is None


@pytest.mark.parametrize(
    "path",
    [
        "/static/../door.py", "/static/..%2fdoor.py", "/static/%2e%2e/%2e%2e/etc/passwd", "/static/....//tallywire.css",
        "/records/..%2f..%2fstate.db", "/verify/..%2f..%2fstate.db", "/static/C:%5cwindows%5cwin.ini", "/static/%2fetc%2fpasswd",
    ],
)  # fmt: skip
async def test_traversal_finds_no_file(shared: Locked, path: str) -> None:
    answer = await shared.get(path, Role.ADMIN)
    assert answer.status_code in (404, 422)
    assert "root:" not in answer.text
    assert "class Door" not in answer.text


@pytest.mark.parametrize("name", [SQL, "ortega' --", "ortega\x00", '" OR ""="', "%", "ortega%' AND role='admin"])
async def test_sql_in_a_name_signs_nobody_in_and_drops_nothing(locked: Locked, name: str) -> None:
    token = locked.app.state.guard.process_token
    answer = await locked.post("/login", data={"token": token, "name": name, "password": SQL})
    assert answer.status_code == 401
    assert len(locked.access.accounts.all()) == 4


async def test_sql_in_filters_gives_nothing_more(shared: Locked) -> None:
    for path in (f"/audit?who={SQL}", f"/api/v1/access/audit?who={SQL}", f"/alerts?find={SQL}", f"/api/v1/records?kind={SQL}"):
        assert (await shared.get(path, Role.ADMIN)).status_code in (200, 422, 503)
    assert (await shared.get(f"/api/v1/access/audit?who={SQL}", Role.ADMIN)).json() == []


async def test_html_that_was_typed_is_shown_as_text(locked: Locked) -> None:
    await locked.post(f"/alerts/{ALERT}/shelve", Role.OPERATOR, data=locked.form(Role.OPERATOR, hours="2", reason=HTML))
    assert locked.desk.alerts[ALERT].shelve_reason.startswith("<script>")
    token = locked.app.state.guard.process_token
    pages = [
        (await locked.get("/alerts", Role.VIEWER)).text,
        (await locked.get("/audit", Role.ADMIN)).text,
        (await locked.get(f"/audit?who={HTML}", Role.ADMIN)).text,
        (await locked.get(f"/alerts?find={HTML}", Role.VIEWER)).text,
        (await locked.get(f"/loops/{HTML}", Role.VIEWER)).text,
        (await locked.post("/login", data={"token": token, "name": HTML, "password": HTML, "next": HTML})).text,
        (await locked.get(f"/login?next=/alerts?find={HTML}")).text,
    ]
    for page in pages:
        assert "<script>alert" not in page
        assert "<img src=x" not in page
    assert "&lt;script&gt;" in pages[0]


async def test_line_break_in_a_value_makes_no_header(locked: Locked) -> None:
    for wanted in ("/alerts%0d%0aX-Made: 1", "/alerts\r\nX-Made: 1", "/alerts?find=a%0d%0aSet-Cookie: tallywire=x"):
        answer = await locked.post(
            "/login",
            data={
                "token": locked.app.state.guard.process_token, "name": "weber", "password": "potash on the belt of viewer",
                "next": wanted,
            },
        )  # fmt: skip
        assert "x-made" not in answer.headers
        assert "\n" not in answer.headers["location"]
        assert answer.headers["set-cookie"].count("tallywire=") == 1


@pytest.mark.parametrize("path", [ACK, "/login", "/api/v1/access/accounts", f"/api/v1/alerts/{ALERT}/acknowledge"])
async def test_body_that_is_too_large_is_refused(shared: Locked, path: str) -> None:
    kind = "application/json" if path.startswith("/api/") else "application/x-www-form-urlencoded"
    async with shared.client(Role.ADMIN, more={"Content-Type": kind}) as client:
        answer = await client.post(path, content=b"a" * (BODY_LIMIT + 1))
    assert answer.status_code == 413


async def test_stranger_sends_no_body_at_all(shared: Locked) -> None:
    asked = 0

    async def body() -> AsyncIterator[bytes]:
        nonlocal asked
        for _ in range(100):
            asked += 1
            yield b"a" * 65_536

    async with shared.client(more={"Content-Type": "application/octet-stream"}) as client:
        answer = await client.post("/api/v1/exports", content=body())
    assert answer.status_code == 401
    assert asked <= 1


@pytest.mark.parametrize(
    "host", ["evil.example", f"{HOST}.evil.example:8460", f"{HOST}:1", "", f"evil.example@{HOST}:8460", "127.0.0.1"]
)
async def test_host_that_is_not_ours_is_refused(shared: Locked, host: str) -> None:
    answer = await shared.get("/login", Host=host)
    assert answer.status_code == 400


async def test_forwarded_headers_are_believed_of_nobody_but_the_proxy(locked: Locked, tmp_path: Path) -> None:
    forged = {
        "X-Forwarded-For": "127.0.0.1",
        "X-Forwarded-Proto": "https",
        "X-Forwarded-Host": "evil.example",
        "Forwarded": "for=::1",
    }
    await locked.post("/alerts/none/acknowledge", Role.OPERATOR, data=locked.form(Role.OPERATOR))
    async with locked.client(Role.OPERATOR, more=forged) as client:
        await client.post(ACK, data=locked.form(Role.OPERATOR))
    assert locked.access.log.newest(most=1)[0].action.address == "192.0.2.50"
    (tmp_path / "behind").mkdir()
    behind = locked_app(tmp_path / "behind", Web(names=(HOST,), behind_proxy=("198.51.100.7",)))
    behind.base = f"http://{HOST}"
    direct = await behind.get("/login", more=forged)
    assert (direct.status_code, direct.text) == (403, "This address is for the reverse proxy of the site only.\n")
    behind.address = "198.51.100.7"
    clear = await behind.get("/login", more={"X-Forwarded-Proto": "http"})
    assert clear.status_code == 400
    assert "X-Forwarded-Proto: https" in clear.text
    through = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9", "Origin": f"https://{HOST}"}
    token = behind.app.state.guard.process_token
    async with behind.client(more=through) as client:
        answer = await client.post("/login", data={"token": token, "name": "ortega", "password": "potash on the belt of admin"})
    assert answer.status_code == 303
    assert "Secure" in answer.headers["set-cookie"]
    assert behind.access.log.newest(most=1)[0].action.address == "203.0.113.9"
    behind.state.close()


async def test_token_of_a_form_does_not_serve_another_session_nor_one_that_came_later(locked: Locked) -> None:
    foreign = form_token(locked.session(Role.ADMIN))
    assert (await locked.post(ACK, Role.OPERATOR, data={"token": foreign})).status_code == 403
    replayed = form_token(locked.session(Role.OPERATOR))
    locked.access.sessions.end(locked.session(Role.OPERATOR))
    assert (await locked.post(ACK, Role.OPERATOR, data={"token": replayed})).status_code == 403
    process = locked.app.state.guard.process_token
    assert (await locked.post(ACK, Role.OPERATOR, data={"token": process})).status_code == 403
    assert (await locked.post(ACK, Role.OPERATOR, data={})).status_code == 403
    assert untouched(locked)


@pytest.mark.parametrize(
    "origin", ["https://evil.example", "null", f"http://{HOST}:8460", f"https://{HOST}", f"https://{HOST}.evil.example:8460"]
)
async def test_form_from_a_foreign_page_is_refused_though_the_cookie_comes_along(shared: Locked, origin: str) -> None:
    async with shared.client(Role.OPERATOR, Origin=origin) as client:
        form = await client.post(ACK, data=shared.form(Role.OPERATOR))
        json = await client.post(f"/api/v1/alerts/{ALERT}/acknowledge", json={"by": "x"})
    assert (form.status_code, json.status_code) == (403, 403)
    assert untouched(shared)


async def test_token_that_has_ended_or_was_revoked_opens_nothing(locked: Locked) -> None:
    bearer = f"Bearer {locked.token(Scope.READ, days=1.0)}"
    assert (await locked.get("/api/v1/site", Authorization=bearer)).status_code == 200
    await locked.clock.advance(86_401.0)
    assert (await locked.get("/api/v1/site", Authorization=bearer)).status_code == 401


async def test_session_that_has_ended_opens_nothing(locked: Locked) -> None:
    secret = locked.session(Role.ADMIN)
    await locked.clock.advance(1801.0)
    async with locked.client(session=secret) as client:
        assert (await client.get("/accounts")).status_code == 303
        assert (await client.post("/accounts", data={"token": form_token(secret)})).status_code == 401


@pytest.mark.parametrize(
    "cookie", ["", "x", "../../etc/passwd", "a" * 4000, "{hash}", "{half}", "{upper}", "{twice}", "ortega", "admin; role=admin", "\x01"]
)  # fmt: skip
async def test_cookie_that_was_tampered_with_is_no_session(shared: Locked, cookie: str) -> None:
    secret = shared.session(Role.ADMIN)
    made = {"{hash}": hashed(secret), "{half}": secret[:-1], "{upper}": secret.swapcase(), "{twice}": secret * 2}.get(
        cookie, cookie
    )
    async with shared.client(Cookie=f"{shared.cookie}={made}") as client:
        assert (await client.get("/accounts")).status_code in (303, 400)
    async with shared.client(Cookie=f"tallywire={secret}") as client:
        assert (await client.get("/accounts")).status_code == 303, "a cookie without the prefix is none under https"


async def test_nobody_raises_the_own_role(shared: Locked) -> None:
    for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER):
        name = NAMES[role]
        form = await shared.post(
            f"/accounts/{name}/role", role, data={"token": form_token(shared.session(role)), "role": "admin"}
        )
        rest = await shared.post(f"/api/v1/access/accounts/{name}/role", role, json={"role": "admin"})
        assert (form.status_code, rest.status_code) == (403, 403)
        found = shared.access.accounts.find(name)
        assert found is not None
        assert found.role is role
    headers = {"X-Role": "admin", "X-User": "ortega", "X-Original-URL": "/accounts", "X-HTTP-Method-Override": "GET"}
    assert (await shared.get("/accounts", Role.VIEWER, more=headers)).status_code == 403


async def test_fields_that_nobody_asked_for_change_nothing(locked: Locked) -> None:
    word = "quiet belt at night"
    refused = await locked.post(
        "/api/v1/access/accounts", Role.ADMIN,
        json={"name": "diallo", "role": "viewer", "password": word, "disabled": False, "made": 0, "is_admin": True},
    )  # fmt: skip
    assert refused.status_code == 422
    fields = {
        "new": word,
        "again": word,
        "old": "potash on the belt of viewer",
        "role": "admin",
        "account": "ortega",
        "name": "ortega",
    }
    form = {"token": form_token(locked.session(Role.VIEWER)), **fields}
    assert (await locked.post("/account/password", Role.VIEWER, data=form)).status_code == 303
    assert locked.access.accounts.check("ortega", word) is None
    found = locked.access.accounts.check("weber", word)
    assert found is not None
    assert found.role is Role.VIEWER


async def test_redirect_never_leaves_the_house(shared: Locked) -> None:
    for wanted in ("https://evil.example", "//evil.example", "/\\evil.example", "https:evil.example", "/%5cevil.example/"):
        page = await shared.get(f"/login?next={wanted}")
        assert "evil.example" not in page.text
    moved = await shared.get("//evil.example/alerts/", Role.VIEWER)
    assert "evil.example" not in moved.headers.get("location", "").split("?")[0].removeprefix(f"https://{HOST}:8460")


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("text/plain", b'{"by": "x"}'), ("application/xml", b"<a/>"), ("multipart/form-data; boundary=x", b"--x--"), ("", b'{"by": "x"}'),
        ("application/x-www-form-urlencoded", b"by=x"), ("application/json; charset=utf-16", b"\xff\xfe{"), ("application/json", b"{"),
        ("application/json", b'{"by": NaN}'), ("application/json", b'["by"]'), ("application/json", b"[" * 50_000), ("application/json", b""),
    ],
)  # fmt: skip
async def test_content_that_is_not_what_it_says_changes_nothing(shared: Locked, kind: str, content: bytes) -> None:
    bearer = f"Bearer {shared.token(Scope.OPERATE)}"
    async with shared.client(Authorization=bearer, more={"Content-Type": kind}) as client:
        del client.headers["Origin"]
        answer = await client.post(f"/api/v1/alerts/{ALERT}/acknowledge", content=content)
    assert answer.status_code in (400, 403, 422)
    assert answer.headers["content-type"] == "application/problem+json"
    assert untouched(shared)


async def until_read(client: httpx.AsyncClient, key: str) -> None:
    """Ask until the file was read; a child process does that, so there is nothing to wait for but the answer."""
    for _ in range(2000):
        if (await client.get(f"/api/v1/exports/{key}")).json()["state"] != "reading":
            return
        await asyncio.sleep(0.02)


def bomb() -> bytes:
    """A workbook of some kilobytes that would unpack to 300 MB."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        with archive.open("xl/worksheets/sheet1.xml", "w") as sheet:
            for _ in range(300):
                sheet.write(b"0" * 1_000_000)
        archive.writestr("[Content_Types].xml", "<Types/>")
    return packed.getvalue()


@pytest.mark.parametrize(("name", "make"), [("march.xlsx", bomb), ("march.csv.gz", lambda: gzip.compress(b"0" * 50_000_000))])
async def test_file_that_unpacks_without_end_is_refused_and_the_service_lives(
    locked: Locked, name: str, make: Callable[[], bytes]
) -> None:
    content = make()
    assert len(content) < 400_000
    async with locked.client(Role.OPERATOR, more={"Content-Type": "application/octet-stream"}) as client:
        sent = await client.post(f"/api/v1/exports?name={name}", content=content)
        assert sent.status_code == 202, sent.text
        key = sent.json()["key"]
        job = locked.app.state.exports.find(key)
        async with asyncio.timeout(60):
            await until_read(client, key)
        state = (await client.get(f"/api/v1/exports/{key}")).json()
    assert job is not None
    assert state["state"] == "failed", state
    assert state["problem"]
    locked.app.state.exports.close()


@pytest.mark.parametrize(
    "path", ["/loops/TB-07%00", "/static/tallywire.css%00.html", "/api/v1/loops/%00", "/alerts%0a", "/loops/%7f"]
)
async def test_control_sign_in_an_address_is_refused(shared: Locked, path: str) -> None:
    answer = await shared.get(path, Role.ADMIN)
    assert answer.status_code == 400


async def test_null_byte_in_a_form_is_no_end_of_a_text(locked: Locked) -> None:
    word = "quiet belt at night"
    form = locked.form(Role.ADMIN, account="ortega\x00x", password=word, again=word)
    answer = await locked.post("/accounts", Role.ADMIN, data=form | {"role": "viewer"})
    assert answer.status_code == 422
    assert len(locked.access.accounts.all()) == 4


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PUT", "PATCH", "OPTIONS", "PROPFIND"])
async def test_method_that_nothing_takes_is_refused(shared: Locked, method: str) -> None:
    async with shared.client(Role.ADMIN) as client:
        answer = await client.request(method, "/accounts")
    assert answer.status_code in (403, 405)
    assert "access-control-allow-origin" not in answer.headers


async def test_answer_tells_a_foreign_page_nothing(shared: Locked) -> None:
    answer = await shared.get("/api/v1/site", Role.VIEWER, Origin="https://evil.example")
    assert "access-control-allow-origin" not in answer.headers
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


async def test_error_tells_nothing_of_the_inside(locked: Locked, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("secret inside of /srv/tallywire")

    monkeypatch.setattr(locked.desk, "standing", breaks)
    for accept in ("text/html", "application/json"):
        answer = await locked.get("/alerts", Role.VIEWER, Accept=accept)
        assert answer.status_code == 500
        assert "secret inside" not in answer.text
        assert "Traceback" not in answer.text
