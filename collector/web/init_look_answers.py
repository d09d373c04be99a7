"""Looks at devices for a site file over REST: begin one, see how far it is, read what it saw."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from collector.commissioning.init_desk import InitDesk
from collector.commissioning.looking import Looked, ReadOnce, ends_of
from collector.commissioning.site_draft import SIDES, LoopAnswers
from collector.web.init_answers import SiteFileIn, answers_of
from collector.web.schemas import Answer
from config.cautions import CAUTIONS
from config.errors import TallywireError

PROGRAM = ""
"""The key of what programs look at: it belongs to no draft."""


class LookIn(SiteFileIn):
    """The answers so far, and what is looked at; the flow may be missing among the tags."""

    loop: str = Field(default="", description="which loop; empty: the only one", examples=["TB-07"])
    whose: Literal["", "gauge", "PLC"] = Field(
        default="", description="the side whose OPC UA server is walked; empty: every tag is read once", examples=["PLC"]
    )


class ProposalOut(Answer):
    """What a role could be read from."""

    role: str = Field(examples=["plc_flow"])
    tag: str = Field(description="as `tags` takes it", examples=["ns=2;s=TB-07/Flow"])
    name: str = Field(examples=["TB-07/Flow"])
    shows: str = Field(examples=["228.9 t/h"])
    why: list[str] = Field(examples=[["name", "unit t/h"]])


class EndsOut(Answer):
    """A range that the server says, where it differs from the answers."""

    whose: str = Field(examples=["PLC"])
    low: str = Field(examples=["0 t/h"])
    high: str = Field(examples=["420 t/h"])
    answered: str = Field(examples=["0 t/h to 400 t/h"])


class BetterOut(Answer):
    """What would put a value right."""

    change: str = Field(examples=["order: CDAB"])
    tag: str = Field(examples=["input 4 float32 CDAB"])
    shows: str = Field(examples=["1.9 m/s"])


class ReadTagOut(Answer):
    """A tag that was read once."""

    role: str = Field(examples=["speed"])
    tag: str = Field(examples=["input 4 float32"])
    shows: str = Field(examples=["1.9 m/s"])
    quality: int = Field(description="0 good, 1 uncertain, 2 bad", examples=[0])
    odd: str = Field(description="why it cannot be right; empty where nothing speaks against it", examples=[""])
    do: str = Field(description="what to do where nothing better is known", examples=[""])
    better: list[BetterOut] = Field(examples=[[]])


class LookOut(Answer):
    """How far a look is, and what it saw."""

    step: Literal["none", "running", "done", "stopped", "failed"] = Field(examples=["done"])
    loop: str = Field(examples=["TB-07"])
    whose: str = Field(examples=["PLC"])
    devices: list[str] = Field(examples=[["plc"]])
    done: int = Field(description="nodes seen, or reads done", examples=[45])
    total: int | None = Field(description="reads in all; null where it is not known", examples=[None])
    problem: str = Field(examples=[""])
    variables: int | None = Field(description="of the server that was walked", examples=[41])
    cut: str = Field(description="why the server was not walked to its end", examples=[""])
    flow_t_h: float | None = Field(description="flow of the moment, on which stations agree", examples=[228.9])
    proposals: list[ProposalOut] = Field(examples=[[]])
    ranges: list[EndsOut] = Field(examples=[[]])
    read: list[ReadTagOut] = Field(examples=[[]])
    failures: dict[str, str] = Field(description="devices that did not answer, and why", examples=[{}])
    cautions: list[str] = Field(description="before anybody goes to the gauge", examples=[list(CAUTIONS)])


def begin(desk: InitDesk, body: LookIn) -> None:
    """Begin a look for a program; TallywireError where an answer cannot be, or a look is on its way."""
    found = answers_of(body, whole=False)
    loop = next((item for item in found.loops if item.name == (body.loop or found.loops[0].name)), None)
    if loop is None:
        raise TallywireError(f"there is no loop {body.loop!r}", where="loop", fix="name one of `loops`")
    desk.begin(PROGRAM, found, loop, body.whose)


def look_out(desk: InitDesk) -> LookOut:
    """The look that runs, or ran last."""
    now = desk.now
    seen = desk.seen(now.key, now.loop)
    looked = seen.looked.get(now.whose) if now.whose and now.step == "done" else None
    read = seen.read if not now.whose and now.step == "done" else None
    return LookOut(
        step=now.step.value, loop=now.loop, whose=now.whose, devices=list(now.devices), done=now.done, total=now.total,
        problem="" if now.problem is None else str(now.problem),
        variables=None if looked is None else len(looked.browsed.offers), cut="" if looked is None else looked.browsed.space.cut,
        flow_t_h=_flow(looked, read), proposals=_proposals(looked), ranges=_ranges(desk, looked), read=_read(read),
        failures={} if read is None else dict(read.failures), cautions=list(CAUTIONS),
    )  # fmt: skip


def _flow(looked: Looked | None, read: ReadOnce | None) -> float | None:
    if looked is not None:
        return looked.flow
    return read.agreed[0] if read is not None and read.agreed is not None else None


def _proposals(looked: Looked | None) -> list[ProposalOut]:
    offered = {} if looked is None else looked.proposals
    return [
        ProposalOut(role=role, tag=item.said, name=item.name, shows=item.shown, why=list(item.why))
        for role, item in offered.items()
    ]


def _ranges(desk: InitDesk, looked: Looked | None) -> list[EndsOut]:
    """As if every proposal were taken."""
    if looked is None or desk.now.answers is None:
        return []
    taken = {role: item.said for role, item in looked.proposals.items()}
    loop = desk.now.answers
    mine = LoopAnswers(loop.name, gauge=loop.gauge, plc=loop.plc, devices=loop.devices, tags={**taken, **loop.tags})
    whose = desk.now.whose
    ends = ends_of(looked, mine, whose) if whose in SIDES else None
    return [] if ends is None else [EndsOut(whose=whose, low=ends.low, high=ends.high, answered=ends.answered)]


def _read(read: ReadOnce | None) -> list[ReadTagOut]:
    return [
        ReadTagOut(
            role=item.role, tag=item.said, shows=item.shown, quality=item.quality, odd=item.odd, do=item.now,
            better=[BetterOut(change=one.words, tag=one.said, shows=one.shown) for one in item.better],
        )
        for item in (read.tags if read is not None else ())
    ]  # fmt: skip
