"""Lending a connection: a device that serves one client only is left to a survey for some minutes."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Path
from pydantic import BaseModel, ConfigDict, Field

from collector.clock import Clock
from collector.live import LiveState
from collector.web.forms import author, unprocessable

LONGEST_S = 300.0
"""Longest time for which a connection is lent [s]."""

EndpointName = Annotated[str, Path(description="name of the endpoint in the site file", examples=["gauge-07"])]


class Lend(BaseModel):
    """Who wants the connection, and for how long."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"by": "survey", "seconds": 120}]})

    by: str = Field(default="", description="who wants it; where people sign in it is their account, whatever stands here")
    seconds: float = Field(gt=0.0, le=LONGEST_S, description="for how long [s]; it comes back by itself")


class Lent(BaseModel):
    """To whom a connection is lent."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"endpoint": "gauge-07", "lent_to": "survey", "seconds_left": 120.0}]}
    )

    endpoint: str
    lent_to: str = Field(description="empty where the service has it")
    seconds_left: float = Field(description="until it comes back by itself [s]")


def router(live: LiveState, clock: Clock) -> APIRouter:
    """The routes of lending."""
    routes = APIRouter(prefix="/api/v1/endpoints", tags=["endpoints"])

    def told(name: str) -> Lent:
        status = live.endpoints[name]
        left = max(0.0, status.lent_until - clock.now())
        return Lent(endpoint=name, lent_to=status.lent_to if left else "", seconds_left=left)

    def known(name: str) -> str:
        if name not in live.endpoints:
            raise HTTPException(404, f"there is no endpoint {name!r}")
        return name

    @routes.post("/{name}/lend", summary="Let go of a connection for some minutes")
    async def lend(name: EndpointName, body: Lend) -> Lent:
        """Its tags are bad meanwhile, with the reason; what needs them is not evaluated."""
        status = live.endpoints[known(name)]
        with unprocessable():
            status.lent_to = author(body.by)
        status.lent_until = clock.now() + body.seconds
        live.touch()
        return told(name)

    @routes.delete("/{name}/lend", summary="Take a lent connection back")
    async def take_back(name: EndpointName) -> Lent:
        live.endpoints[known(name)].lent_until = 0.0
        live.touch()
        return told(name)

    return routes
