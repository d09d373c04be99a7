"""Who may do what, on every route that there is: made from the routes of the application, so a new one cannot be forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.access.roles import Role, Scope
from collector.web.permissions import NEEDS, PUBLIC_FILES, Open, rule_of
from collector.web.security import SAFE_METHODS
from config.web import Web
from tests.collector.web import plant
from tests.collector.web.locked import HOST, NAMES, Locked, every_route, locked_app

VALUES = {
    "{loop}": "TB-07", "{alert}": "TB-07-scaling-block-1", "{action}": "acknowledge", "{cause}": "upper-range", "{number}": "1",
    "{key}": "nothing", "{name}": "gauge-07",
}  # fmt: skip
STREAM = "/events"


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    made = locked_app(tmp_path_factory.mktemp("door"))
    yield made
    made.state.close()


def filled(path: str) -> str:
    """A path with something plausible for each of its parts."""
    for part, value in VALUES.items():
        path = path.replace(part, value)
    if path == "/static/gauge-07":
        return "/static/live.js"
    return path.replace("/accounts/gauge-07/", "/accounts/weber/")


def test_every_route_declares_its_role_and_none_is_declared_that_is_not_there(locked: Locked) -> None:
    """A route that is new goes into the table of collector/web/permissions.py, under the role that it needs."""
    served = set(every_route(locked.app))
    assert len(served) > 60, "the routes of included routers are not seen"
    assert served - NEEDS.keys() == set(), "declare a role for these in collector/web/permissions.py"
    assert NEEDS.keys() - served == set(), "these are declared in collector/web/permissions.py and not served"


def test_no_change_is_open_to_those_who_only_read(locked: Locked) -> None:
    own = {("POST", "/logout"), ("POST", "/account/password"), ("POST", "/account/others"), ("POST", "/login")}
    for method, path in every_route(locked.app):
        if method not in SAFE_METHODS and (method, path) not in own:
            assert NEEDS[(method, path)] in (Role.OPERATOR, Role.ENGINEER, Role.ADMIN), (method, path)


@pytest.mark.parametrize("role", [None, *Role], ids=lambda role: role.value if role else "nobody")
async def test_every_route_answers_each_role_as_declared(locked: Locked, role: Role | None) -> None:
    async with locked.client(role, Accept="application/json") as client:
        for (method, path), need in sorted(NEEDS.items()):
            if path in (STREAM, "/logout"):
                continue
            content = (
                {} if method in SAFE_METHODS else {"json": {}} if path.startswith("/api/") else {"data": {"token": "guess"}}
            )
            answer = await client.request(method, filled(path), **content)  # type: ignore[arg-type]
            where = f"{method} {path} as {role}: {answer.status_code} {answer.text[:200]}"
            if need is Open.ANYBODY or filled(path) in PUBLIC_FILES:
                assert answer.status_code != 401, where
            elif role is None:
                assert answer.status_code == 401, where
            elif isinstance(need, Role) and need.rank > role.rank:
                assert answer.status_code == 403, where
                assert f"this needs the role {need.value}" in answer.text, where
                assert NAMES[Role.ADMIN] in answer.text, where
            else:
                assert answer.status_code != 401, where
                assert "this needs the role" not in answer.text, where


async def test_event_stream_is_closed_to_nobody_and_ends_with_the_session(locked: Locked) -> None:
    assert (await locked.get(STREAM)).status_code == 401
    secret = locked.session(Role.VIEWER)
    locked.access.sessions.idle_s = 0.2
    async with locked.client(session=secret) as client:
        answer = await client.get(STREAM)
    assert answer.status_code == 200
    assert answer.text.startswith(("event:", "retry:", "id:", ":", "data:"))


@pytest.mark.parametrize(
    ("scopes", "allowed", "refused"),
    [
        ((Scope.METRICS,), ["GET /metrics", "GET /api/v1/healthz"], ["GET /api/v1/site", "POST /api/v1/alerts/{alert}/acknowledge"]),
        ((Scope.READ,), ["GET /api/v1/site", "GET /metrics", "GET /api/openapi.json"], ["POST /api/v1/alerts/{alert}/acknowledge"]),
        ((Scope.OPERATE,), ["GET /api/v1/site", "POST /api/v1/alerts/{alert}/acknowledge"], ["POST /api/v1/endpoints/{name}/lend"]),
        ((Scope.ENGINEER,), ["DELETE /api/v1/endpoints/{name}/lend"], ["GET /api/v1/access/accounts", "POST /api/v1/access/tokens", "GET /api/v1/access/audit"]),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, tuple) else None,
)  # fmt: skip
async def test_token_opens_what_its_scopes_say(
    locked: Locked, scopes: tuple[Scope, ...], allowed: list[str], refused: list[str]
) -> None:
    bearer = f"Bearer {locked.token(*scopes)}"
    async with locked.client(Accept="application/json", Authorization=bearer) as client:
        for line, good in [(line, True) for line in allowed] + [(line, False) for line in refused]:
            method, path = line.split()
            content = {"json": {"by": "somebody else"}} if method == "POST" else {}
            if method == "DELETE":
                content = {"headers": {"Content-Type": "application/json"}}
            answer = await client.request(method, filled(path), **content)  # type: ignore[arg-type]
            assert (answer.status_code < 400) is good, f"{line}: {answer.status_code} {answer.text}"
            if not good:
                assert answer.status_code == 403


async def test_token_opens_no_page_and_a_bad_one_is_not_made_good_by_a_cookie(locked: Locked) -> None:
    bearer = f"Bearer {locked.token(Scope.READ)}"
    assert (await locked.get("/alerts", Authorization=bearer)).status_code == 303
    for wrong in ("Bearer tw_nothing", "Basic b3J0ZWdhOng=", bearer + "x", "Bearer", "Bearer " + "x" * 4000):
        answer = await locked.get("/api/v1/site", Role.ADMIN, Authorization=wrong, Accept="application/json")
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"


async def test_page_leads_to_the_form_and_back_and_a_program_is_told_what_to_send(locked: Locked) -> None:
    page = await locked.get("/loops/TB-07/trend?span=2h")
    assert (page.status_code, page.headers["location"]) == (303, "/login?next=%2Floops%2FTB-07%2Ftrend%3Fspan%3D2h")
    fragment = await locked.get("/fragment")
    assert fragment.status_code == 401
    program = await locked.get("/api/v1/site", Accept="*/*")
    assert (program.status_code, program.json()["fix"]) == (401, "send a token as Authorization: Bearer ...")
    unknown = await locked.get("/nothing/here")
    assert unknown.headers["location"] == "/login?next=%2F"


async def test_unknown_address_and_method_are_told_to_those_who_are_in(locked: Locked) -> None:
    assert (await locked.get("/nothing/here", Role.VIEWER)).status_code == 404
    wrong = await locked.post("/tags", Role.VIEWER, data=locked.form(Role.VIEWER))
    assert (wrong.status_code, wrong.headers["allow"]) == (405, "GET")


async def test_form_to_sign_in_and_its_files_are_all_that_is_open(locked: Locked) -> None:
    for path in ("/login", "/static/tallywire.css", "/static/mark.svg"):
        assert (await locked.get(path)).status_code == 200
    for path in ("/static/live.js", "/metrics", "/api/openapi.json", "/api/v1/healthz", "/records/print.css"):
        assert (await locked.get(path, Accept="*/*")).status_code == 401
    page = (await locked.get("/login")).text
    assert plant.site().title not in page
    assert page.count('src="') == 0
    assert {part.split("?")[0] for part in page.split('href="')[1:] if part.startswith("/static/")} == PUBLIC_FILES


async def test_scraper_at_a_declared_address_reads_metrics_and_nothing_else(tmp_path: Path) -> None:
    web = Web(host="0.0.0.0", names=(HOST,), certificate=tmp_path / "c", key=tmp_path / "k", metrics_from=("192.0.2.48/28",))
    locked = locked_app(tmp_path, web)
    assert (await locked.get("/metrics", Accept="*/*")).status_code == 200
    assert (await locked.get("/api/v1/site", Accept="*/*")).status_code == 401
    locked.address = "192.0.2.64"
    assert (await locked.get("/metrics", Accept="*/*")).status_code == 401
    locked.state.close()


async def test_this_machine_alone_stays_open_until_there_is_an_account(tmp_path: Path) -> None:
    locked = locked_app(tmp_path, Web(), accounts=False)
    page = await locked.get("/")
    assert page.status_code == 200
    assert "No accounts: whoever sits at this machine may do everything" in page.text
    assert (await locked.get("/login")).headers["location"] == "/"
    token = locked.app.state.guard.process_token
    for role, status in (("viewer", 422), ("admin", 303)):
        fields = {
            "token": token,
            "account": "ortega",
            "role": role,
            "password": "potash on a belt",
            "again": "potash on a belt",
        }
        assert (await locked.post("/accounts", data=fields)).status_code == status
    assert (await locked.get("/")).headers["location"] == "/login?next=%2F"
    assert (await locked.post("/accounts", data={"token": token, "account": "x1", "role": "admin"})).status_code == 401
    assert [entry.action.kind for entry in locked.access.log.newest()] == ["this machine", "this machine"]
    locked.state.close()


async def test_others_find_nothing_open_where_there_is_no_account_or_no_book(tmp_path: Path) -> None:
    locked = locked_app(tmp_path, accounts=False)
    for path in ("/", "/metrics", "/api/v1/site", "/accounts"):
        assert (await locked.get(path, Accept="*/*")).status_code == 401
    locked.state.close()


@pytest.mark.parametrize("path", ["/alerts/x/acknowledge/", "/alerts/%2e%2e/accounts", "/ALERTS", "/alerts;x=1", "/accounts/"])
async def test_path_written_otherwise_opens_nothing(locked: Locked, path: str) -> None:
    for method in ("GET", "POST"):
        async with locked.client(Role.VIEWER) as client:
            answer = await client.request(method, path, data=locked.form(Role.VIEWER) if method == "POST" else None)
        assert answer.status_code in (403, 404, 405), f"{method} {path}"


def test_path_that_may_mean_two_routes_needs_the_stricter_role() -> None:
    found = rule_of("POST", "/accounts/tokens")
    assert found is not None
    assert found.need is Role.ADMIN
    both = rule_of("GET", "/records/print.css")
    assert both is not None
    assert both.need is Role.VIEWER
    assert rule_of("POST", "/nothing") is None
