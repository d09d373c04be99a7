"""Pages are sent compressed, but for the event stream and for what carries the token of a form.

A compressed answer that holds both a secret and what a client sent tells the secret by its length (the attack is known as
BREACH), so pages with forms go out plain.
"""

from __future__ import annotations

from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

PLAIN = ("/events", "/alerts", "/uptime", "/records")
LEAST_BYTES = 2048


class Compressed:
    """Middleware: gzip where the client takes it."""

    def __init__(self, app: ASGIApp) -> None:
        self._plain = app
        self._packed = GZipMiddleware(app, minimum_size=LEAST_BYTES, compresslevel=5)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        plain = scope["type"] != "http" or scope["path"].startswith(PLAIN)
        await (self._plain if plain else self._packed)(scope, receive, send)
