"""The account of a closed period as a record holds it, and a later one that restates it."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Step
from checks.result import Verdict
from collector.accounts import words
from collector.accounts.account import Account
from collector.accounts.creeping import Creep
from collector.records.content import Head, Maybe, Name, Number, Part, Span, Text, span_of

KIND: Literal["period account"] = "period account"


class Tonnes(Part):
    """Tonnes of a time [t]; `own`, `best` and what belongs to them are None where nothing was measured and nothing stands in.

    Uncertainties are expanded (k = 2). `difference` is PLC total less best estimate. Hours [h].
    """

    period: Span
    gauge: Maybe
    plc: Maybe
    own: Maybe
    best: Maybe
    uncertainty: Maybe
    random_uncertainty: Maybe
    systematic_uncertainty: Maybe
    difference: Maybe
    measured_h: Number
    excluded_h: Number
    complete: bool


class NotMeasured(Part):
    """A stretch without a measurement (epoch seconds) and what stands in for it [t], with its expanded uncertainty (k = 2)."""

    begin: int
    end: int
    hours: Number
    method: str
    tonnes: Number
    uncertainty: Number


class Piece(Part):
    """A part of the difference [t] (+ = the PLC booked too much); uncertainty k = 2, None where it is not known."""

    name: Name
    tonnes: Number
    uncertainty: Maybe = None


class Creeping(Part):
    """What creeps: value, slope a day with its 95 % limits, and when the limit is reached (epoch seconds), or why no date."""

    name: Name
    unit: str
    limit: Maybe
    value: Maybe = None
    per_day: Maybe = None
    low: Maybe = None
    high: Maybe = None
    reaches: int | None = None
    earliest: int | None = None
    latest: int | None = None
    why: Text = ""


class PeriodAccount(Head):
    """The account of one loop and a shift, day or month. One that restates names the record before it, which stays as it is."""

    TITLE: ClassVar[str] = "Account of a period"

    kind: Literal["period account"] = KIND
    restates: int | None = Field(default=None, ge=1)
    restates_sha256: str = ""
    reason: Text = ""
    period: Span
    tonnes: Tonnes
    verdict: Verdict
    deviation: Maybe
    deviation_uncertainty: Number
    weight_verdict: Verdict
    statements: tuple[Text, ...]
    rows: tuple[Tonnes, ...]
    by_cause: tuple[Piece, ...]
    by_state: tuple[Piece, ...]
    at_gauge: tuple[Piece, ...]
    not_measured: tuple[NotMeasured, ...]
    grounds: tuple[Text, ...]
    units: Text
    basis: Literal["wet"] = "wet"
    moisture: Maybe
    dry: Maybe
    creeping: tuple[Creeping, ...]

    @model_validator(mode="after")
    def _says_why_it_restates(self) -> PeriodAccount:
        if (self.restates is None) != (not self.restates_sha256) or (self.restates is not None and not self.reason.strip()):
            raise ValueError("a restatement names the record before it, its hash and the reason")
        if len(self.loops) != 1:
            raise ValueError("an account is of one loop")
        return self


def parts_of(account: Account) -> dict[str, object]:
    """The fields that an account fills."""
    found = account.bridge
    return {
        "period": span_of(account.whole.period), "tonnes": tonnes_of(account.whole), "verdict": account.verdict,
        "deviation": account.deviation, "deviation_uncertainty": account.deviation_u, "weight_verdict": account.weight.verdict,
        "statements": statements(account), "rows": tuple(tonnes_of(part) for part in account.parts),
        "by_cause": pieces(found.by_cause if found else ()), "by_state": pieces(found.by_state if found else ()),
        "at_gauge": pieces(account.alike), "grounds": account.grounds, "units": account.units,
        "moisture": account.water.moisture, "dry": account.dry, "creeping": tuple(creeping_of(item) for item in account.creeps),
        "not_measured": not_measured_of(account.whole),
    }  # fmt: skip


def statements(account: Account) -> tuple[str, ...]:
    """Everything that an account says, the statement about the loop first, that about the tonnes second."""
    said = (
        words.headline(account), words.weight(account), words.alike(account), words.explained(account),
        words.uncertainty(account), words.excluded(account), words.work(account), words.water(account),
    )  # fmt: skip
    return tuple(sentence for sentence in said if sentence)


def tonnes_of(part: PeriodBalance) -> Tonnes:
    """A balance as a record holds it."""
    numbers = (part.own, part.best, part.uncertainty, 2.0 * part.random, 2.0 * part.systematic) if part.known else (None,) * 5
    own, best, wide, random, systematic = numbers
    return Tonnes(
        period=span_of(part.period), gauge=part.gauge, plc=part.plc, own=own, best=best, uncertainty=wide,
        random_uncertainty=random, systematic_uncertainty=systematic, measured_h=part.measured_h, excluded_h=part.excluded_h,
        difference=None if part.plc is None or best is None else part.plc - best, complete=part.complete,
    )  # fmt: skip


def pieces(steps: tuple[Step, ...]) -> tuple[Piece, ...]:
    """Steps as a record holds them."""
    return tuple(Piece(name=step.name, tonnes=step.tonnes, uncertainty=step.uncertainty) for step in steps)


def not_measured_of(part: PeriodBalance) -> tuple[NotMeasured, ...]:
    """The stretches that were not measured."""
    return tuple(
        NotMeasured(
            begin=gap.begin, end=gap.end, hours=gap.hours, method=gap.method, tonnes=gap.tonnes, uncertainty=2.0 * gap.standard
        )
        for gap in part.excluded
    )


def creeping_of(item: Creep) -> Creeping:
    """What creeps as a record holds it."""
    found = item.found
    if found is None:
        return Creeping(name=item.name, unit=item.unit, limit=item.limit, why=item.why)
    return Creeping(
        name=item.name, unit=item.unit, limit=item.limit, value=found.value, per_day=found.per_day, low=found.low,
        high=found.high, reaches=found.reaches, earliest=found.earliest, latest=found.latest, why=found.reason,
    )  # fmt: skip
