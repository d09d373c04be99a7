"""What REST answers about the survey: how far the one is that runs, and what the last one found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from collector.commissioning.registers import RATE
from collector.commissioning.survey_desk import MOST_RATE, Standing
from collector.web.answers import time_of
from collector.web.schemas import Answer, Loop, Time
from config.cautions import CAUTIONS


class SurveyIn(BaseModel):
    """What to survey, and how gently."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"by": "R. Ortega", "loop": "TB-07", "rate": 2.0, "borrow": True}]}
    )

    by: str = Field(default="", description="your name; not used where you have signed in")
    loop: str = Field(default="", description="one loop; empty: all")
    rate: float = Field(default=RATE, gt=0.0, le=MOST_RATE, description="most requests a second to one device")
    borrow: bool = Field(
        default=True, description="let the service leave its connections for the time: some devices serve one client only"
    )


class SurveyTagOut(Answer):
    """One tag as it was read, and why it cannot be right where it cannot."""

    loop: Loop
    role: str = Field(examples=["speed"])
    value: float | None = Field(description="in `unit`; null where it is none", examples=[1.9])
    unit: str = Field(examples=["m/s"])
    where: str = Field(examples=["gauge-07 input 4"])
    quality: int = Field(description="0 good, 1 uncertain, 2 bad", examples=[0])
    reason: str = Field(examples=[""])
    odd: str = Field(description="why it cannot be right; empty where nothing speaks against it", examples=[""])
    expected: float | None = Field(description="by physics and the other tags", examples=[1.9])
    suggestions: list[str] = Field(
        description="keys of the site file that would put it right, the likeliest first", examples=[["address: 4"]]
    )
    orders: dict[str, float | None] = Field(
        description="a Modbus number in each order of words and bytes", examples=[{"ABCD": 1.9}]
    )
    said_unit: str = Field(description="unit that an OPC UA server gives with the node", examples=[""])
    said_range: list[float | None] | None = Field(description="range that it gives", examples=[None])


class SurveyHintOut(Answer):
    """What a server says of its own node, and the lines of the site file."""

    loop: Loop
    role: str = Field(examples=["plc_flow"])
    what: str = Field(examples=["the server says its range is 0 to 420 t/h, the site file says 0 to 400 t/h"])
    lines: list[str] = Field(examples=[["plc:", "  range: {low: 0 t/h, high: 420 t/h}"]])
    wrong: bool = Field(description="whether it contradicts the site file", examples=[True])


class SurveyReportOut(Answer):
    """What a survey found. `agreed_flow_t_h` is the flow that most stations of a loop said, null where no two agreed."""

    made: Time
    by: str = Field(examples=["R. Ortega"])
    loop: str = Field(description="the loop that was surveyed; empty: all", examples=["TB-07"])
    requests: int = Field(description="Modbus requests that it took", examples=[12])
    failures: dict[str, str] = Field(description="endpoints that could not be read, and why", examples=[{}])
    agreed_flow_t_h: dict[str, float | None] = Field(examples=[{"TB-07": 241.7}])
    tags: list[SurveyTagOut]
    hints: list[SurveyHintOut]


class SurveyOut(Answer):
    """How far the survey is that runs, or how the last one ended, and the last report."""

    stage: str = Field(description="none, connecting, reading, second look, done, stopped or failed", examples=["reading"])
    by: str = Field(examples=["R. Ortega"])
    loop: str = Field(description="empty: all", examples=["TB-07"])
    begun: Time | None
    done: int = Field(description="reads done", examples=[7])
    total: int = Field(description="of all", examples=[12])
    seconds_left: float = Field(description="about how long it still takes [s]", examples=[22.5])
    problem: str = Field(description="why it failed", examples=[""])
    last: SurveyReportOut | None
    cautions: list[str] = Field(description="for whoever goes to the gauge", examples=[list(CAUTIONS)])


def survey_out(standing: Standing, last: Mapping[str, Any] | None) -> SurveyOut:
    """The answer of every route of the survey."""
    return SurveyOut(
        stage=standing.stage.value, by=standing.by, loop=standing.loop, begun=time_of(standing.begun) if standing.begun else None,
        done=standing.done, total=standing.total, seconds_left=round(standing.left_s, 1), problem=standing.problem,
        last=None if last is None else report_out(last), cautions=list(CAUTIONS),
    )  # fmt: skip


def report_out(last: Mapping[str, Any]) -> SurveyReportOut:
    """A survey that was kept."""
    return SurveyReportOut(
        made=time_of(last["made"]), by=last["by"], loop=last["loop"], requests=last["requests"], failures=last["failures"],
        agreed_flow_t_h=last["agreed_flow_t_h"], tags=[SurveyTagOut.model_validate(item) for item in last["tags"]],
        hints=[SurveyHintOut.model_validate(item) for item in last["hints"]],
    )  # fmt: skip
