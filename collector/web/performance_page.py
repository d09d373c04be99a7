"""The page of the figures of the alarm system: a plain table beside the usual yardsticks."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from collector.alerts.desk import AlertDesk
from collector.alerts.performance import LEAST_DAYS, in_hand
from collector.clock import Clock
from collector.live import LiveState
from collector.web.alert_api import FIGURES_SPAN
from collector.web.pages import Pages
from collector.web.times import From, To, stretch


class PerformancePage:
    """Shows how the alarm system itself does."""

    def __init__(self, pages: Pages, live: LiveState, desk: AlertDesk, clock: Clock) -> None:
        self._pages, self._live, self._desk, self._clock = pages, live, desk, clock

    def page(self, begin: str | None, to: str | None) -> HTMLResponse:
        """The figures of a time, the last 30 days where none is named."""
        first, last = stretch(begin, to, self._clock.now(), FIGURES_SPAN)
        return self._pages.render(
            "performance.html",
            found=self._desk.performance(first, last),
            states=in_hand(self._desk.standing()),
            operators=self._live.site.alerting.operators,
            least_days=LEAST_DAYS,
        )


def router(page: PerformancePage) -> APIRouter:
    """The page."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/alerts/performance")
    async def performance(begin: From = None, to: To = None) -> Response:
        return page.page(begin, to)

    return routes
