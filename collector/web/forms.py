"""What people send: forms that are proved to be ours, and what was typed made safe to keep. The one place that asks who somebody is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from urllib.parse import parse_qsl

from fastapi import HTTPException
from starlette.requests import Request

from collector.web.security import Guard
from config.errors import TallywireError

SHELVE_HOURS = 30 * 24.0
MOST_FIELDS = 40
NAME_LENGTH, REASON_LENGTH = 80, 400


async def own_form(request: Request, guard: Guard) -> dict[str, str]:
    """The fields of a form of ours as a browser sends it; the last of a name holds. 403 where it lacks the token."""
    body = (await request.body()).decode("utf-8", "replace")
    try:
        fields = dict(parse_qsl(body, keep_blank_values=True, max_num_fields=MOST_FIELDS))
    except ValueError:
        fields = {}
    require_own(fields, guard)
    return fields


def require_own(fields: Mapping[str, object], guard: Guard) -> None:
    """403 where the fields of a form lack the token of this process."""
    token = fields.get("token")
    if not isinstance(token, str) or not guard.knows_token(token):
        raise HTTPException(403, "the form is from an earlier run of the service")


def author(text: str) -> str:
    """Who acts, as the form or the program says."""
    return typed(text, "a name", NAME_LENGTH)


def reason_of(text: str, *, needed: bool = True) -> str:
    """Why somebody acts; may be left out where it is not needed."""
    return typed(text, "a reason", REASON_LENGTH) if needed or text.strip() else ""


class Unprocessable(HTTPException):
    """A 422 that says how to fix it."""

    def __init__(self, error: TallywireError) -> None:
        super().__init__(422, f"{error.where}: {error.what}" if error.where else error.what)
        self.fix = error.fix


@contextmanager
def unprocessable() -> Iterator[None]:
    """What a program sent and cannot be taken is a 422 with the same sentences that the page shows."""
    try:
        yield
    except TallywireError as error:
        raise Unprocessable(error) from error


def typed(text: str, what: str, longest: int) -> str:
    """What a person typed, trimmed to one line; an error where nothing is left or it is too long."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    if not line:
        raise TallywireError(f"{what} is missing", fix=f"type {what}; it is kept with what you do")
    if len(line) > longest:
        raise TallywireError(f"{what} is longer than {longest} signs", fix="shorten it")
    return line


def shelve_hours(text: str) -> float:
    """Hours of shelving [h], above 0 and at most 30 days."""
    try:
        hours = float(text.replace(",", "."))
    except ValueError:
        hours = float("nan")
    if not 0 < hours <= SHELVE_HOURS:
        raise TallywireError("the hours of shelving are not a number from above 0 to 720", fix="type hours, such as 8")
    return hours
