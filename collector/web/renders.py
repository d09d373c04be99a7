"""What a page needs to be shown: with a site around it, or alone on a machine that has none yet."""

from __future__ import annotations

from typing import Protocol

from starlette.responses import HTMLResponse


class Renders(Protocol):
    """Makes a page of a template."""

    def render(self, template: str, status: int = 200, **values: object) -> HTMLResponse:
        """One page as an answer."""
        ...
