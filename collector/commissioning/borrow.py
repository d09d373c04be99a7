"""Borrowing connections of the running service for the time of a survey."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import httpx

from config.errors import TallywireError
from config.model import Site

FOR_S = 300.0
ANSWER_S = 5.0
LETTING_GO_S = 2.0


@contextmanager
def borrowed(site: Site, wanted: bool, *, base: str = "") -> Iterator[None]:
    """Ask the running service to let go of every endpoint of a site, and give them back; does nothing unless wanted.

    Parameters
    ----------
    site : Site
        Its `web` says where the service listens.
    wanted : bool
        Whether to borrow at all.
    base : str
        Address of the service where it is another one.

    Raises
    ------
    TallywireError
        No service answers, or it refuses.
    """
    if not wanted:
        yield
        return
    address = base or f"http://{site.web.host}:{site.web.port}"
    with httpx.Client(base_url=address, timeout=ANSWER_S, trust_env=False) as client:
        taken: list[str] = []
        try:
            for name in site.endpoints:
                _ask(client, "POST", name, address)
                taken.append(name)
            yield
        finally:
            for name in taken:
                _ask(client, "DELETE", name, address)


def _ask(client: httpx.Client, method: str, name: str, address: str) -> None:
    body = {"by": "survey", "seconds": FOR_S} if method == "POST" else None
    try:
        answer = client.request(method, f"/api/v1/endpoints/{name}/lend", json=body)
    except httpx.HTTPError as error:
        raise TallywireError(
            "no service answers to borrow from", where=address, fix="leave --borrow out where the service does not run"
        ) from error
    if answer.status_code != 200:
        raise TallywireError(
            f"the service does not lend {name}: {answer.status_code}", where=address, fix="is it the service of this site file?"
        )
