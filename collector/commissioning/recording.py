"""Numbering the record of a loop check through the service that holds the history."""

from __future__ import annotations

import httpx

from collector.commissioning.own_service import client_of, refused
from collector.records.book import Record
from collector.records.content import plain
from collector.records.loop_check import LoopCheck
from config.errors import TallywireError
from config.model import Site

ANSWER_S = 10.0


def through_service(site: Site, content: LoopCheck) -> Record:
    """Have the running service number a loop check; returns the record as it was chained.

    Raises
    ------
    TallywireError
        No service answers, or it refuses the content.
    """
    address = site.web.address
    try:
        with client_of(site, timeout=ANSWER_S) as client:
            answer = client.post("/api/v1/loop-checks", json=plain(content))
    except httpx.HTTPError as error:
        raise TallywireError(
            "the history is in use and no service answers", where=address,
            fix="what was captured is kept: run the same command again once the service answers or has stopped",
        ) from error  # fmt: skip
    if answer.status_code != 201:
        raise TallywireError(
            f"the service refuses the record ({answer.status_code}): {answer.text[:200]}", where=address, fix=refused(answer)
        )
    told = answer.json()
    return Record(number=told["number"], text=told["text"], before=told["before"], sha256=told["sha256"])
