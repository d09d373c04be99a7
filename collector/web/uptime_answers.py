"""What REST answers about uptime, and the correction that it takes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from checks.reliability.rates import Tally
from checks.reliability.timeline import Annotation, LoopState
from collector import uptime, uptime_text
from collector.local_days import local_day
from collector.web.answers import time_of
from collector.web.schemas import Answer, Loop, Time

Share = Annotated[float | None, Field(ge=0, le=1, description="0 to 1; null where no time was required", examples=[0.984])]
Hours = Annotated[float, Field(ge=0, description="[h]", examples=[21.5])]
Estimated = Annotated[float | None, Field(description="[h]; null where it cannot be said", examples=[112.0])]


class StretchOut(Answer):
    """A stretch of one state. `required`: the belt ran with load in it."""

    begin: Time
    end: Time
    state: LoopState
    required: bool = Field(examples=[True])
    cause: str = Field(description="of the finding that made the state, else empty", examples=[""])


class DayOut(Answer):
    """A local day, or the part of it that has passed."""

    day: str = Field(examples=["2026-03-02"])
    availability: Share
    true_share: Share
    required_h: Hours
    no_data_h: Hours


class CauseShareOut(Answer):
    """What a cause has cost."""

    cause: str = Field(examples=["zero-counts"])
    mode: str = Field(description="failure mode, vocabulary of ISO 14224", examples=["NOO"])
    count: int = Field(examples=[1])
    hours: Hours
    tonnes: float | None = Field(description="mis-stated, where that is known [t]", examples=[None])


class CorrectionOut(Answer):
    """What a person knows better; the latest holds over earlier ones, and none is overwritten."""

    loop: Loop
    begin: Time
    end: Time
    state: LoopState
    by: str = Field(examples=["R. Ortega"])
    reason: str = Field(examples=["housing opened to change the fan"])
    made: Time


class LoopUptimeOut(Answer):
    """Uptime of one loop; hours by state are of required time."""

    loop: Loop
    availability: Share
    true_share: Share
    required_h: Hours
    not_required_h: Hours
    not_measuring_h: Hours
    no_data_h: Hours
    hours: dict[str, float] = Field(examples=[{"measuring true": 20.0, "degraded": 1.1, "not measuring": 0.4}])
    failures: int = Field(examples=[2])
    mtbf_h: Estimated
    mtbf_lower_h: Estimated
    mtbf_upper_h: Estimated
    mttr_h: Estimated
    mttr_lower_h: Estimated
    mttr_upper_h: Estimated
    trend: str = Field(examples=["trend: too few failures to tell (at least 4 are needed)"])
    growth: str = Field(
        description="The power law (Crow-AMSAA) in words; empty where there are too few failures.",
        examples=["power law (Crow-AMSAA): beta 0.48 (90 % limits 0.29 to 0.84), below 1: reliability growth"],
    )
    beta: float | None = Field(description="Shape of the power law, null where it is not fitted.", examples=[0.48])
    beta_lower: float | None = Field(description="Its lower 90 % limit.", examples=[0.29])
    beta_upper: float | None = Field(description="Its upper 90 % limit.", examples=[0.84])
    silent_h: Hours
    causes: list[CauseShareOut]
    intervals: list[StretchOut]
    corrections: list[CorrectionOut]


class UptimeOut(Answer):
    """Uptime of the site or of one loop over a local day, week or month."""

    begin: Time
    end: Time
    sentence: str = Field(examples=["A flow was there in 98.22 % of 76.4 required hours."])
    definitions: list[str]
    availability: Share
    days: list[DayOut]
    loops: list[LoopUptimeOut]


class CorrectionIn(BaseModel):
    """A correction: what the state was from when to when, by whom, and why. Times with a zone, not ahead of now."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "loop": "TB-07", "begin": "2026-03-02T10:00:00Z", "end": "2026-03-02T11:00:00Z", "state": "maintenance",
                    "by": "R. Ortega", "reason": "housing opened to change the fan",
                }
            ]
        },
    )  # fmt: skip

    loop: str
    begin: str
    end: str
    state: LoopState
    by: str = Field(
        default="", description="who acts; where people sign in it is their account, whatever stands here", max_length=400
    )
    reason: str = Field(max_length=2000)


def answer(found: Sequence[uptime.Uptime], whole: Tally, zone: ZoneInfo, days: Sequence[tuple[int, Tally]]) -> UptimeOut:
    """The uptime of some loops; `whole` and `days` are over all of them."""
    return UptimeOut(
        begin=uptime.utc(found[0].begin), end=uptime.utc(found[0].end), sentence=uptime.sentence(found),
        definitions=list(uptime.DEFINITIONS), availability=whole.availability,
        days=[
            DayOut(
                day=local_day(begin, zone).isoformat(), availability=part.availability, true_share=part.true_share,
                required_h=part.required / 3600.0, no_data_h=part.no_data_s / 3600.0,
            )
            for begin, part in days
        ],
        loops=[of_loop(one) for one in found],
    )  # fmt: skip


def of_loop(one: uptime.Uptime) -> LoopUptimeOut:
    """The uptime of one loop."""
    return LoopUptimeOut(
        loop=one.loop, availability=one.tally.availability, true_share=one.tally.true_share,
        required_h=one.tally.required / 3600.0, not_required_h=one.tally.idle_s / 3600.0,
        not_measuring_h=one.not_measuring_s / 3600.0, no_data_h=one.tally.no_data_s / 3600.0,
        hours={state.value: seconds / 3600.0 for state, seconds in one.tally.required_s.items()}, failures=len(one.failures),
        mtbf_h=one.mtbf.value, mtbf_lower_h=one.mtbf.lower, mtbf_upper_h=one.mtbf.upper, mttr_h=one.mttr.value,
        mttr_lower_h=one.mttr.lower, mttr_upper_h=one.mttr.upper, trend=uptime_text.trend(one.trend),
        growth=uptime_text.growth(one.growth), beta=None if one.growth is None else one.growth.shape,
        beta_lower=None if one.growth is None else one.growth.shape_lower,
        beta_upper=None if one.growth is None else one.growth.shape_upper,
        silent_h=one.silent_s / 3600.0,
        causes=[
            CauseShareOut(cause=item.cause, mode=item.mode, count=item.count, hours=item.hours, tonnes=item.tonnes)
            for item in one.shares
        ],
        intervals=[
            StretchOut(
                begin=time_of(item.begin), end=time_of(item.end), state=item.state, required=item.required, cause=item.cause
            )
            for item in one.intervals
        ],
        corrections=[correction(note) for note in one.annotations],
    )  # fmt: skip


def correction(note: Annotation) -> CorrectionOut:
    """A correction that is kept."""
    return CorrectionOut(
        loop=note.loop, begin=time_of(note.begin), end=time_of(note.end), state=note.state, by=note.by, reason=note.reason,
        made=time_of(note.made),
    )  # fmt: skip
