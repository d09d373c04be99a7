"""What REST answers and takes about the calibration of a loop."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from checks.commissioning.calibration_sum import Factor
from checks.references import Reference
from collector.commissioning.calibrating import Calibration, ledger_lines, sentences
from collector.commissioning.calibration_asked import MOST_RUNS
from collector.web.calibration_ledger import LedgerView
from collector.web.schemas import Answer, Loop, Time
from collector.web.words import iso
from config.cautions import CAUTIONS

Stamp = Annotated[str, Field(max_length=40, description="ISO 8601; without a zone: local time of the site")]
Kilo = Annotated[float | None, Field(description="[kg/m]", examples=[153.85])]


class RunIn(BaseModel):
    """A run with a known mass; without a window its steady part is taken."""

    model_config = ConfigDict(extra="forbid")

    begin: Stamp = Field(examples=["2027-03-01T06:10:00"])
    end: Stamp = Field(examples=["2027-03-01T07:15:00"])
    mass: str = Field(max_length=40, examples=["251.3 t"])
    window_begin: Stamp = Field(default="", examples=["2027-03-01T06:14:00"])
    window_end: Stamp = Field(default="", examples=["2027-03-01T07:12:30"])


class CalibrationIn(BaseModel):
    """Runs, and what goes for all of them. `edges` counted: the reference weighed the whole lot, not what passed in the window."""

    model_config = ConfigDict(extra="forbid")

    runs: list[RunIn] = Field(min_length=1, max_length=MOST_RUNS)
    edges: Literal["left out", "counted"] = "left out"
    scale_uncertainty: float = Field(default=0.1, ge=0.0, le=10.0, description="of the reference scale, k = 2 [%]")
    tare_s: float = Field(default=300.0, gt=0.0, le=86_400.0, description="how long the last tare counted [s]")
    since: Stamp = ""


class CalibrationRecordIn(CalibrationIn):
    """The same with the name of who keeps it."""

    by: str = Field(examples=["R. Ortega"])
    remarks: str = Field(default="", max_length=400)


class FactorOut(Answer):
    """What the runs ask for; uncertainties are expanded, k = 2."""

    ratio: float = Field(description="reference over gauge [1]", examples=[1.0198])
    ratio_u: float = Field(examples=[0.0038])
    factor: float = Field(description="[kg/m]", examples=[156.9])
    factor_u: float = Field(description="[kg/m]", examples=[0.59])
    repeatability: float | None = Field(
        description="standard deviation of one run [1]; null from a single one", examples=[0.0032]
    )
    enough: bool = Field(description="three runs or more (common practice, no source)", examples=[True])


class RunOut(Answer):
    """A run as it was evaluated."""

    window_begin: Time
    window_end: Time
    reference_t: float = Field(description="[t]", examples=[251.3])
    gauge_t: float = Field(description="stands against the reference [t]", examples=[246.4])
    leading_t: float = Field(description="in the leading edge [t]", examples=[2.1])
    tailing_t: float = Field(description="in the tailings [t]", examples=[1.4])
    missing_s: float = Field(description="without a flow [s]", examples=[0.0])


class CalibrationOut(Answer):
    """The outcome. `otherwise`: if the edges were counted where they are left out, or the other way round."""

    loop: Loop
    factor_in_force: Kilo
    runs: list[RunOut]
    found: FactorOut
    otherwise: FactorOut
    differs: bool = Field(description="whether the factor in force lies outside of what the runs leave", examples=[True])
    booked_t: float | None = Field(description="since the time asked for [t]", examples=[None])
    said: list[str] = Field(examples=[["Reference over gauge: 1.01980 ± 0.00380 (k = 2)."]])
    notes: list[str] = Field(examples=[[]])
    ledger: list[str] = Field(description="lines for `spans:` of the ledger file", examples=[["  - {loop: TB-07, ...}"]])
    cautions: list[str] = Field(examples=[list(CAUTIONS)])


class TareOut(Answer):
    """A tare of the ledger."""

    begin: Time
    end: Time
    rate: float = Field(description="gross, empty belt [1/s]", examples=[5083.0])
    rate_before: float | None = Field(description="[1/s]", examples=[5200.0])
    turns: float | None = Field(examples=[3.0])


class SpanOut(Answer):
    """A span run of the ledger."""

    begin: Time
    end: Time
    ratio: float | None = Field(description="reference over gauge [1]", examples=[1.0198])
    factor_before: Kilo
    factor_after: Kilo
    factor_asked: float | None = Field(description="that follows from it [kg/m]", examples=[156.9])
    factor_asked_u: float | None = Field(description="of the reference alone, k = 2 [kg/m]", examples=[0.16])


class LotOut(Answer):
    """A material test of the ledger."""

    begin: Time
    end: Time
    product: str = Field(examples=["standard grade"])
    reference_t: float = Field(description="[t]", examples=[812.4])
    uncertainty_t: float = Field(description="of the reference, k = 2 [t]", examples=[0.8])
    gauge_t: float | None = Field(description="[t]", examples=[809.0])
    moisture: float | None = Field(description="of the laboratory [%]", examples=[0.4])
    error: float | None = Field(description="of the gauge against the reference [%]", examples=[-0.42])
    factor_asked: float | None = Field(description="that follows from it [kg/m]", examples=[154.5])
    factor_asked_u: float | None = Field(description="of the reference alone, k = 2 [kg/m]", examples=[0.15])


class LedgerOut(Answer):
    """The ledger of a loop, newest first. `repeats`: standard deviation of one material test [%]."""

    loop: Loop
    factor: Kilo
    background: float = Field(description="[1/s]", examples=[60.0])
    tares: list[TareOut]
    spans: list[SpanOut]
    material_tests: list[LotOut]
    mean_error: float | None = Field(description="[%]", examples=[-0.2])
    repeats: float | None = Field(description="[%]", examples=[0.3])


def form_of(body: CalibrationIn) -> dict[str, str]:
    """The fields of the page that mean the same."""
    fields = {
        "edges": "counted" if body.edges == "counted" else "left-out", "scale": f"{body.scale_uncertainty!r}",
        "tare": f"{body.tare_s!r}", "since": body.since,
    }  # fmt: skip
    for number, run in enumerate(body.runs, 1):
        parts = {"from": run.begin, "to": run.end, "mass": run.mass, "begin": run.window_begin, "end": run.window_end}
        fields |= {f"{name}{number}": text for name, text in parts.items()}
    return fields


def calibration_out(found: Calibration, zone: str) -> CalibrationOut:
    """An outcome for programs."""
    return CalibrationOut(
        loop=found.loop, factor_in_force=found.facts.factor, found=_factor(found.found), otherwise=_factor(found.otherwise),
        runs=[
            RunOut(
                window_begin=iso(run.begin) or "", window_end=iso(run.end) or "", reference_t=one.reference, gauge_t=used,
                leading_t=run.leading_t, tailing_t=run.tailing_t, missing_s=run.missing_s,
            )
            for one, run, used in zip(found.known, found.runs, found.used, strict=True)
        ],
        differs=found.differs, booked_t=found.booked, said=sentences(found, zone), notes=list(found.notes),
        ledger=ledger_lines(found, zone), cautions=list(CAUTIONS),
    )  # fmt: skip


def ledger_out(found: LedgerView) -> LedgerOut:
    """A ledger for programs."""
    return LedgerOut(
        loop=found.loop, factor=found.factor, background=found.background, mean_error=found.mean_error, repeats=found.repeats,
        tares=[TareOut(**_times(item), rate=item.rate, rate_before=item.rate_before, turns=item.turns) for item in found.tares],
        spans=[
            SpanOut(
                **_times(line.entry), ratio=line.ratio, factor_before=line.entry.factor_before, factor_after=line.entry.factor_after,
                factor_asked=line.factor,
                factor_asked_u=line.factor_u,
            )
            for line in found.spans
        ],
        material_tests=[
            LotOut(
                **_times(line.entry), product=line.entry.product, reference_t=line.entry.reference_t,
                uncertainty_t=line.entry.reference_u_t, gauge_t=line.entry.gauge_t, moisture=line.entry.moisture, error=line.error,
                factor_asked=line.factor, factor_asked_u=line.factor_u,
            )
            for line in found.tests
        ],
    )  # fmt: skip


def _times(item: Reference) -> dict[str, str]:
    return {"begin": iso(item.begin_s) or "", "end": iso(item.end_s) or ""}


def _factor(found: Factor) -> FactorOut:
    return FactorOut(
        ratio=found.ratio, ratio_u=found.ratio_u, factor=found.factor, factor_u=found.factor_u, repeatability=found.repeatability,
        enough=found.enough,
    )  # fmt: skip
