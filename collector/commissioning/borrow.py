"""Borrowing connections of the running service for the time of a survey, a browse, a scan or a search."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import httpx

from collector.commissioning.own_service import client_of, refused
from config.errors import TallywireError
from config.model import RecordedTag, Site

FOR_S = 300.0
ANSWER_S = 5.0
LETTING_GO_S = 8.0
"""Longest time that is waited for the service to close its connections [s]: it does so at its next poll."""
RENEW_S = 60.0
HELD = ("up", "degraded")
"""States of an endpoint in which the service still has its connection."""


class Borrowing:
    """The connections that are lent to us."""

    def __init__(self, client: httpx.Client, address: str) -> None:
        self._client, self._address = client, address
        self._names: list[str] = []
        self._renewed = time.monotonic()

    def take(self, names: list[str]) -> None:
        """Ask for each, then wait until the service has let go of it."""
        for name in names:
            self._ask("POST", name)
            self._names.append(name)
        until = time.monotonic() + LETTING_GO_S
        while self._still_held() and time.monotonic() < until:
            time.sleep(0.1)

    def renew(self) -> None:
        """Keep them for longer where a good while has passed; costs nothing else."""
        if time.monotonic() - self._renewed > RENEW_S:
            self._renewed = time.monotonic()
            for name in self._names:
                self._ask("POST", name)

    def give_back(self) -> None:
        """Give all back; what the service cannot be told of comes back by itself, and costs nobody his result."""
        untold = []
        for name in self._names:
            try:
                self._ask("DELETE", name)
            except TallywireError:
                untold.append(name)
        if untold:
            sys.stderr.write(
                f"tallywire: {', '.join(untold)} could not be given back; the service takes it back within five minutes\n"
            )

    def _still_held(self) -> bool:
        try:
            answer = self._client.get("/api/v1/endpoints")
            rows = answer.json() if answer.status_code == 200 else []
        except (httpx.HTTPError, ValueError):
            return False
        return any(row.get("name") in self._names and row.get("state") in HELD for row in rows)

    def _ask(self, method: str, name: str) -> None:
        body = {"by": "survey", "seconds": FOR_S} if method == "POST" else None
        try:
            # the service takes a change from a program as JSON only, which no page of somebody else can send
            headers = {"Content-Type": "application/json"}
            answer = self._client.request(method, f"/api/v1/endpoints/{name}/lend", json=body, headers=headers)
        except httpx.HTTPError as error:
            raise TallywireError(
                "no service answers to borrow from",
                where=self._address,
                fix="leave --borrow out where the service does not run",
            ) from error
        if answer.status_code != 200:
            raise TallywireError(
                f"the service does not lend {name}: {answer.status_code}", where=self._address,
                fix=refused(answer) or "is it the service of this site file?",
            )  # fmt: skip


@contextmanager
def borrowed(site: Site, wanted: bool, *, base: str = "", also: str = "") -> Iterator[Callable[[], None]]:
    """Ask the running service to let go of the endpoints that a site reads, and give them back; does nothing unless wanted.

    Gives what is to be called now and then while it lasts: a connection comes back by itself after five minutes unless it is renewed.

    Parameters
    ----------
    site : Site
        Its `web` says where the service listens.
    wanted : bool
        Whether to borrow at all.
    base : str
        Address of the service where it is another one.
    also : str
        An endpoint that is borrowed though no tag of the site is read from it.

    Raises
    ------
    TallywireError
        No service answers, or it refuses.
    """
    if not wanted:
        yield lambda: None
        return
    read = {tag.endpoint for loop in site.loops.values() for tag in loop.tags.values() if not isinstance(tag, RecordedTag)}
    with client_of(site, timeout=ANSWER_S, base=base) as client:
        borrowing = Borrowing(client, str(client.base_url))
        try:
            borrowing.take([name for name in site.endpoints if name in read or name == also])
            yield borrowing.renew
        finally:
            borrowing.give_back()
