"""How large a request may be and how long it may take."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.web.security import SAFE_METHODS, Refuse

BODY_LIMIT = 64 * 1024
"""Largest request body [bytes]."""

TIME_LIMIT = 15.0
"""Longest time a request may take [s]; the event stream is exempt."""

UPLOAD_LIMIT, UPLOAD_TIME = 201 * 1024 * 1024, 300.0
"""The same for the addresses that take an exported file [bytes, s]; it goes to disk as it comes."""


class Limits:
    """ASGI middleware behind the door: whoever may not come in sends no body."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        refuse: Refuse,
        body_limit: int = BODY_LIMIT,
        time_limit: float = TIME_LIMIT,
        untimed: frozenset[str] = frozenset({"/events"}),
        uploads: frozenset[str] = frozenset({"/verify", "/api/v1/exports"}),
    ) -> None:
        self._app, self._refuse = app, refuse
        self._body_limit, self._time_limit, self._untimed = body_limit, time_limit, untimed
        self._uploads = uploads

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        upload = scope["method"] not in SAFE_METHODS and scope["path"] in self._uploads
        limit = UPLOAD_TIME if upload else None if scope["path"] in self._untimed else self._time_limit
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            await send(message)
            # the door holds an answer back until its entry is written: only then has it begun
            started = started or message["type"] == "http.response.start"

        try:
            async with asyncio.timeout(limit):
                if upload:
                    if _declared(scope) > UPLOAD_LIMIT:
                        too_large = f"the file is larger than {UPLOAD_LIMIT // 1_000_000} MB"
                        await self._refuse(scope, 413, too_large, "export fewer days or fewer tags")(scope, receive, sending)
                        return
                    receive = _bounded(receive, UPLOAD_LIMIT)
                elif scope["method"] not in SAFE_METHODS:
                    body = await _whole_body(receive, self._body_limit)
                    if body is None:
                        too_large = f"the request is larger than {self._body_limit // 1024} KiB"
                        await self._refuse(scope, 413, too_large, "send less")(scope, receive, sending)
                        return
                    receive = _replay(body, receive)
                await self._app(scope, receive, sending)
        except TimeoutError:
            if started:
                raise
            too_slow = f"the request took longer than {limit:g} s"
            await self._refuse(scope, 503, too_slow, "try again")(scope, receive, sending)


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
