"""The accounts as text, at most 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Step
from collector.accounts import words
from collector.accounts.account import Account
from collector.replay.text import wrapped

MOST_GAPS = 12
HEAD = f"{'':<16}{'gauge':>10}{'PLC':>10}{'own':>10}{'best':>10}{'± k=2':>8}{'PLC-best':>10}"


def lines_of(accounts: Sequence[Account], zone: ZoneInfo) -> list[str]:
    """The report: all loops, then each with its rows, the way from booked to best, gaps, uncertainty and what creeps."""
    period = accounts[0].whole.period
    begin, end = (datetime.fromtimestamp(edge, zone).strftime("%Y-%m-%d %H:%M %Z") for edge in (period.begin, period.end))
    out = wrapped(f"tonnes of {period.name}, {begin} to {end}")
    out += wrapped("It still runs: this is what stands so far.") if accounts[0].running else []
    out += wrapped(period.note, first="note: ", rest="      ")
    out += [*wrapped(words.site_sentence(accounts)), *wrapped(words.TWO_STATEMENTS), "", f"{'tonnes [t]':<16}{HEAD[16:]}"]
    out += [_row(one.loop, one.whole) for one in accounts]
    out += [] if all(one.whole.complete for one in accounts) else ["* hours without a stand-in are not in it"]
    for one in accounts:
        out += ["", *wrapped(f"{one.loop}  {one.title}".rstrip()), "-" * 80, *_loop(one, zone)]
    out.append("")
    for text in words.DEFINITIONS:
        out += wrapped(text)
    return out


def _loop(account: Account, zone: ZoneInfo) -> list[str]:
    out = [*wrapped(words.headline(account)), *wrapped(words.weight(account)), *wrapped(words.alike(account))]
    if not account.measured:
        return out
    if len(account.parts) > 1:
        out += ["", HEAD, *(_row(part.period.name, part) for part in account.parts)]
        notes = [part.period for part in account.parts if part.period.note]
        for period in notes:
            out += wrapped(f"{period.name}: {period.note}", first="  ", rest="    ")
    out += ["", *wrapped(words.explained(account))]
    if account.bridge is not None:
        out += _steps("PLC less best estimate, by cause", account.bridge.by_cause)
        states = [Step(name=words.STATES.get(step.name, step.name), tonnes=step.tonnes) for step in account.bridge.by_state]
        out += _steps("the same by what the belt did", states)
    out += ["", *wrapped(words.excluded(account))]
    for gap in account.whole.excluded[:MOST_GAPS]:
        at = datetime.fromtimestamp(gap.begin, zone).strftime("%Y-%m-%d %H:%M %Z")
        stand_in = "nothing stands in" if gap.method == "none" else f"{gap.method}, {words.tonnes(gap.tonnes)} t"
        out += wrapped(f"from {at} {gap.hours:.2f} h: {stand_in}", first="  ", rest="    ")
    more = len(account.whole.excluded) - MOST_GAPS
    out += [f"  and {more} more"] if more > 0 else []
    out += [*wrapped(words.work(account)), "", *wrapped(words.uncertainty(account))]
    for ground in account.grounds:
        out += wrapped(ground, first="  ", rest="    ")
    out += ["", *wrapped(f"units: {account.units}"), *wrapped(words.water(account))]
    if account.creeps:
        out.append("what creeps:")
    for item in account.creeps:
        out += wrapped(f"{item.name}: {words.creep(item, zone)}", first="  ", rest="    ")
    return out


def _row(name: str, part: PeriodBalance) -> str:
    own, best, wide = (part.own, part.best, part.uncertainty) if part.known else (None, None, None)
    apart = None if part.plc is None or best is None else part.plc - best
    cells = [_cell(value, 10) for value in (part.gauge, part.plc, own, best)]
    mark = "" if part.complete else " *"
    name = name if len(name) <= 16 else f"{name[:15]}\N{HORIZONTAL ELLIPSIS}"
    return f"{name:<16}{''.join(cells)}{_cell(wide, 8)}{_cell(apart, 10, signed=True)}{mark}"


def _cell(value: float | None, width: int, *, signed: bool = False) -> str:
    text = "none" if value is None else f"{value:{'+' if signed else ''}.1f}"
    return f"{text:>{width}}"


def _steps(title: str, steps: Sequence[Step]) -> list[str]:
    out = [f"  {title} [t]"]
    for step in steps:
        wide = "" if step.uncertainty is None else f" ± {step.uncertainty:.1f}"
        out += wrapped(f"{step.tonnes:+10.1f}{wide:<10}  {step.name}".rstrip(), first="  ", rest=" " * 26)
    return out
