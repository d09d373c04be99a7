"""The first site file over REST: the questions, the answers in one go, and the file that they make."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict, Field

from collector.commissioning.addresses import ADDRESS, addressed
from collector.commissioning.coverage import summary
from collector.commissioning.drafts import checked
from collector.commissioning.questions import (
    BOTH,
    DEVICE,
    DRIVE,
    GAUGE,
    LOOP,
    PLC,
    PROTOCOL,
    SITE,
    Ask,
    belonging,
    like_gauge,
    taken,
)
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, roles_of, usual_device
from collector.commissioning.tag_words import read_tag
from collector.web.schemas import Answer
from config.errors import TallywireError
from config.roles import ROLES


class QuestionOut(Answer):
    """One question; `usual` is what an empty answer means, null: it is left out, unless it is needed."""

    key: str = Field(examples=["high"])
    asks: str = Field(examples=["Flow that the gauge sends as 20 mA?"])
    example: str = Field(examples=["420 t/h"])
    usual: str | None = Field(examples=[None])
    needed: bool = Field(examples=[True])


class AskedTagOut(Answer):
    """A value that can be read, by its role."""

    role: str = Field(examples=["plc_flow"])
    whose: str = Field(examples=["PLC"])
    meaning: str = Field(examples=["mass flow after the PLC scaling block"])
    unit: str = Field(examples=["t/h"])


class QuestionsOut(Answer):
    """The questions by step."""

    site: list[QuestionOut]
    device: list[QuestionOut]
    address: dict[str, list[QuestionOut]] = Field(description="by protocol", examples=[{}])
    loop: list[QuestionOut]
    gauge: list[QuestionOut]
    plc: list[QuestionOut]
    drive: list[QuestionOut]
    tags: list[AskedTagOut]


class LoopIn(BaseModel):
    """The answers of one loop; `tags` by role as the page takes them, `devices` by whose values they are."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(examples=["TB-07"])
    gauge: dict[str, str] = Field(examples=[{"high": "420 t/h"}])
    plc: dict[str, str] = Field(examples=[{"high": "420 t/h"}])
    drive: dict[str, str] = Field(default={}, examples=[{"speed_at_nominal": "1.9 m/s"}])
    devices: dict[str, str] = Field(default={}, examples=[{"gauge": "gauge-07", "PLC": "plc"}])
    tags: dict[str, str] = Field(examples=[{"flow": "input 0 float32", "plc_flow": "ns=2;s=TB-07/Flow"}])


class SiteFileIn(BaseModel):
    """Every answer in one go. `devices` by name, each with its protocol and address."""

    model_config = ConfigDict(extra="forbid")

    site: dict[str, str] = Field(examples=[{"site": "north-terminal", "time_zone": "UTC"}])
    devices: dict[str, dict[str, str]] = Field(
        max_length=50,
        examples=[{
            "gauge-07": {"protocol": "modbus", "host": "192.0.2.17"},
            "plc": {"protocol": "opcua", "url": "opc.tcp://192.0.2.30:4840"},
        }],
    )  # fmt: skip
    loops: list[LoopIn] = Field(min_length=1, max_length=50)


class SiteFileOut(Answer):
    """The file, whether it is sound, and what each loop can verify; `problems` where it is not."""

    text: str = Field(examples=["schema: 1\nsite: north-terminal\n"])
    sound: bool = Field(examples=[True])
    problems: list[str] = Field(examples=[[]])
    summary: str = Field(description="as `tallywire validate` prints it", examples=["ok: site.yaml"])


def questions_out() -> QuestionsOut:
    """The questions for programs."""

    def told(asks: Sequence[Ask]) -> list[QuestionOut]:
        return [QuestionOut(key=a.key, asks=a.asks, example=a.example, usual=a.usual, needed=a.needed) for a in asks]

    return QuestionsOut(
        site=told(SITE), device=told((DEVICE, PROTOCOL)), address={name: told(asks) for name, asks in ADDRESS.items()},
        loop=told((LOOP,)), gauge=told(GAUGE), plc=told(PLC), drive=told(DRIVE),
        tags=[
            AskedTagOut(role=role, whose=whose, meaning=ROLES[role].meaning, unit=ROLES[role].unit)
            for whose, roles in SIDES.items()
            for role in roles
        ],
    )  # fmt: skip


def made(body: SiteFileIn) -> SiteFileOut:
    """The file of answers; TallywireError for the first answer that cannot be."""
    text, loaded, problems = checked(answers_of(body))
    return SiteFileOut(
        text=text, sound=loaded is not None, problems=[str(item) for item in problems],
        summary="" if loaded is None else summary(loaded),
    )  # fmt: skip


def answers_of(body: SiteFileIn, *, whole: bool = True) -> SiteAnswers:
    """The answers, each checked; only where they are `whole` must the flow be among the tags."""
    found = SiteAnswers(site=_all(SITE, body.site, "site"))
    for name, said in body.devices.items():
        protocol = _one(PROTOCOL, said.get("protocol", ""), f"devices.{name}")
        address = {key: text for key, text in said.items() if key != "protocol"}
        answered = _all(ADDRESS[protocol], address, f"devices.{name}")
        try:
            answered = addressed(answered, port_said="port" in address)
        except TallywireError as error:
            raise TallywireError(error.what, where=f"devices.{name}.host", fix=error.fix) from error
        found.endpoints[_one(DEVICE, name, "devices")] = {"protocol": protocol, **answered}
    for one in body.loops:
        if one.name in [loop.name for loop in found.loops]:
            raise TallywireError(f"{one.name} is there already", where="loops", fix="name another")
        found.loops.append(_loop(found, one, whole))
    return found


def _loop(found: SiteAnswers, one: LoopIn, whole: bool) -> LoopAnswers:
    where = f"loops.{one.name}"
    loop = LoopAnswers(
        name=_one(LOOP, one.name, "loops"), gauge=_all(GAUGE, one.gauge, where), drive=_all(DRIVE, one.drive, where), tags=dict(one.tags),
        devices={whose: one.devices.get(whose) or usual_device(found, whose) for whose in SIDES},
    )  # fmt: skip
    loop.plc = _all([like_gauge(ask, loop.gauge) for ask in PLC], one.plc, where)
    sides = {role: whose for whose in SIDES for role in roles_of(whose)}
    for role, said in one.tags.items():
        if role not in sides:
            raise TallywireError(f"{role!r} is not asked for", where=f"{where}.tags", fix="add it in the file")
        device = loop.devices[sides[role]]
        if device not in found.endpoints:
            raise TallywireError(f"there is no device {device!r}", where=f"{where}.devices", fix="name one of `devices`")
        try:
            read_tag(said, device, found.endpoints[device]["protocol"], role)
        except TallywireError as error:
            raise TallywireError(error.what, where=f"{where}.tags.{role}", fix=error.fix) from error
    if whole and "flow" not in one.tags:
        raise TallywireError("the flow is needed", where=f"{where}.tags", fix="nothing can be verified without it")
    return loop


def _all(asks: Sequence[Ask], said: dict[str, str], where: str) -> dict[str, str]:
    unknown = [key for key in said if key not in {ask.key for ask in asks}]
    if unknown:
        raise TallywireError(f"{unknown[0]!r} is not asked for", where=where, fix="see /api/v1/site-file/questions")
    out: dict[str, str] = {}
    for ask in asks:
        answer = _one(belonging(ask, out) or ask, said.get(ask.key, ""), where)
        if answer and ask.after and ask.after not in out:
            raise TallywireError(f"{ask.key} belongs to {ask.after}", where=where, fix=BOTH)
        if answer:
            out[ask.key] = answer
    return out


def _one(ask: Ask, said: str, where: str) -> str:
    try:
        return taken(ask, said)
    except TallywireError as error:
        raise TallywireError(error.what, where=f"{where}.{ask.key}", fix=error.fix) from error
