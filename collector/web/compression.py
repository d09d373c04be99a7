"""Pages are sent compressed, but for the event stream and for what carries the token of a form.

A compressed answer that holds both a secret and what a client sent tells the secret by its length (the attack is known as
BREACH), so pages with forms go out plain: whoever makes such an answer marks it with `AS_IT_IS`.
"""

from __future__ import annotations

from collections.abc import Mapping

from starlette.datastructures import MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PLAIN = ("/events",)
LEAST_BYTES = 2048
AS_IT_IS: Mapping[str, str] = {"Content-Encoding": "identity"}
"""Header by which an answer asks not to be compressed; it is taken off on the way out."""


class Compressed:
    """Middleware: gzip where the client takes it."""

    def __init__(self, app: ASGIApp) -> None:
        self._plain = app
        self._packed = GZipMiddleware(app, minimum_size=LEAST_BYTES, compresslevel=5)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(PLAIN):
            await self._plain(scope, receive, send)
            return

        async def without_mark(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if headers.get("content-encoding") == "identity":
                    del headers["content-encoding"]
            await send(message)

        await self._packed(scope, receive, without_mark)
