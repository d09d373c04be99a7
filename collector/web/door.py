"""The door: who asks, whether they may, and the entry in the audit log of whatever they change."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qsl, quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.access.audit import Action
from collector.access.desk import Access
from collector.access.roles import Role, Who
from collector.web import who as asking
from collector.web.permissions import Open, Rule, methods_of, rule_of
from collector.web.proxy import within
from collector.web.security import SAFE_METHODS, Guard
from collector.web.who import Notes
from config.errors import StoreError
from config.web import Web

log = logging.getLogger(__name__)

KEPT_BODY = 16 * 1024
"""So much of what was sent is looked at for the log [bytes]."""
BY_THEMSELVES = ("/fragment", "/events")
"""Ends of addresses that a page asks for by itself: they keep no session awake."""
LOG_IS_BROKEN = "what is done cannot be entered in the audit log"

Problems = dict[str, str]
Answer = Callable[..., Response]


class Door:
    """ASGI middleware between the gate and the limits.

    Without books (no history) or while there is no account and nobody else can reach the service, whoever asks is the person at
    this machine. Otherwise everything but the page to sign in asks for a role.
    """

    def __init__(
        self, app: ASGIApp, *, access: Access | None, web: Web, guard: Guard, answer: Answer, problems: Problems
    ) -> None:
        self._app, self._access, self._web, self._guard = app, access, web, guard
        self._answer, self._problems = answer, problems
        self._log_broken = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            refusal, who, rule, left_s = await self._ask(scope)
        except StoreError as error:
            log.error("the accounts cannot be read: %s", error)
            unread = self._answer(scope, 503, "the accounts cannot be read", "the log of the service says why")
            await unread(scope, receive, send)
            return
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        scope.setdefault("state", {})["who"] = who
        with asking.asks(who) as notes:
            if scope["method"] in SAFE_METHODS or self._access is None or rule is None or rule.need is Open.ANYBODY:
                await self._within(left_s, scope, receive, send)
            else:
                await self._change(who, rule, notes, scope, receive, send)

    async def _change(self, who: Who, rule: Rule, notes: Notes, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a change through, and enter it before its answer goes out."""
        if self._log_broken and not await self._log_works():
            refused = self._answer(scope, 503, LOG_IS_BROKEN, "free some room on the disk of the service, then try again")
            await refused(scope, receive, send)
            return
        seen = _Seen(receive)
        entered = False

        async def sending(message: Message) -> None:
            nonlocal entered
            if message["type"] == "http.response.start" and not entered:
                entered = True
                if not (notes.entered and message["status"] < 400):
                    asked = seen.values(Headers(scope=scope).get("content-type", ""))
                    await self._enter(who, rule, message["status"], notes.old, {**asked, **notes.new})
            await send(message)

        await self._app(scope, seen, sending)

    async def _ask(self, scope: Scope) -> tuple[ASGIApp | None, Who, Rule | None, float | None]:
        """The refusal if there is one, who asks, the rule that holds, and how long the session still lasts [s]."""
        path, method = scope["path"], scope["method"]
        rule = rule_of(method, path)
        access = self._access
        if access is None and self._web.exposed:
            return self._answer(scope, 503, "there are no accounts, so nobody may come in"), Who(), rule, None
        if access is None or not (self._web.exposed or await run_in_threadpool(access.accounts.any)):
            return None, asking.LOCAL, rule, None
        who, left_s, said = await self._who(access, scope)
        if rule is not None and rule.need is Open.ANYBODY:
            return None, who, rule, left_s
        if who.role is None and not who.metrics:
            return self._to_sign_in(scope, rule, said), who, rule, None
        if rule is None:
            known = methods_of(path)
            status, what = (
                (405, "this address does not take that method") if known else (404, "there is nothing at this address")
            )
            refused = self._answer(scope, status, what)
            if known:
                refused.headers["Allow"] = ", ".join(sorted(known))
            return refused, who, rule, None
        if rule.need is Open.METRICS or (isinstance(rule.need, Role) and who.may(rule.need)):
            return None, who, rule, left_s
        assert isinstance(rule.need, Role)
        return await self._too_little(access, scope, who, rule), who, rule, None

    async def _who(self, access: Access, scope: Scope) -> tuple[Who, float | None, str]:
        """Who asks; how long the session lasts; and what is wrong with what was shown, where something was."""
        path = scope["path"]
        address = scope["client"][0] if scope.get("client") else ""
        request = Request(scope)
        kind, _, secret = request.headers.get("authorization", "").partition(" ")
        if kind and (path.startswith("/api/") or path == "/metrics"):
            found = await run_in_threadpool(access.by_token, secret.strip(), address) if kind.lower() == "bearer" else None
            return (found, None, "") if found is not None else (Who(address=address), None, "this token opens nothing")
        if path == "/metrics" and within(address, self._web.metrics_from):
            return Who(kind="scraper", address=address, metrics=True), None, ""
        session = request.cookies.get(cookie_name(self._guard), "")
        if session:
            acts = not path.endswith(BY_THEMSELVES)
            known = await run_in_threadpool(access.by_session, session, address, acts=acts)
            if known is not None:
                return known[0], known[1].left_s, ""
            return Who(address=address), None, "the session has ended"
        return Who(address=address), None, ""

    def _to_sign_in(self, scope: Scope, rule: Rule | None, said: str) -> ASGIApp:
        page = "text/html" in Headers(scope=scope).get("accept", "") and not scope["path"].startswith("/api/")
        if page and scope["method"] == "GET" and not scope["path"].endswith(BY_THEMSELVES):
            target = scope["path"] if rule is not None else "/"
            query = scope.get("query_string", b"").decode("latin-1")
            wanted = f"{target}?{query}" if query and rule is not None else target
            return RedirectResponse(f"/login?next={quote(wanted, safe='')}", status_code=303)
        what = said or "nobody is signed in"
        fix = "send a token as Authorization: Bearer ..." if scope["path"].startswith("/api/") else "open /login and sign in"
        refused = self._answer(scope, 401, what, fix)
        refused.headers["WWW-Authenticate"] = "Bearer"
        return refused

    async def _too_little(self, access: Access, scope: Scope, who: Who, rule: Rule) -> ASGIApp:
        need = rule.need
        assert isinstance(need, Role)
        is_a = f"{who.name or 'this address'} is {_a(who.role.value) if who.role else 'allowed to read metrics only'}"
        what = f"this needs the role {need.value} ({need.may}); {is_a}"
        names = await run_in_threadpool(access.admins) if who.kind == "account" else []
        fix = f"ask {' or '.join(names)} for it" if names else "use a token with a wider scope"
        if scope["method"] not in SAFE_METHODS:
            await self._enter(who, rule, 403, {}, {})
        return self._answer(scope, 403, what, fix)

    async def _within(self, left_s: float | None, scope: Scope, receive: Receive, send: Send) -> None:
        """A stream ends with the session that opened it."""
        if left_s is None or scope["path"] != "/events":
            await self._app(scope, receive, send)
            return
        try:
            async with asyncio.timeout(left_s):
                await self._app(scope, receive, send)
        except TimeoutError:
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _enter(self, who: Who, rule: Rule, status: int, old: dict[str, Any], new: dict[str, Any]) -> None:
        assert self._access is not None
        action = Action(
            time=self._access.clock.now(), who=who.name, kind=who.kind, address=who.address, what=f"{rule.method} {rule.path}",
            subject=" ".join(rule.values.values()), status=status, old=old, new=new,
        )  # fmt: skip
        try:
            await run_in_threadpool(self._access.log.add, action)
        except StoreError as error:
            log.error("the audit log cannot be written: %s", error)
            self._log_broken, self._problems["audit log"] = True, LOG_IS_BROKEN

    async def _log_works(self) -> bool:
        assert self._access is not None
        again = Action(time=self._access.clock.now(), who="", kind="service", address="", what="the log can be written again")
        try:
            await run_in_threadpool(self._access.log.add, again)
        except StoreError:
            return False
        self._log_broken = False
        self._problems.pop("audit log", None)
        return True


class _Seen:
    """Hands on what is sent and keeps its beginning for the log."""

    def __init__(self, receive: Receive) -> None:
        self._receive, self._kept, self._whole = receive, b"", True

    async def __call__(self) -> Message:
        message = await self._receive()
        part: bytes = message.get("body", b"")
        room = KEPT_BODY - len(self._kept)
        self._whole = self._whole and len(part) <= room
        self._kept += part[: max(0, room)]
        return message

    def values(self, kind: str) -> dict[str, Any]:
        """The fields of a form or of a JSON object; of anything else, and of what is too long, nothing."""
        if not self._whole or not self._kept:
            return {}
        text = self._kept.decode("utf-8", "replace")
        try:
            if kind.startswith("application/x-www-form-urlencoded"):
                return {name: value for name, value in parse_qsl(text, max_num_fields=60) if name != "token"}
            found = json.loads(text) if kind.startswith("application/json") else None
        except (ValueError, RecursionError):
            return {}
        return found if isinstance(found, dict) else {}


def cookie_name(guard: Guard) -> str:
    """Name of the cookie; the prefix makes browsers hold it to https, to this host and to all of its paths (RFC 6265bis)."""
    return "__Host-tallywire" if guard.scheme == "https" else "tallywire"


def _a(word: str) -> str:
    return f"{'an' if word[0] in 'aeiou' else 'a'} {word}"
