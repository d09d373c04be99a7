"""The lines of a loop's chain as pictures, one for each pair of stations that is compared."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from checks.lines import chain
from collector.clock import Clock
from collector.history.store import Store
from collector.live import LiveState
from collector.web import fit_plot
from collector.web.pages import Pages

SPAN_S = 6 * 3600
POINTS = 360


class LinesPage:
    """Pairs the stored means of both stations of each line and puts them beside what was fitted."""

    def __init__(self, pages: Pages, live: LiveState, store: Store | None, clock: Clock) -> None:
        self._pages, self._live, self._store, self._clock = pages, live, store, clock

    async def page(self, loop: str) -> HTMLResponse:
        """The page; 404 where the site has no such loop, 503 without a history."""
        if loop not in self._live.site.loops:
            raise HTTPException(404, f"this site has no loop {loop!r}")
        if self._store is None:
            reason = self._live.problems.get("history", "the service runs without one")
            raise HTTPException(503, f"there is no history: {reason}")
        plant, evaluation = self._live.site.loops[loop], self._live.evaluations.get(loop)
        end = int(self._clock.now())
        pictures = []
        for line in chain(plant):
            results = () if evaluation is None else evaluation.results
            result = next((item for item in results if item.check == "scaling" and item.link is line.link), None)
            if result is None:
                continue
            x, y = [
                await run_in_threadpool(self._store.trend, loop, role, end - SPAN_S, end, POINTS)
                for role in (line.x_role, line.y_role)
            ]
            picture = fit_plot.draw(line, result, x, y, plant.limits.link.fault)
            if picture is not None:
                pictures.append((line, result, picture))
        return self._pages.render("lines.html", loop_id=loop, pictures=pictures, span_s=SPAN_S)


def router(lines: LinesPage) -> APIRouter:
    """The route of the page."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/loops/{loop}/lines")
    async def page(loop: str) -> Response:
        return await lines.page(loop)

    return routes
