"""What goes wrong in any route, told in the one shape of an error."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import cast

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from collector.web.failures import Failures
from config.errors import StoreError, TallywireError

log = logging.getLogger(__name__)

UNSAID = {404: "there is nothing at this address", 405: "this address does not take that method"}
"""What is said where the router refuses without a word of its own."""


def install(app: FastAPI, failures: Failures, described_at: str) -> None:
    """Answer every refusal, invalid body, message of ours and defect; `described_at` is where the bodies are described."""

    async def refused(request: Request, error: Exception) -> Response:
        found = cast(HTTPException, error)
        plain = found.detail == HTTPStatus(found.status_code).phrase
        what = UNSAID.get(found.status_code, found.detail) if plain else found.detail
        answer = failures.answer(request.scope, found.status_code, what, getattr(found, "fix", ""))
        answer.headers.update(found.headers or {})
        return answer

    async def invalid(request: Request, error: Exception) -> Response:
        problems = [
            {"where": ".".join(str(part) for part in item["loc"]), "what": item["msg"]}
            for item in cast(RequestValidationError, error).errors()
        ]
        first = f"{problems[0]['where']}: {problems[0]['what']}" if problems else "the request does not fit"
        return failures.answer(request.scope, 422, first, f"see {described_at}", extra={"problems": problems})

    async def told(request: Request, error: Exception) -> Response:
        found = cast(TallywireError, error)
        what = f"{found.where}: {found.what}" if found.where else found.what
        status = 503 if isinstance(found, StoreError) else 409
        return failures.answer(request.scope, status, what, found.fix)

    async def broken(request: Request, error: Exception) -> Response:
        log.error("a request failed", exc_info=error, extra={"path": request.url.path})
        return failures.answer(request.scope, 500, "something went wrong inside Tallywire")

    app.add_exception_handler(HTTPException, refused)
    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(TallywireError, told)
    app.add_exception_handler(Exception, broken)
