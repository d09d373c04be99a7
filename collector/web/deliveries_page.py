"""The page of the deliveries: where alerts go, what waits, what was given up, and a test of each way."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.clock import Clock
from collector.delivery.desk import DeliveryDesk
from collector.live import LiveState
from collector.web.forms import author, own_form
from collector.web.pages import Pages
from collector.web.security import Guard
from config.errors import TallywireError


class DeliveriesPage:
    """Shows the outbox and hands on what people order."""

    def __init__(self, pages: Pages, live: LiveState, desk: DeliveryDesk | None, clock: Clock, guard: Guard) -> None:
        self._pages, self._live, self._desk, self._clock, self._guard = pages, live, desk, clock, guard

    @property
    def names(self) -> frozenset[str]:
        """The deliveries of the site file."""
        return frozenset(self._live.site.deliveries)

    def page(self, *, problem: TallywireError | None = None, said: str = "", status: int = 200) -> HTMLResponse:
        """The deliveries; an empty page where the service runs without them."""
        desk = self._desk
        return self._pages.render(
            "deliveries.html",
            status,
            lines=desk.lines() if desk is not None else [],
            waiting=desk.waiting() if desk is not None else [],
            dead=desk.dead() if desk is not None else [],
            problem=problem,
            said=said,
        )

    async def test(self, name: str, request: Request) -> Response:
        """A test message goes into the outbox like every other."""
        form = await own_form(request, self._guard)
        if name not in self._live.site.deliveries or self._desk is None:
            raise HTTPException(404, f"the site file has no delivery {name!r}")
        try:
            self._desk.test(name, by=author(form.get("name", "")), now=self._clock.now())
        except TallywireError as problem:
            return self.page(problem=problem, status=422)
        return RedirectResponse(f"/deliveries?tested={name}", status_code=303)

    async def resend(self, number: int, request: Request) -> Response:
        """A message that was given up is tried again."""
        form = await own_form(request, self._guard)
        try:
            author(form.get("name", ""))
            if self._desk is not None:
                self._desk.resend(number, now=self._clock.now())
        except TallywireError as problem:
            return self.page(problem=problem, status=422)
        return RedirectResponse("/deliveries", status_code=303)


def router(page: DeliveriesPage) -> APIRouter:
    """The page and its forms."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/deliveries")
    async def deliveries(tested: str = "") -> Response:
        known = tested in page.names
        return page.page(said=f"A test message for {tested} is on its way; look whether it arrives." if known else "")

    @routes.post("/deliveries/{name}/test")
    async def test(request: Request, name: str) -> Response:
        return await page.test(name, request)

    @routes.post("/deliveries/messages/{number}/resend")
    async def resend(request: Request, number: int) -> Response:
        return await page.resend(number, request)

    return routes
