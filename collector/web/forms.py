"""What people send: forms that are proved to be ours, and what was typed made safe to keep. The one place that asks who somebody is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from urllib.parse import parse_qsl

from fastapi import HTTPException
from starlette.requests import Request

from collector.web import who
from collector.web.security import Guard
from config.errors import TallywireError

MOST_FIELDS = 60
NAME_LENGTH, REASON_LENGTH = 80, 400


async def own_form(request: Request, guard: Guard) -> dict[str, str]:
    """The fields of a form of ours as a browser sends it; the last of a name holds. 403 where it lacks the token."""
    fields = await fields_of(request)
    require_own(fields, guard)
    return fields


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of any form, the last of a name; nothing where it is no form."""
    return dict(await _pairs(request))


async def many_of(request: Request, guard: Guard) -> dict[str, list[str]]:
    """The fields of a form of ours with all values of a name, as of boxes that are ticked. 403 where it lacks the token."""
    pairs = await _pairs(request)
    require_own(dict(pairs), guard)
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


async def _pairs(request: Request) -> list[tuple[str, str]]:
    body = (await request.body()).decode("utf-8", "replace")
    try:
        return parse_qsl(body, keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:
        return []


def require_own(fields: Mapping[str, object], guard: Guard) -> None:
    """403 where the fields of a form lack the token of this session, or of this process where nobody signs in."""
    token = fields.get("token")
    if not isinstance(token, str) or not guard.knows_token(token):
        raise HTTPException(403, "the form is from an earlier run of the service or of another session")


def author(text: str) -> str:
    """Who acts: the account or the token; only where nobody signs in, as the form or the program says."""
    return who.current().name or typed(text, "a name", NAME_LENGTH)


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


def number_of(text: str, what: str, most: float, *, least: float | None = None) -> float:
    """A number as typed, with a comma or a point, above 0 (or not below `least`) and at most `most`."""
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = float("nan")
    fits_ = 0.0 < number <= most if least is None else least <= number <= most
    if not fits_:
        below = "above 0" if least is None else f"{least:g}"
        raise TallywireError(f"{what}: a number from {below} to {most:g} is needed", fix="type a number, such as 8")
    return number
