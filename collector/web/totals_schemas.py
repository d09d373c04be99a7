"""What REST answers of tonnes. Tonnes [t], hours [h]; uncertainties are expanded (k = 2); a missing number is null."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.web.schemas import Answer, Loop, Time, Unit, VerdictName

Name = Annotated[str, Field(examples=["2026-03-02"])]


class TonnesOut(Answer):
    """Tonnes of a period. `own_t`, `best_t` and what belongs to them are null where nothing was measured or stands in."""

    period: Name
    begin: Time
    end: Time
    hours: float = Field(description="23 or 25 where the clocks are changed", examples=[24.0])
    note: str = Field(examples=[""])
    gauge_t: float | None = Field(examples=[3901.2])
    plc_t: float | None = Field(examples=[3276.9])
    own_t: float | None = Field(description="integral of the gauge flow", examples=[3899.8])
    best_t: float | None = Field(examples=[3900.4])
    uncertainty_t: float | None = Field(examples=[42.1])
    random_t: float | None = Field(examples=[3.0])
    systematic_t: float | None = Field(examples=[42.0])
    difference_t: float | None = Field(description="PLC total less best estimate", examples=[-623.5])
    measured_h: float = Field(examples=[23.9])
    not_measured_h: float = Field(examples=[0.1])
    complete: bool = Field(description="false where hours have no stand-in", examples=[True])


class StepOut(Answer):
    """A part of a difference; + = the PLC booked too much."""

    name: str = Field(examples=["ends differ"])
    tonnes: float = Field(examples=[-620.0])
    uncertainty_t: float | None = Field(examples=[12.0])


class BridgeOut(Answer):
    """PLC total less best estimate by cause, and by what the belt did; each list adds up to `difference_t`."""

    booked_t: float = Field(examples=[3276.9])
    best_t: float = Field(examples=[3900.4])
    difference_t: float = Field(examples=[-623.5])
    by_cause: list[StepOut]
    by_state: list[StepOut]


class GapOut(Answer):
    """A stretch that was not measured, and what stands in for it."""

    begin: Time
    end: Time
    hours: float = Field(examples=[0.1])
    method: Literal["PLC total", "mean load of the shift", "none"] = Field(examples=["PLC total"])
    tonnes: float = Field(examples=[0.6])
    uncertainty_t: float = Field(examples=[0.2])


class CreepOut(Answer):
    """What creeps, and when it reaches its limit; `reason` says why there is no date."""

    name: str = Field(examples=["zero of the empty belt"])
    unit: Unit
    limit: float | None = Field(examples=[2.1])
    value: float | None = Field(examples=[0.6])
    per_day: float | None = Field(examples=[0.02])
    per_day_low: float | None = Field(description="95 %", examples=[0.015])
    per_day_high: float | None = Field(description="95 %", examples=[0.025])
    reaches: str | None = Field(examples=["2026-05-16T00:00:00Z"])
    earliest: str | None = Field(examples=["2026-05-01T00:00:00Z"])
    latest: str | None = Field(examples=["2026-06-10T00:00:00Z"])
    reason: str = Field(examples=[""])


class ClosedOut(Answer):
    """The newest record of a closed period."""

    record: int = Field(examples=[12])
    restates: int | None = Field(examples=[None])
    versions: int = Field(examples=[1])
    made: Time
    by: str = Field(examples=["K. Weber"])
    reason: str = Field(examples=[""])
    sha256: str = Field(examples=["9f2c" * 16])
    best_t: float | None = Field(examples=[3900.4])
    uncertainty_t: float | None = Field(examples=[42.1])
    plc_t: float | None = Field(examples=[3276.9])


class LoopTotalsOut(Answer):
    """The account of a loop. `verdict` is that of the loop (both ends booked the same), `weight_verdict` that of the tonnes."""

    loop: Loop
    title: str = Field(examples=["Ship loader feed"])
    running: bool = Field(description="the time has not ended", examples=[False])
    verdict: VerdictName
    headline: str = Field(examples=["The loop agrees: the PLC booked 3 900.2 t, the best estimate 3 900.4 t ± 42.1 t"])
    deviation_percent: float | None = Field(description="PLC less best estimate", examples=[-15.98])
    deviation_uncertainty_percent: float = Field(examples=[0.08])
    weight_verdict: VerdictName
    weight: str = Field(examples=["Whether the tonnes are right is not evaluated: no lot is in the ledger."])
    total: TonnesOut
    rows: list[TonnesOut]
    bridge: BridgeOut | None
    at_gauge: list[StepOut] = Field(description="findings that move both ends alike; in no difference")
    not_measured: list[GapOut]
    statements: list[str] = Field(examples=[["Every hour was measured."]])
    grounds: list[str] = Field(description="on what the uncertainty rests", examples=[["calibration: 4 reference lots"]])
    units: str = Field(examples=["gauge t/h -> 4..20 mA = 0..420 t/h -> PLC t/h -> total t"])
    basis: Literal["wet"] = Field(examples=["wet"])
    moisture_percent: float | None = Field(examples=[None])
    dry_t: float | None = Field(examples=[None])
    creeping: list[CreepOut]
    closed: ClosedOut | None


class TotalsOut(Answer):
    """The accounts of a site, worst first."""

    period: Name
    begin: Time
    end: Time
    sentence: str = Field(examples=["2 of 3 loops agree; TB-07 booked other tonnes than the gauge."])
    statement: str = Field(examples=["This is a statement about the loop"])
    definitions: list[str] = Field(examples=[["Not legal for trade."]])
    loops: list[LoopTotalsOut]


class CloseIn(BaseModel):
    """Closes a period of a loop: its account becomes a record."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"kind": "month", "period": "2026-03", "by": "K. Weber"}]}
    )

    kind: Literal["shift", "day", "month"]
    period: str = Field(max_length=40)
    by: str = Field(
        default="", description="who acts; where people sign in it is their account, whatever stands here", max_length=400
    )
    reason: str = Field(default="", max_length=2000)


class RestateIn(BaseModel):
    """Accounts for a closed period once more, beside the record that stands."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"by": "K. Weber", "reason": "a correction of uptime came late"}]}
    )

    by: str = Field(
        default="", description="who acts; where people sign in it is their account, whatever stands here", max_length=400
    )
    reason: str = Field(max_length=2000)
