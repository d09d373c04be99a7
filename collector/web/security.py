"""What a request must be before any route sees it: from this machine, for this host, from our own page, small and quick."""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from config.errors import AddressError

BODY_LIMIT = 64 * 1024
"""Largest request body [bytes]."""

TIME_LIMIT = 15.0
"""Longest time a request may take [s]; the event stream is exempt."""

UPLOAD_LIMIT, UPLOAD_TIME = 201 * 1024 * 1024, 300.0
"""The same for the addresses that take an exported file [bytes, s]; it goes to disk as it comes."""

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": browsers would then send `Origin: null` with our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

Refuse = Callable[[Scope, int, str, str], ASGIApp]
"""Makes the error answer: scope, status, what is wrong, how to fix it."""


def require_loopback(host: str) -> str:
    """The host, where it is a loopback address of this machine; AddressError for anything else.

    Names other than `localhost` are refused without a look-up: what a name means can change after the check.
    """
    if host.lower() == "localhost":
        return host
    try:
        loopback = ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise AddressError(
            f"pages and REST may listen on this machine only, not on {host!r}",
            where="web.host",
            fix="use 127.0.0.1, ::1 or localhost; there are no accounts yet, so nobody else may reach the page",
        )
    return host


def split_host(value: str) -> tuple[str, int | None] | None:
    """Host and port of a Host header, None where it is malformed."""
    name, port = value, ""
    if value.startswith("["):
        name, bracket, rest = value.partition("]")
        name += bracket
        if not bracket or (rest and not rest.startswith(":")):
            return None
        port = rest[1:]
    elif ":" in value:
        name, _, port = value.rpartition(":")
    if port and not (port.isascii() and port.isdigit()):
        return None
    return name.lower(), int(port) if port else None


@dataclass(slots=True)
class Guard:
    """Which hosts are ours, and the token of this process. `port` None accepts any port (not bound yet, or behind a test)."""

    port: int | None = None
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    names: frozenset[str] = frozenset({"127.0.0.1", "localhost", "[::1]"})

    def knows_host(self, value: str) -> bool:
        """Whether a Host header names this service."""
        found = split_host(value)
        if found is None or found[0] not in self.names:
            return False
        return self.port is None or (found[1] or 80) == self.port

    def knows_origin(self, origin: str, host: str) -> bool:
        """Whether an Origin header is the page that this very host served."""
        return origin == f"http://{host}" and self.knows_host(host)

    def knows_token(self, token: str) -> bool:
        """Whether a form carries the token of this process."""
        return hmac.compare_digest(token.encode(), self.token.encode())


class Gate:
    """ASGI middleware in front of every route: host, origin, size, time, headers."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        guard: Guard,
        refuse: Refuse,
        body_limit: int = BODY_LIMIT,
        time_limit: float = TIME_LIMIT,
        untimed: frozenset[str] = frozenset({"/events"}),
        uploads: frozenset[str] = frozenset({"/verify", "/api/v1/exports"}),
    ) -> None:
        self._app, self._guard, self._refuse = app, guard, refuse
        self._body_limit, self._time_limit, self._untimed = body_limit, time_limit, untimed
        self._uploads = uploads

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError(f"no {scope['type']} here")
        answer = _Answer(send)
        refusal = self._objection(scope)
        if refusal is not None:
            await self._refuse(scope, *refusal)(scope, receive, answer.send)
            return
        limit = None if scope["path"] in self._untimed else self._time_limit
        if scope["path"] in self._uploads and scope["method"] not in SAFE_METHODS:
            limit = UPLOAD_TIME
        try:
            async with asyncio.timeout(limit):
                if scope["method"] not in SAFE_METHODS and scope["path"] in self._uploads:
                    if _declared(scope) > UPLOAD_LIMIT:
                        too_large = f"the file is larger than {UPLOAD_LIMIT // 1_000_000} MB"
                        await self._refuse(scope, 413, too_large, "export fewer days or fewer tags")(
                            scope, receive, answer.send
                        )
                        return
                    receive = _bounded(receive, UPLOAD_LIMIT)
                elif scope["method"] not in SAFE_METHODS:
                    body = await _whole_body(receive, self._body_limit)
                    if body is None:
                        too_large = f"the request is larger than {self._body_limit // 1024} KiB"
                        await self._refuse(scope, 413, too_large, "send less")(scope, receive, answer.send)
                        return
                    receive = _replay(body, receive)
                await self._app(scope, receive, answer.send)
        except TimeoutError:
            if answer.started:
                raise
            too_slow = f"the request took longer than {self._time_limit:g} s"
            await self._refuse(scope, 503, too_slow, "try again")(scope, receive, answer.send)

    def _objection(self, scope: Scope) -> tuple[int, str, str] | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._guard.knows_host(host):
            return 400, "this host name is not served here", "open the address that Tallywire printed at its start"
        if scope["method"] in SAFE_METHODS:
            return None
        origin = headers.get("origin")
        if origin is not None:
            if not self._guard.knows_origin(origin, host):
                return 403, "the request comes from another page", "act on the page that Tallywire itself serves"
            return None
        # Browsers send an Origin with every POST; a script on this machine need not, but then it must speak JSON, which no
        # form of a foreign page can send.
        kind = headers.get("content-type", "")
        if scope["path"].startswith("/api/") and kind.startswith(("application/json", "application/octet-stream")):
            return None
        return (
            403,
            "the request does not say which page it comes from",
            "act on the page, or send JSON (a file: application/octet-stream) to /api/v1",
        )


class _Answer:
    """Adds the security headers to an answer and remembers whether it has begun."""

    def __init__(self, send: Send) -> None:
        self._send, self.started = send, False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
        await self._send(message)


def _declared(scope: Scope) -> int:
    """Length that a request says it has [bytes], 0 where it says none."""
    length = Headers(scope=scope).get("content-length", "")
    return int(length) if length.isdigit() else 0


def _bounded(receive: Receive, limit: int) -> Receive:
    """The same messages, cut off where a body is longer than it may be."""
    left = limit

    async def bounded() -> Message:
        nonlocal left
        message = await receive()
        left -= len(message.get("body", b""))
        return message if left >= 0 else {"type": "http.disconnect"}

    return bounded


async def _whole_body(receive: Receive, limit: int) -> bytes | None:
    """The body of a request, None where it is larger than the limit [bytes]."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return b"".join(parts)
        part: bytes = message.get("body", b"")
        size += len(part)
        if size > limit:
            return None
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)


def _replay(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def again() -> Message:
        nonlocal sent
        if not sent:
            sent = True
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    again_: Callable[[], Awaitable[Message]] = again
    return again_
