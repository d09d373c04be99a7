"""What a request must be before anything else is asked: for this host, the way it is served, and from our own page."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.web import who
from config.web import Web

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

HEAD_BYTES = 16 * 1024
"""Longest head of a request [bytes]."""

STRICT_TRANSPORT = "max-age=31536000"
"""For a year browsers come back by https only; without subdomains, which are not ours."""

Refuse = Callable[[Scope, int, str, str], ASGIApp]
"""Makes the error answer: scope, status, what is wrong, how to fix it."""


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


LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})


@dataclass(slots=True)
class Guard:
    """Which hosts are ours and how they are served. `port` None accepts any port (not bound yet, or known to a proxy only)."""

    port: int | None = None
    process_token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    names: frozenset[str] = LOOPBACK_NAMES
    scheme: str = "http"
    proxied: bool = False

    @classmethod
    def of(cls, web: Web, port: int | None) -> Guard:
        """The guard of a site."""
        host = web.host.strip("[]").lower()
        names = {f"[{name}]" if ":" in name else name for name in (host, *(name.lower() for name in web.names))}
        return cls(
            port=port,
            names=LOOPBACK_NAMES | names,
            scheme="https" if web.encrypted or web.behind_proxy else "http",
            proxied=bool(web.behind_proxy),
        )

    @property
    def token(self) -> str:
        """The token that belongs into the forms of whoever asks: of the session, without one that of this process."""
        return who.current().form_token or self.process_token

    def knows_host(self, value: str) -> bool:
        """Whether a Host header names this service."""
        found = split_host(value)
        if found is None or found[0] not in self.names:
            return False
        usual = 443 if self.scheme == "https" else 80
        return self.port is None or self.proxied or (found[1] or usual) == self.port

    def knows_origin(self, origin: str, host: str) -> bool:
        """Whether an Origin header is the page that this very host served."""
        return origin == f"{self.scheme}://{host}" and self.knows_host(host)

    def knows_token(self, token: str) -> bool:
        """Whether a form carries the token of whoever asks."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())


class Gate:
    """ASGI middleware in front of every route: host, scheme, origin, headers."""

    def __init__(self, app: ASGIApp, *, guard: Guard, refuse: Refuse) -> None:
        self._app, self._guard, self._refuse = app, guard, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError(f"no {scope['type']} here")
        answer = _Answer(send, self._guard.scheme == "https")
        refusal = self._objection(scope)
        if refusal is not None:
            await self._refuse(scope, *refusal)(scope, receive, answer.send)
            return
        await self._app(scope, receive, answer.send)

    def _objection(self, scope: Scope) -> tuple[int, str, str] | None:
        headers = Headers(scope=scope)
        if sum(len(name) + len(value) for name, value in headers.raw) + len(scope["path"]) > HEAD_BYTES:
            return 431, f"the head of the request is longer than {HEAD_BYTES // 1024} KiB", "delete the cookies of this site"
        host = headers.get("host", "")
        if not self._guard.knows_host(host):
            return 400, "this host name is not served here", "open the address that Tallywire printed at its start"
        if self._guard.scheme == "https" and scope.get("scheme") != "https":
            fix = "the proxy must send X-Forwarded-Proto: https" if self._guard.proxied else "open it with https://"
            return 400, "this page is served by https only", fix
        if any(ord(sign) < 32 or ord(sign) == 127 for sign in scope["path"]):
            return 400, "the address holds a control sign", "follow the links of the pages"
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
    """Adds the security headers to an answer."""

    def __init__(self, send: Send, strict: bool) -> None:
        self._send, self._strict = send, strict

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            if self._strict:
                headers["Strict-Transport-Security"] = STRICT_TRANSPORT
            headers.setdefault("Cache-Control", "no-store")
        await self._send(message)
