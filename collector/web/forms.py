"""What people type into forms, made safe to keep: one line, not empty, not too long."""

from __future__ import annotations

from urllib.parse import parse_qsl

from starlette.requests import Request

from config.errors import TallywireError

SHELVE_HOURS = 30 * 24.0


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form as a browser sends it; the last of a name holds, anything that is no form is empty."""
    body = (await request.body()).decode("utf-8", "replace")
    try:
        return dict(parse_qsl(body, keep_blank_values=True, max_num_fields=20))
    except ValueError:
        return {}


def typed(text: str, what: str, longest: int) -> str:
    """What a person typed, trimmed to one line; an error where nothing is left or it is too long."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    if not line:
        raise TallywireError(f"{what} is missing", fix=f"type {what}; it is kept with the alert")
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
