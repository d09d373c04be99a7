"""What an account says, in sentences. Two statements are kept apart: that the loop agrees, and that the tonnes are right."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from checks.accounting.stand_ins import Excluded
from checks.result import Verdict
from checks.truth import AGREEMENT
from collector.accounts.account import Account
from collector.accounts.creeping import Creep

TWO_STATEMENTS = (
    "This is a statement about the loop: whether gauge and PLC booked the same tonnes. Whether the tonnes are right is another "
    "statement, and only something else that weighed them can make it."
)
DEFINITIONS = (
    (
        "Gauge total and PLC total: what the two totalizers gained, with rollover and reset resolved. Own integral: the gauge's "
        "flow added up over the time in which it could be used."
    ),
    (
        "Best estimate: own integral, and for hours that were not measured (no usable flow, a failure at the gauge, maintenance "
        "or calibration) what stands in for them: the PLC total, brought to the gauge by the ratio that both had where both "
        "were there; else the mean load of the shift. A PLC that copied a gauge at fault does not stand in."
    ),
    (
        "± is the expanded uncertainty (k = 2, about 95 %; JCGM 100:2008). Its random part averages out over time; its "
        "systematic part is the same in every hour and does not."
    ),
    "A shift, day or month begins at a local shift time of the site. Days on which the clocks are changed have 23 or 25 h.",
    "Not legal for trade.",
)
"""What the words mean, for the foot of every account."""
STATES = {
    "loaded": "while the belt was loaded", "empty": "while it ran empty", "stopped": "while it stood",
    "changing": "while it changed between these", "not explained": "in time that both ends did not cover whole",
}  # fmt: skip


def tonnes(value: float | None, *, signed: bool = False) -> str:
    """Tonnes with one digit and a thin space between thousands."""
    if value is None:
        return "none"
    text = f"{value:{'+' if signed else ''},.1f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return text.replace("-", "\N{MINUS SIGN}") if float(f"{value:.1f}") else "0.0"


def headline(account: Account) -> str:
    """Whether both ends booked the same, with the numbers."""
    whole = account.whole
    if not whole.known and whole.plc is None:
        return "Nothing is stored of this time: no tonnes can be stated."
    if not whole.known:
        return f"The PLC booked {tonnes(whole.plc)} t; the gauge measured nothing, so the loop is not evaluated."
    best = f"best estimate {tonnes(whole.best)} t ± {tonnes(whole.uncertainty)} t"
    if whole.plc is None or account.deviation is None or account.difference is None:
        return f"The {best}; {account.why or 'nothing passed'}, so the loop is not evaluated."
    apart = f"{tonnes(account.difference, signed=True)} t"
    unread = sum(gap.hours for gap in whole.excluded if not gap.booked and gap.method != "none")
    where = f" in the hours in which the PLC total was read, all but {unread:.2f}" if unread else ""
    apart += f"; {_signed(account.deviation)} %{where}" if where else f", {_signed(account.deviation)} %"
    verdict = {
        Verdict.OK: "The loop agrees", Verdict.SUSPECT: "The loop is doubtful", Verdict.FAULT: "The loop does not agree",
        Verdict.NOT_EVALUATED: f"The loop is not evaluated ({account.why or 'the difference is not known well enough'})",
    }[account.verdict]  # fmt: skip
    return f"{verdict}: the PLC booked {tonnes(whole.plc)} t, the {best} (difference {apart})."


def weight(account: Account) -> str:
    """Whether the tonnes are right."""
    said = account.weight
    reason = said.reason.removeprefix(f"{AGREEMENT}: ").rstrip(".")
    if said.verdict is Verdict.NOT_EVALUATED:
        return f"Whether the tonnes are right is not evaluated: {reason}."
    return f"Whether the tonnes are right: {reason}. What was weighed since is as good as the loop."


def alike(account: Account) -> str:
    """The findings at the gauge, which both ends book alike; empty without any."""
    if not account.alike:
        return ""
    whole = sum(step.tonnes for step in account.alike)
    names = "; ".join(f"{step.name} {tonnes(step.tonnes, signed=True)} t" for step in account.alike)
    return (
        f"Findings at the gauge move both ends alike and are in no difference: {names}. If they hold, all totals are "
        f"{tonnes(abs(whole))} t too {'high' if whole > 0 else 'low'}, and the best estimate without them is "
        f"{tonnes(account.whole.best - whole)} t."
    )


def explained(account: Account) -> str:
    """The way from booked to best in one sentence."""
    found = account.bridge
    if found is None:
        return "There is no difference to explain: the PLC total or the best estimate is not there."
    causes, rest = found.by_cause[:-1], found.by_cause[-1]
    if not causes:
        return f"No finding explains a part of the difference of {tonnes(found.difference, signed=True)} t."
    parts = ", ".join(f"{step.name} {tonnes(step.tonnes, signed=True)} t" for step in causes)
    return (
        f"Of the difference of {tonnes(found.difference, signed=True)} t: {parts}; not explained "
        f"{tonnes(rest.tonnes, signed=True)} t."
    )


def uncertainty(account: Account) -> str:
    """The two parts of the uncertainty."""
    whole = account.whole
    return (
        f"± {tonnes(whole.uncertainty)} t (k = 2) is made of ± {tonnes(2 * whole.random)} t random and "
        f"± {tonnes(2 * whole.systematic)} t systematic."
    )


def excluded(account: Account) -> str:
    """The hours that were not measured and what stands in for them."""
    whole = account.whole
    if not whole.excluded:
        return "Every hour was measured."
    methods: dict[str, list[Excluded]] = {}
    for stretch in whole.excluded:
        methods.setdefault(stretch.method, []).append(stretch)
    told = [
        f"{sum(one.hours for one in some):.2f} h have no stand-in and are not in the best estimate, whose ± does not cover them"
        if method == "none"
        else f"for {sum(one.hours for one in some):.2f} h the {method} stands in "
        f"({tonnes(sum(one.tonnes for one in some), signed=True)} t)"
        for method, some in sorted(methods.items())
    ]
    return f"{whole.excluded_h:.2f} h were not measured: {'; '.join(told)}."


def work(account: Account) -> str:
    """Hours of maintenance and calibration; empty without any."""
    if not account.work_h > 0.0:
        return ""
    return (
        f"In {account.work_h:.2f} h a bit said maintenance or calibration while the belt moved: they do not count as measured. "
        "If nothing passed then, correct them on the page of uptime to not required."
    )


def water(account: Account) -> str:
    """Wet or dry."""
    found, wet = account.water, "Tonnes are as weighed, with their water (wet)."
    if found.moisture is None:
        return f"{wet} No moisture is known, so dry tonnes are not evaluated."
    known = f" over {100 * found.known:.0f} % of the tonnes" if found.known < 0.995 else ""
    return f"{wet} Moisture {found.moisture:.2f} % by {found.source}{known}: {tonnes(account.dry)} t dry."


def creep(item: Creep, zone: ZoneInfo) -> str:
    """Whether something creeps, and until when."""
    found = item.found
    if found is None:
        return f"not evaluated: {item.why}"
    now = f"{found.value:+.3g} {item.unit}, {found.per_day * 30:+.2g} {item.unit} in 30 days"
    if found.reaches is None:
        return f"{now}; {found.reason}"
    first = date_of(found.earliest, zone)
    last = date_of(found.latest, zone)
    return f"{now}; reaches {item.limit:.3g} {item.unit} on {date_of(found.reaches, zone)} (95 %: {first} to {last})"


def date_of(time_s: int | None, zone: ZoneInfo) -> str:
    """A local day."""
    if time_s is None:
        return "no date"
    try:
        return datetime.fromtimestamp(time_s, zone).date().isoformat()
    except (ValueError, OverflowError, OSError):
        return "no date within reach"


def site_sentence(accounts: Sequence[Account]) -> str:
    """All loops in one sentence."""
    told = [one for one in accounts if one.verdict is not Verdict.NOT_EVALUATED]
    apart = [one.loop for one in told if one.verdict is Verdict.FAULT]
    doubtful = [one.loop for one in told if one.verdict is Verdict.SUSPECT]
    agree = len(told) - len(apart) - len(doubtful)
    said = [
        f"{agree} of {len(accounts)} loops agree{'s' * (agree == 1)}"
        if len(accounts) != 1
        else ("the loop agrees" if agree else "")
    ]
    said += [f"{', '.join(apart)} booked other tonnes than the gauge"] if apart else []
    said += [f"{', '.join(doubtful)} doubtful"] if doubtful else []
    said += [f"{len(accounts) - len(told)} not evaluated"] if len(told) < len(accounts) else []
    text = "; ".join(part for part in said if part)
    return f"{text[:1].upper()}{text[1:]}."


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "\N{MINUS SIGN}")
