"""Whether somebody looks: pages and REST ask for numbers of now, a scrape of metrics or a probe does not."""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send

from collector.clock import Clock
from collector.live import LiveState

UNWATCHED = ("/metrics", "/api/v1/healthz", "/api/v1/readyz", "/static/")


class Watched:
    """Notes when a person or a program last asked for what the loops show."""

    def __init__(self, app: ASGIApp, *, live: LiveState, clock: Clock) -> None:
        self._app, self._live, self._clock = app, live, clock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Called by the server for each request that was let in."""
        if scope["type"] == "http" and not scope["path"].startswith(UNWATCHED):
            self._live.looked_at = self._clock.now()
        await self._app(scope, receive, send)
