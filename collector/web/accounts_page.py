"""Accounts, tokens and the audit log, for admins."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.access.audit import Walked
from collector.access.desk import Access
from collector.access.passwords import SHORTEST
from collector.access.roles import Role, Scope
from collector.web import who
from collector.web.forms import many_of, own_form
from collector.web.pages import Pages
from collector.web.security import Guard
from config.errors import TallywireError

ENTRIES = 100
"""Entries of the audit log on a page."""
ACTIONS = ("role", "password", "disable", "enable")


class AccountsPages:
    """Shows the books and hands on what admins order."""

    def __init__(self, pages: Pages, access: Access | None, guard: Guard) -> None:
        self._pages, self._access, self._guard = pages, access, guard

    async def page(self, *, problem: TallywireError | None = None, secret: str = "", named: str = "") -> Response:
        """Accounts and tokens; `secret` is that of a token just made, shown this once."""
        access = self._access
        accounts = [] if access is None else await run_in_threadpool(access.accounts.all)
        tokens = [] if access is None else await run_in_threadpool(access.tokens.all)
        answer = self._pages.render(
            "accounts.html", 200 if problem is None else 422, accounts=accounts, tokens=tokens, roles=list(Role), scopes=list(Scope),
            problem=problem, secret=secret, named=named, shortest=SHORTEST, books=access is not None,
        )  # fmt: skip
        answer.headers["Content-Encoding"] = "identity"
        return answer

    async def add(self, request: Request) -> Response:
        """Add an account by a form."""
        form, access = await own_form(request, self._guard), self._books()
        try:
            role = _role(form.get("role", ""))
            _twice(form)
            await run_in_threadpool(
                lambda: access.accounts.add(form.get("account", ""), role, form.get("password", ""), by=who.current())
            )
        except TallywireError as problem:
            return await self.page(problem=problem)
        who.entered()
        return RedirectResponse("/accounts", status_code=303)

    async def change(self, name: str, action: str, request: Request) -> Response:
        """Change an account by a form."""
        form, access, me = await own_form(request, self._guard), self._books(), who.current()
        if action not in ACTIONS:
            raise HTTPException(404, f"there is no action {action!r}")
        try:
            if action == "role":
                role = _role(form.get("role", ""))
                await run_in_threadpool(lambda: access.accounts.set_role(name, role, by=me))
            elif action == "password":
                _twice(form)
                await run_in_threadpool(lambda: access.accounts.set_password(name, form.get("password", ""), by=me))
            else:
                await run_in_threadpool(lambda: access.accounts.set_disabled(name, action == "disable", by=me))
        except TallywireError as problem:
            return await self.page(problem=problem)
        who.entered()
        return RedirectResponse("/accounts", status_code=303)

    async def add_token(self, request: Request) -> Response:
        """Make a token by a form, and show it once."""
        fields, access = await many_of(request, self._guard), self._books()
        try:
            scopes = [_scope(word) for word in fields.get("scope", [])]
            days = _days(fields.get("days", [""])[-1])
            name = fields.get("account", [""])[-1]
            made, secret = await run_in_threadpool(lambda: access.tokens.add(name, scopes, days, by=who.current()))
        except TallywireError as problem:
            return await self.page(problem=problem)
        who.entered()
        return await self.page(secret=secret, named=made.name)

    async def revoke(self, number: int, request: Request) -> Response:
        """End a token by a form."""
        await own_form(request, self._guard)
        access = self._books()
        try:
            await run_in_threadpool(lambda: access.tokens.revoke(number, by=who.current()))
        except TallywireError as problem:
            return await self.page(problem=problem)
        who.entered()
        return RedirectResponse("/accounts", status_code=303)

    async def log(self, name: str, before: int | None, verify: bool) -> Response:
        """The audit log, newest first, and whether its chain is unbroken where that was asked."""
        access = self._access
        entries = (
            [] if access is None else await run_in_threadpool(lambda: access.log.newest(who=name, before=before, most=ENTRIES))
        )
        walked: Walked | None = None
        if access is not None and verify:
            walked = await run_in_threadpool(access.log.walk)
        return self._pages.render(
            "audit.html", entries=entries, asked=name, walked=walked, books=access is not None,
            older=entries[-1].number if len(entries) == ENTRIES else None,
        )  # fmt: skip

    def _books(self) -> Access:
        if self._access is None:
            raise HTTPException(503, "there are no accounts: the service keeps no history")
        return self._access


def _twice(form: dict[str, str]) -> None:
    if form.get("password") != form.get("again"):
        raise TallywireError("the two passwords differ", fix="type the password twice")


def _role(text: str) -> Role:
    if text not in list(Role):
        raise TallywireError(f"there is no role {text!r}", where="role", fix=f"one of {', '.join(Role)}")
    return Role(text)


def _scope(text: str) -> Scope:
    if text not in list(Scope):
        raise TallywireError(f"there is no scope {text!r}", where="scope", fix=f"one or more of {', '.join(Scope)}")
    return Scope(text)


def _days(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise TallywireError("the days of a token are no number", where="days", fix="type days, such as 90") from None


def router(pages: AccountsPages) -> APIRouter:
    """The pages and forms."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/accounts")
    async def page() -> Response:
        return await pages.page()

    @routes.post("/accounts")
    async def add(request: Request) -> Response:
        return await pages.add(request)

    @routes.post("/accounts/tokens")
    async def add_token(request: Request) -> Response:
        return await pages.add_token(request)

    @routes.post("/accounts/tokens/{number}/revoke")
    async def revoke(number: int, request: Request) -> Response:
        return await pages.revoke(number, request)

    @routes.post("/accounts/{name}/{action}")
    async def change(name: str, action: str, request: Request) -> Response:
        return await pages.change(name, action, request)

    @routes.get("/audit")
    async def log(
        name: Annotated[str, Query(alias="who", max_length=80)] = "",
        before: Annotated[int | None, Query(ge=1, le=2**62)] = None,
        verify: bool = False,
    ) -> Response:
        return await pages.log(name.strip(), before, verify)

    return routes
