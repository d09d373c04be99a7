"""The one shape of an error: RFC 9457 problem+json for programs, a page for browsers."""

from __future__ import annotations

from http import HTTPStatus

from jinja2 import Environment
from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import Scope

PROBLEM = "application/problem+json"

FIXES = {
    403: "go back, reload the page and send it again",
    404: "go back to the site page and follow its links",
    405: "use the form on the page, or POST to /api/v1",
    500: "the log of the service holds the details; the other pages go on working",
}


def wants_page(scope: Scope) -> bool:
    """Whether a person with a browser asked: not for /api, and HTML is among what is accepted."""
    path: str = scope["path"]
    return not path.startswith("/api") and "text/html" in Headers(scope=scope).get("accept", "")


class Failures:
    """Makes error answers."""

    def __init__(self, templates: Environment) -> None:
        self._templates = templates

    def answer(
        self, scope: Scope, status: int, what: str, fix: str = "", *, extra: dict[str, object] | None = None
    ) -> Response:
        """An error as the asker can read it. `extra` adds members to the problem document."""
        title = HTTPStatus(status).phrase
        fix = fix or FIXES.get(status, "")
        if wants_page(scope):
            page = self._templates.get_template("error.html").render(status=status, title=title, what=what, fix=fix)
            return HTMLResponse(page, status)
        problem: dict[str, object] = {"type": "about:blank", "title": title, "status": status, "detail": what}
        if fix:
            problem["fix"] = fix
        return JSONResponse(problem | {"instance": scope["path"]} | (extra or {}), status, media_type=PROBLEM)

    def refuse(self, scope: Scope, status: int, what: str, fix: str) -> Response:
        """An error answer as the gate makes it."""
        return self.answer(scope, status, what, fix)
