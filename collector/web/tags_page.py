"""The page of the tags: every reading live, some loops at a time."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from collector.clock import Clock
from collector.live import LiveState
from collector.web import tag_rows
from collector.web.pages import Pages
from collector.web.paging import Find, PageNumber, fits, part_of

LOOPS_A_PAGE = 10


class TagsPage:
    """Reads the live state."""

    def __init__(self, pages: Pages, live: LiveState, clock: Clock) -> None:
        self._pages, self._live, self._clock = pages, live, clock

    def page(self, template: str, number: int, find: str) -> HTMLResponse:
        """The page or its fragment."""
        now = self._clock.now()
        part = part_of(
            [loop for loop, plant in self._live.site.loops.items() if fits(find, loop, plant.title)], number, LOOPS_A_PAGE, find
        )
        return self._pages.render(template, part=part, tags_of=lambda loop: tag_rows.of_loop(self._live, loop, now))


def router(tags: TagsPage) -> APIRouter:
    """The page and its fragment."""
    routes = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @routes.get("/tags")
    async def page(number: PageNumber = 1, find: Find = "") -> Response:
        return tags.page("tags.html", number, find)

    @routes.get("/tags/fragment")
    async def fragment(number: PageNumber = 1, find: Find = "") -> Response:
        return tags.page("tags_live.html", number, find)

    return routes
