"""The outcome of a window for people, at most 80 columns wide."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from checks.correction import words as correction_words
from checks.finding import UNKNOWN, Finding
from checks.result import CheckResult, Verdict, worst
from collector.replay.report import LoopOutcome, Outcome, by_consequence
from config.cautions import CAUTIONS, caution_text

WIDTH = 80
LINK_WIDTH = 15
VERDICT_WIDTH = 14
MOST_SHIFTS = 6
WEIGHT = "truth"
"""The check that is no link of the chain: it stands on a line of its own."""
TWO_STATEMENTS = (
    "A chain that agrees does not prove the weight: a factor that is wrong in the gauge moves both ends alike. "
    "Only a reference mass can show it."
)


def text(outcome: Outcome, *, source: str, warnings: Sequence[str] = (), step_s: int = 1) -> str:
    """The report of a window as text.

    Every loop gets its links with their verdicts and its findings, largest consequence first; where a finding sends a person
    to the gauge the cautions follow. The last line says how many links could not be evaluated.
    """
    lines = [
        *wrapped(f"Site {outcome.site}, {source}"),
        *wrapped(f"{when(outcome.begin)} to {when(outcome.end)}, samples of {step_s} s"),
        *wrapped(f"site file {outcome.site_sha256[:12]}" if outcome.site_sha256 else ""),
    ]
    for warning in warnings:
        lines += wrapped(warning, first="note: ", rest="      ")
    for loop in outcome.loops:
        lines += ["", *_loop(loop)]
    lines += _cautions([item for loop in outcome.loops for item in loop.findings])
    lines += ["", *_last(outcome)]
    return "\n".join(lines) + "\n"


def _cautions(findings: Sequence[Finding]) -> list[str]:
    """The cautions, wherever there is a finding that somebody will go and look at, then those of single causes."""
    if not findings:
        return []
    lines = ["", *caution_text(WIDTH).splitlines()]
    for caution in dict.fromkeys(caution for item in findings for caution in item.cautions if caution not in CAUTIONS):
        lines += wrapped(caution, first="  - ", rest="    ")
    return lines


def _loop(loop: LoopOutcome) -> list[str]:
    lines = [f"{loop.loop}  {loop.verdict.words}", "-" * WIDTH]
    for link, items in loop.links().items():
        weighed = tuple(item for item in items if item.check == WEIGHT)
        for name, some in ((link.value, tuple(item for item in items if item.check != WEIGHT)), ("weight", weighed)):
            if not some:
                continue
            verdict = worst(item.verdict for item in some)
            head = f"{name:<{LINK_WIDTH}}{verdict.words:<{VERDICT_WIDTH}}"
            lines += wrapped(_reason(some, verdict), first=head, rest=" " * len(head)) or [head.rstrip()]
    for number, finding in enumerate(by_consequence(loop.findings), 1):
        lines += ["", *_finding(number, finding)]
    if not loop.findings and loop.verdict in (Verdict.OK, Verdict.NOT_EVALUATED):
        lines += ["", "No finding."]
    totals = _totals(loop)
    return [*lines, *([""] if totals else []), *totals]


def _reason(items: Iterable[CheckResult], verdict: Verdict) -> str:
    said = [item for item in items if item.verdict is verdict]
    reasons = list(dict.fromkeys(item.reason for item in said if item.reason))
    needs = list(dict.fromkeys(need for item in said for need in item.needs))
    shown = "; ".join(reasons[: 1 if verdict is Verdict.OK else 2])
    return shown + (f"; needs {', '.join(needs)}" if needs and verdict is Verdict.NOT_EVALUATED else "")


def _finding(number: int, item: Finding) -> list[str]:
    head = f"{number}. "
    pad = " " * len(head)
    cause = "cause not named" if item.cause == UNKNOWN else item.cause
    lines = wrapped(f"{item.title or cause}, link {item.link.value}: {item.verdict.words}", first=head, rest=pad)

    def say(sentence: str, first: str = pad) -> None:
        lines.extend(wrapped(sentence, first=first, rest=" " * len(first)))

    say(_since(item))
    say(item.sentence)
    if item.cause != UNKNOWN:
        say(f"Cause: {item.cause}, {_odds(item.odds)}." if item.odds is not None else f"Cause: {item.cause}.")
    for other in item.alternatives:
        apart = f"; told apart by: {other.separated_by}" if other.separated_by else ""
        say(f"Not ruled out: {other.cause} ({ratio(other.odds)}){apart}")
    for need in item.gate:
        say(f"To name the cause: {need}")
    say(_tonnes(item))
    if item.implied is not None:
        low, high = item.implied.range_low, item.implied.range_high
        digits = max(0, 3 - math.floor(math.log10(max(abs(high - low), 1e-9))))
        low, high = round(low, digits) + 0.0, round(high, digits) + 0.0
        say(f"The far side behaves as if its range were {low:g} to {high:g} {item.implied.unit}.")
    for shift in _shifts(item):
        say(shift)
    if item.advice:
        say("To check, in this order:")
    for place, advice in enumerate(item.advice, 1):
        say(advice, f"{pad}{place}) ")
    if item.correction is not None:
        say("What puts it right:")
        for sentence in correction_words(item.correction):
            say(sentence, f"{pad}- ")
    return lines


def _since(item: Finding) -> str:
    low, high = item.begin_interval
    spread = f" (95 %: {when(low)} to {when(high)})" if low < high else ""
    until = f" until {when(item.end)}" if item.end is not None else ", still there at the end"
    return f"Since {when(item.begin)}{spread}{until}."


def _tonnes(item: Finding) -> str:
    said = []
    if item.tonnes is not None and math.isfinite(item.tonnes):
        spread = f" ± {item.tonnes_uncertainty:.3g} t (k = 2)" if item.tonnes_uncertainty is not None else ""
        side = "too much" if item.tonnes >= 0 else "too little"
        said.append(f"The PLC booked {abs(item.tonnes):.4g} t{spread} {side} since then")
    if item.rate_error_t_h is not None and math.isfinite(item.rate_error_t_h):
        said.append(f"{item.rate_error_t_h:+.4g} t/h at the mean flow")
    return ", ".join(said) + "." if said else ""


def _shifts(item: Finding) -> list[str]:
    """One line for each of the last shifts, where there is more than one."""
    if len(item.by_shift) < 2:
        return []
    shown = item.by_shift[-MOST_SHIFTS:]
    lines = ["By shift:" if len(shown) == len(item.by_shift) else f"By shift, the last {len(shown)} of {len(item.by_shift)}:"]
    lines += [
        f"  {part.shift} from {when(part.begin)[:16]} UTC: {part.tonnes:+.2f} t ± {part.tonnes_uncertainty:.2g} t"
        for part in shown
    ]
    return lines


def _totals(loop: LoopOutcome) -> list[str]:
    totals = loop.totals
    if totals is None:
        return []
    named = {"gauge": totals.gauge_t, "PLC": totals.plc_t, "own": totals.own_t}
    parts = [f"{name} {value:,.1f} t" for name, value in named.items() if value is not None]
    if totals.best_t is not None:
        spread = f" ± {totals.best_u_t:.3g} t (k = 2)" if totals.best_u_t is not None else ""
        parts.append(f"best estimate {totals.best_t:,.1f} t{spread}")
    if totals.not_measured_s > 0:
        parts.append(f"not measured {totals.not_measured_s:,.0f} s")
    return wrapped("Totals: " + ", ".join(parts), rest="        ") if parts else []


def _last(outcome: Outcome) -> list[str]:
    verdicts = outcome.links()
    missing = sum(verdict is Verdict.NOT_EVALUATED for verdict in verdicts)
    proven = all(any(item.check == WEIGHT and item.verdict is Verdict.OK for item in loop.checks) for loop in outcome.loops)
    lines = wrapped(TWO_STATEMENTS) if missing < len(verdicts) and not outcome.has_findings() and not proven else []
    count = sum(len(loop.findings) for loop in outcome.loops)
    found = "no finding" if count == 0 else f"{count} finding{'s' if count > 1 else ''}"
    lines.append(f"{found}; {missing} of {len(verdicts)} links could not be evaluated".capitalize())
    return lines


def wrapped(sentence: str, *, first: str = "", rest: str = "") -> list[str]:
    """A sentence on lines of at most 80 columns, none where it is empty."""
    if not sentence:
        return []
    return textwrap.wrap(
        sentence, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=True, break_on_hyphens=False
    )


def when(time: float) -> str:
    """A time for people, to the second, in UTC."""
    return datetime.fromtimestamp(math.floor(time), UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _odds(odds: float) -> str:
    together = " together; those below fit as well" if odds < 1.0 else ""
    return f"{ratio(odds)} against all other causes{together}"


def ratio(odds: float) -> str:
    """Odds as people say them: 19:1, 1:3, over 1000:1."""
    if odds >= 1000:
        return "over 1000:1"
    if odds <= 0.001:
        return "under 1:1000"
    return f"{odds:.3g}:1" if odds >= 1 else f"1:{1 / odds:.3g}"
