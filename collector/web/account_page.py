"""Signing in and out, and the own account."""

from __future__ import annotations

import hmac
from urllib.parse import urlsplit

from fastapi import APIRouter, HTTPException, Request
from jinja2 import Environment
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.access.desk import Access
from collector.access.passwords import SHORTEST
from collector.access.roles import Role, Who
from collector.live import LiveState
from collector.web import who
from collector.web.door import cookie_name
from collector.web.forms import fields_of, own_form
from collector.web.pages import Pages
from collector.web.permissions import rule_of
from collector.web.security import Guard
from config.errors import TallywireError

UNFIT = "this name and this password do not belong together"
"""Said alike for a wrong name, a wrong password and a disabled account."""


def own_path(text: str) -> str:
    """Where to go after signing in: a page of ours, else the site page. Nothing that could lead to another host."""
    try:
        parts = urlsplit(text)
    except ValueError:
        return "/"
    odd = any(ord(sign) <= 32 or sign == "\\" or ord(sign) == 127 for sign in text)
    if (
        odd
        or parts.scheme
        or parts.netloc
        or not text.startswith("/")
        or text.startswith("//")
        or parts.path.startswith("/api")
    ):
        return "/"
    rule = rule_of("GET", parts.path)
    return text if rule is not None and isinstance(rule.need, Role) else "/"


class AccountPages:
    """Signs people in and out."""

    def __init__(self, env: Environment, pages: Pages, access: Access | None, guard: Guard, live: LiveState) -> None:
        self._env, self._pages, self._access, self._guard = env, pages, access, guard
        self._live, self._web = live, live.site.web

    async def sign_in_page(self, wanted: str) -> Response:
        """The form; to the site page where nobody needs it."""
        if self._access is None or not (self._web.exposed or await run_in_threadpool(self._access.accounts.any)):
            return RedirectResponse("/", status_code=303)
        if who.current().signed_in:
            return RedirectResponse(own_path(wanted), status_code=303)
        return self._form(own_path(wanted))

    async def sign_in(self, request: Request) -> Response:
        """Take name and password; a wait instead where too many were wrong."""
        access = self._books()
        fields = await fields_of(request)
        if not hmac.compare_digest(fields.get("token", "").encode(), self._guard.process_token.encode()):
            return self._form("/", problem="the form is from an earlier run of the service; sign in with this one", status=403)
        wanted, name, password = own_path(fields.get("next", "/")), fields.get("name", ""), fields.get("password", "")
        address = who.current().address or (request.client.host if request.client else "")
        wait_s = access.throttle.wait_s(name, address)
        if wait_s > 0.0:
            self._live.count("sign_ins_delayed")
            answer = self._form(wanted, problem=f"too many were wrong; try again in {wait_s:.0f} s", status=429)
            answer.headers["Retry-After"] = str(int(wait_s) + 1)
            return answer
        name_of_cookie = cookie_name(self._guard)
        old = request.cookies.get(name_of_cookie, "")
        made = await run_in_threadpool(access.sign_in, name, password, address, old_session=old)
        if made is None:
            self._live.count("sign_ins_refused")
            return self._form(wanted, problem=UNFIT, status=401)
        response = RedirectResponse(wanted, status_code=303)
        self._set_cookie(response, made[1])
        return response

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        await own_form(request, self._guard)
        me = who.current()
        if me.session:
            await run_in_threadpool(self._books().sign_out, me)
            who.entered()
        response = RedirectResponse("/login", status_code=303)
        self._set_cookie(response, "")
        return response

    async def own(self, *, problem: TallywireError | None = None, done: str = "") -> Response:
        """Who is signed in, and what they may."""
        me = who.current()
        sessions = (
            await run_in_threadpool(self._access.sessions.count, me.name) if self._access is not None and me.session else 0
        )
        return self._pages.render(
            "account.html", 200 if problem is None else 422, problem=problem, done=done, sessions=sessions, roles=list(Role),
            shortest=SHORTEST, books=self._access is not None,
        )  # fmt: skip

    async def password(self, request: Request) -> Response:
        """Change the own password: all other sessions end, this one gets a new id."""
        form = await own_form(request, self._guard)
        access, me = self._books(), self._person()
        address = me.address
        try:
            wait_s = access.throttle.wait_s(me.name, address)
            if wait_s > 0.0:
                raise TallywireError(f"too many were wrong; try again in {wait_s:.0f} s")
            if form.get("new") != form.get("again"):
                raise TallywireError("the two new passwords differ", fix="type the new one twice")
            access.throttle.failed(me.name, address)
            if await run_in_threadpool(access.accounts.check, me.name, form.get("old", "")) is None:
                raise TallywireError("the old password is not right")
            access.throttle.succeeded(me.name, address)
            await run_in_threadpool(lambda: access.accounts.set_password(me.name, form.get("new", ""), by=me))
        except TallywireError as problem:
            return await self.own(problem=problem)
        who.entered()
        secret = await run_in_threadpool(access.sessions.begin, me.name, address)
        response = RedirectResponse("/account", status_code=303)
        self._set_cookie(response, secret)
        return response

    async def others(self, request: Request) -> Response:
        """End all sessions of the account but this one."""
        await own_form(request, self._guard)
        access, me = self._books(), self._person()
        ended = await run_in_threadpool(access.sessions.end_others, me.name, me.session)
        who.note(new={"ended": ended})
        return await self.own(done=f"{ended} other sessions have ended" if ended != 1 else "one other session has ended")

    def _form(self, wanted: str, *, problem: str = "", status: int = 200) -> Response:
        page = self._env.get_template("login.html").render(token=self._guard.process_token, wanted=wanted, problem=problem)
        return HTMLResponse(page, status, headers={"Content-Encoding": "identity"})

    def _set_cookie(self, response: Response, secret: str) -> None:
        response.set_cookie(
            cookie_name(self._guard), secret, max_age=None if secret else 0, path="/", httponly=True, samesite="lax",
            secure=self._guard.scheme == "https",
        )  # fmt: skip

    def _books(self) -> Access:
        if self._access is None:
            raise HTTPException(503, "there are no accounts: the service keeps no history")
        return self._access

    def _person(self) -> Who:
        me = who.current()
        if not me.session:
            raise HTTPException(409, "nobody is signed in: there is no account yet")
        return me


def router(pages: AccountPages) -> APIRouter:
    """The pages and forms."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/login")
    async def form(request: Request) -> Response:
        return await pages.sign_in_page(request.query_params.get("next", "/"))

    @routes.post("/login")
    async def sign_in(request: Request) -> Response:
        return await pages.sign_in(request)

    @routes.post("/logout")
    async def sign_out(request: Request) -> Response:
        return await pages.sign_out(request)

    @routes.get("/account")
    async def own() -> Response:
        return await pages.own()

    @routes.post("/account/password")
    async def password(request: Request) -> Response:
        return await pages.password(request)

    @routes.post("/account/others")
    async def others(request: Request) -> Response:
        return await pages.others(request)

    return routes
