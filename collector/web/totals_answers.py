"""From accounts to the answers of REST."""

from __future__ import annotations

from collections.abc import Sequence

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Bridge, Step
from collector.accounts import words
from collector.accounts.account import Account
from collector.accounts.closing import Closed
from collector.accounts.content import statements, tonnes_of
from collector.accounts.creeping import Creep
from collector.web import totals_schemas as out
from collector.web.answers import time_of
from collector.web.words import finite, iso


def totals(accounts: Sequence[Account], closed: Sequence[Closed | None]) -> out.TotalsOut:
    """The accounts of a site; `closed` belongs to them in the same order."""
    period = accounts[0].whole.period
    return out.TotalsOut(
        period=period.name, begin=time_of(period.begin), end=time_of(period.end), sentence=words.site_sentence(accounts),
        statement=words.TWO_STATEMENTS, definitions=list(words.DEFINITIONS),
        loops=[loop(one, kept) for one, kept in zip(accounts, closed, strict=True)],
    )  # fmt: skip


def loop(account: Account, closed: Closed | None) -> out.LoopTotalsOut:
    """The account of a loop."""
    return out.LoopTotalsOut(
        loop=account.loop, title=account.title, running=account.running, verdict=account.verdict.value,
        headline=words.headline(account), deviation_percent=finite(account.deviation),
        deviation_uncertainty_percent=account.deviation_u, weight_verdict=account.weight.verdict.value,
        weight=words.weight(account), total=tonnes(account.whole), rows=[tonnes(part) for part in account.parts],
        bridge=None if account.bridge is None else bridge(account.bridge), at_gauge=[step(item) for item in account.alike],
        not_measured=[
            out.GapOut(
                begin=time_of(gap.begin), end=time_of(gap.end), hours=gap.hours, method=gap.method, tonnes=gap.tonnes,
                uncertainty_t=2.0 * gap.standard,
            )
            for gap in account.whole.excluded
        ],
        statements=list(statements(account)), grounds=list(account.grounds), units=account.units, basis="wet",
        moisture_percent=finite(account.water.moisture), dry_t=finite(account.dry),
        creeping=[creep(item) for item in account.creeps], closed=None if closed is None else kept(closed),
    )  # fmt: skip


def tonnes(part: PeriodBalance) -> out.TonnesOut:
    """The tonnes of a period."""
    found, period = tonnes_of(part), part.period
    return out.TonnesOut(
        period=period.name, begin=time_of(period.begin), end=time_of(period.end), hours=period.hours, note=period.note,
        gauge_t=finite(found.gauge), plc_t=finite(found.plc), own_t=finite(found.own), best_t=finite(found.best),
        uncertainty_t=finite(found.uncertainty), random_t=finite(found.random_uncertainty),
        systematic_t=finite(found.systematic_uncertainty), difference_t=finite(found.difference), measured_h=found.measured_h,
        not_measured_h=found.excluded_h, complete=found.complete,
    )  # fmt: skip


def bridge(found: Bridge) -> out.BridgeOut:
    """The way from booked to best."""
    return out.BridgeOut(
        booked_t=found.booked, best_t=found.best, difference_t=found.difference,
        by_cause=[step(item) for item in found.by_cause], by_state=[step(item) for item in found.by_state],
    )  # fmt: skip


def step(item: Step) -> out.StepOut:
    """A part of a difference."""
    return out.StepOut(name=item.name, tonnes=item.tonnes, uncertainty_t=finite(item.uncertainty))


def creep(item: Creep) -> out.CreepOut:
    """What creeps."""
    found = item.found
    if found is None:
        return out.CreepOut(
            name=item.name, unit=item.unit, limit=finite(item.limit), value=None, per_day=None, per_day_low=None,
            per_day_high=None, reaches=None, earliest=None, latest=None, reason=f"not evaluated: {item.why}",
        )  # fmt: skip
    return out.CreepOut(
        name=item.name, unit=item.unit, limit=finite(item.limit), value=finite(found.value), per_day=finite(found.per_day),
        per_day_low=finite(found.low), per_day_high=finite(found.high), reaches=_date(found.reaches),
        earliest=_date(found.earliest), latest=_date(found.latest), reason=found.reason,
    )  # fmt: skip


def kept(closed: Closed) -> out.ClosedOut:
    """The newest record of a closed period."""
    content = closed.content
    return out.ClosedOut(
        record=closed.record.number, restates=content.restates, versions=closed.versions, made=time_of(content.made),
        by=content.by, reason=content.reason, sha256=closed.record.sha256, best_t=finite(content.tonnes.best),
        uncertainty_t=finite(content.tonnes.uncertainty), plc_t=finite(content.tonnes.plc),
    )  # fmt: skip


def _date(time_s: int | None) -> str | None:
    """A moment; None for one that no calendar holds."""
    try:
        return iso(time_s)
    except (OverflowError, ValueError):
        return None
