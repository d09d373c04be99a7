"""What REST says of alerts, orders about them, the figures of the alarm system and the deliveries, and what it takes."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.web.schemas import Answer, FindingOut, Link, Loop, Time


class TransitionOut(Answer):
    """One change of an alert."""

    time: Time
    old: str = Field(examples=["unacknowledged"])
    new: str = Field(examples=["acknowledged"])
    by: str = Field(examples=["R. Sandhu"])
    note: str = Field(examples=[""])


class AlertOut(Answer):
    """An alert; `transitions` only where one alert is asked for. `raised` is of the last time that it stood, `first_raised` of the
    first; `parent` is the alert that this one is a consequence of."""

    id: str = Field(examples=["TB-07-scaling-block-1"])
    loop: Loop
    link: Link
    state: str = Field(examples=["unacknowledged"])
    active: bool = Field(examples=[True])
    priority: Literal["high", "medium", "low"] = Field(examples=["high"])
    consequence: str = Field(examples=["about 42 t/h are booked wrongly while it lasts"])
    response: str = Field(examples=["read the upper range in the gauge and in the block, side by side"])
    respond_within_s: float = Field(description="time in which the response is needed [s]", examples=[1714.0])
    roles: list[str] = Field(description="whose work it is", examples=[["maintenance"]])
    raised: Time
    first_raised: Time
    reopened: int = Field(description="how often it came back", examples=[0])
    parent: str = Field(examples=[""])
    returned: str | None = Field(examples=[None])
    acknowledged: str | None = Field(examples=[None])
    acknowledged_by: str = Field(examples=[""])
    waiting_since: str | None = Field(
        description="since when an acknowledgement is waited for", examples=["2026-03-02T13:05:00Z"]
    )
    shelved_until: str | None = Field(examples=[None])
    shelved_by: str = Field(examples=[""])
    shelve_reason: str = Field(examples=[""])
    amount: float | None = Field(description="the number that an acceptance limits, in `amount_unit`", examples=[41.6])
    amount_unit: str = Field(examples=["t/h"])
    finding: FindingOut
    transitions: list[TransitionOut] | None = None


class HoldOut(Answer):
    """An order that outlasts one alert: a link out of service, or a finding accepted until a date or until it has grown."""

    number: int = Field(examples=[3])
    kind: Literal["out-of-service", "accepted"] = Field(examples=["accepted"])
    loop: Loop
    link: Link
    cause: str = Field(examples=["upper-range"])
    by: str = Field(examples=["R. Sandhu"])
    owner: str = Field(description="who answers for it", examples=["B. Ostrander"])
    reason: str = Field(examples=["the range is changed at the shutdown"])
    made: Time
    until: Time
    measure: str = Field(examples=["rate error"])
    unit: str = Field(examples=["t/h"])
    amount: float | None = Field(description="what was accepted, in `unit`", examples=[41.6])
    limit: float | None = Field(description="above this it is told again, in `unit`", examples=[46.6])
    ended: str | None = Field(examples=[None])
    ended_by: str = Field(examples=[""])


class FigureOut(Answer):
    """One figure of the alarm system beside its target. `met` is null where it is not held against it, or not yet."""

    name: str = Field(examples=["rate"])
    title: str = Field(examples=["alerts in ten minutes, average, per operator"])
    value: float | None = Field(examples=[0.02])
    unit: str = Field(examples=[""])
    target: str = Field(examples=["about 1; at most 2"])
    source: str = Field(examples=["ISA-18.2, second-hand"])
    met: bool | None = Field(examples=[None])


class FrequentOut(Answer):
    """One of the alerts that come most often."""

    loop: Loop
    link: Link
    count: int = Field(examples=[12])
    share: float = Field(description="of all", examples=[0.4])


class PerformanceOut(Answer):
    """The figures of the alarm system. They are graded against the targets from 30 days of data on."""

    begin: Time
    end: Time
    days: float = Field(description="days with data", examples=[12.5])
    graded: bool = Field(examples=[False])
    operators: int = Field(examples=[1])
    count: int = Field(description="times that an alert began to ask for attention", examples=[30])
    figures: list[FigureOut]
    frequent: list[FrequentOut]
    priorities: dict[str, float] = Field(description="share by priority", examples=[{"high": 0.05, "medium": 0.15, "low": 0.8}])
    states: dict[str, int] = Field(description="alerts that are not normal now, by state", examples=[{"unacknowledged": 1}])
    chattering: list[str] = Field(description="ids of alerts", examples=[[]])
    stale: list[str] = Field(description="ids of alerts", examples=[[]])


class DeliveryOut(Answer):
    """One delivery, without what is secret."""

    name: str = Field(examples=["shift-mail"])
    kind: Literal["mail", "chat", "webhook"] = Field(examples=["mail"])
    shown: str = Field(examples=["mail through mail.example.com to s...@example.com"])
    told: str = Field(examples=["every priority"])
    waiting: int = Field(examples=[0])
    dead: int = Field(examples=[0])
    delivered: int = Field(examples=[12])
    last_delivered: str | None = Field(examples=["2026-03-02T13:05:00Z"])
    error: str = Field(examples=[""])


class MessageOut(Answer):
    """A message that waits or was given up."""

    number: int = Field(examples=[17])
    delivery: str = Field(examples=["on-call"])
    what: str = Field(examples=["alert: TB-07 scaling-block"])
    created: Time
    attempts: int = Field(examples=[50])
    next_try: Time
    error: str = Field(examples=["webhook to on-call.example.com: HTTP 503"])


class DeliveriesOut(Answer):
    """The deliveries, what waits and what was given up."""

    deliveries: list[DeliveryOut]
    waiting: list[MessageOut]
    dead: list[MessageOut]


class QueuedOut(Answer):
    """A message was put into the outbox."""

    number: int = Field(examples=[18])
    delivery: str = Field(examples=["shift-mail"])


class Acknowledge(BaseModel):
    """Who acts."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"by": "R. Sandhu"}]})

    by: str = Field(max_length=400)


class Unshelve(Acknowledge):
    """Who ends the shelving of an alert."""


class Shelve(BaseModel):
    """Who shelves an alert, why, and for how long [h]."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"by": "R. Sandhu", "reason": "range change under way", "hours": 8}]}
    )

    by: str = Field(max_length=400)
    reason: str = Field(max_length=2000)
    hours: float = Field(gt=0, le=720)


class Remove(BaseModel):
    """Who takes the alerts of a link out of service, why, and for how long [h]."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"by": "R. Sandhu", "reason": "gauge is exchanged", "hours": 24}]}
    )

    by: str = Field(max_length=400)
    reason: str = Field(max_length=2000)
    hours: float = Field(gt=0, le=2160)


class Accept(BaseModel):
    """Who accepts a finding, who answers for it, why, for how many days, and by how much it may grow in the unit of the alert's
    `amount_unit` (null where it has no amount)."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"by": "R. Sandhu", "owner": "B. Ostrander", "reason": "changed at the shutdown", "days": 30, "grow": 5}
            ]
        },
    )

    by: str = Field(max_length=400)
    owner: str = Field(max_length=400)
    reason: str = Field(max_length=2000)
    days: float = Field(gt=0, le=366)
    grow: float | None = Field(default=None, ge=0, le=1e6)
