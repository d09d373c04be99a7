"""What people order about a link that outlasts one alert: out of service, or accepted until a date or until it has grown."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from checks.finding import Finding
from checks.result import Verdict

RANK = (Verdict.OK, Verdict.NOT_EVALUATED, Verdict.SUSPECT, Verdict.FAULT)


class HoldKind(StrEnum):
    """What was ordered."""

    OUT_OF_SERVICE = "out-of-service"
    ACCEPTED = "accepted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One order. An acceptance is of a cause and a verdict; `amount` is what was accepted and `grow` by how much more it may
    be, both in `unit` of `measure`, None where the finding has no number. Times are epoch seconds."""

    id: int = 0
    kind: HoldKind
    loop: str
    link: str
    cause: str = ""
    verdict: str = ""
    by: str
    owner: str
    reason: str
    made: float
    until: float
    measure: str = ""
    unit: str = ""
    amount: float | None = None
    grow: float | None = None
    ended: float | None = None
    ended_by: str = ""
    end_note: str = ""

    @property
    def limit(self) -> float | None:
        """The amount above which it is told again."""
        return None if self.amount is None or self.grow is None else self.amount + self.grow


def amount_of(finding: Finding) -> tuple[str, str, float] | None:
    """Name, unit and size of the number that says how large a finding is: t/h, else the first evidence that has a limit."""
    if finding.rate_error_t_h is not None:
        return "rate error", "t/h", abs(finding.rate_error_t_h)
    for item in finding.evidence:
        if item.value is not None and item.limit is not None:
            return item.name, item.unit, abs(item.value)
    return None


def outgrown(hold: Hold, finding: Finding) -> str:
    """Why a finding is no longer what was accepted; '' while it is."""
    if finding.cause != hold.cause:
        return f"the cause is now {finding.cause} (accepted was {hold.cause})"
    if RANK.index(finding.verdict) > RANK.index(Verdict(hold.verdict)):
        return "the doubt that was accepted has become a fault"
    found, limit = amount_of(finding), hold.limit
    if found is not None and limit is not None and found[0] == hold.measure and found[2] > limit:
        return f"{found[0]} is now {found[2]:.2f} {found[1]}, accepted was up to {limit:.2f} {hold.unit}"
    return ""
