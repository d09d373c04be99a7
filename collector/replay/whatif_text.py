"""What another site would have told, as text for people, at most 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence

from checks.finding import UNKNOWN
from collector.replay.comparing import CONFIDENCE, Delays, Difference, LoopDifference, Pair, Rate, Side
from collector.replay.loop_run import Told
from collector.replay.progress import duration
from collector.replay.report import Outcome
from collector.replay.text import WIDTH, when, wrapped
from config.cautions import caution_text

LABEL = 30
COLUMN = 25
MARK_THEM = (
    "No finding was marked as false, so nothing is said of how many are. Mark them with --false ID, or by a correction "
    "of uptime to `measuring true` on the page /uptime."
)


def text(difference: Difference, outcome: Outcome, *, source: str, change: str, notes: Sequence[str] = ()) -> str:
    """The whole comparison; `change` says what the other site is."""
    lines = [
        *wrapped(f"Site {outcome.site}, {source}"),
        *wrapped(f"{when(outcome.begin)} to {when(outcome.end)}"),
        *wrapped(change, first="what if: ", rest="         "),
    ]
    for note in notes:
        lines += wrapped(note, first="note: ", rest="      ")
    for loop in difference.loops:
        lines += ["", *_loop(loop)]
    lines += ["", *_table(difference)]
    if any(loop.gained or loop.lost or loop.pairs for loop in difference.loops):
        lines += ["", *caution_text(WIDTH).splitlines()]
    lines += ["", *wrapped(_last(difference))]
    return "\n".join(lines) + "\n"


def _loop(loop: LoopDifference) -> list[str]:
    moved = loop.moved()
    same = len(loop.pairs) - len(moved)
    head = f"{loop.loop}  gained {len(loop.gained)}, lost {len(loop.lost)}, changed {len(moved)}, the same {same}"
    lines = [head, "-" * WIDTH]
    for sign, found in (("+ gained ", loop.gained), ("- lost ", loop.lost)):
        for item in found:
            lines += wrapped(f"{_named(item)}; {_stood(item)}{_tonnes(item)}", first=sign, rest="    ")
            lines += wrapped(item.id, first="    id ", rest="    ")
    for pair in moved:
        lines += wrapped(f"{_named(pair.before)}; {_moved(pair)}", first="~ ", rest="    ")
        lines += wrapped(pair.before.id, first="    id ", rest="    ")
    if not (loop.gained or loop.lost or moved):
        lines.append("The same findings at the same time." if same else "No finding with either.")
    return lines


def _named(item: Told) -> str:
    cause = "cause not named" if item.finding.cause == UNKNOWN else item.finding.cause
    return f"{item.finding.link.value}: {cause} ({item.finding.verdict.words})"


def _stood(item: Told) -> str:
    until = "still there at the end" if item.ended_s is None else f"gone {when(item.ended_s)}"
    return f"told {when(item.raised_s)}, {until}"


def _tonnes(item: Told) -> str:
    return "" if item.finding.tonnes is None else f", {item.finding.tonnes:+.4g} t"


def _moved(pair: Pair) -> str:
    said = []
    if pair.later_s:
        how = "later" if pair.later_s > 0 else "earlier"
        said.append(f"told {duration(abs(pair.later_s))} {how}, {when(pair.after.raised_s)}")
    before, after = pair.before.finding, pair.after.finding
    if (before.cause, before.verdict) != (after.cause, after.verdict):
        said.append(f"now {_named(pair.after)}")
    if pair.tonnes is not None and abs(pair.tonnes) >= 0.05:
        said.append(f"{before.tonnes:+.4g} t becomes {after.tonnes:+.4g} t")
    return ", ".join(said)


def _table(difference: Difference) -> list[str]:
    before, after = difference.before, difference.after
    return [
        f"{'':<{LABEL}}{'as it is':<{COLUMN}}{'what if':<{COLUMN}}".rstrip(),
        _row("loop-months judged (30 days)", _months(before), _months(after)),
        _row("findings", str(before.findings.count), str(after.findings.count)),
        _row("  a loop-month", _rate(before.findings), _rate(after.findings)),
        _row(f"  {100 * CONFIDENCE:.0f} % (exact Poisson)", _limits(before.findings), _limits(after.findings)),
        *(
            [
                _row("false findings", _false(before), _false(after)),
                _row("  a loop-month", _rate(before.false), _rate(after.false)),
                _row(f"  {100 * CONFIDENCE:.0f} % (exact Poisson)", _limits(before.false), _limits(after.false)),
            ]
            if before.false is not None
            else []
        ),
        _row(f"delay, {before.delays.pairs} findings of both", "", ""),
        _row("  median", _delay(before.delays, "median_s"), _delay(after.delays, "median_s")),
        _row("  90 % within", _delay(before.delays, "most_s"), _delay(after.delays, "most_s")),
    ]


def _row(label: str, one: str, other: str) -> str:
    return f"{label:<{LABEL}}{one:<{COLUMN}}{other:<{COLUMN}}".rstrip()


def _months(side: Side) -> str:
    return f"{side.findings.months:.3g}"


def _false(side: Side) -> str:
    return "-" if side.false is None else str(side.false.count)


def _rate(rate: Rate | None) -> str:
    return "-" if rate is None or rate.rate is None else _plain(rate.rate)


def _limits(rate: Rate | None) -> str:
    return "-" if rate is None or rate.low is None or rate.high is None else f"{_plain(rate.low)} to {_plain(rate.high)}"


def _plain(value: float) -> str:
    """Three digits, never with an exponent."""
    return f"{value:,.0f}" if value >= 100.0 else f"{value:.3g}"


def _delay(delays: Delays, name: str) -> str:
    seconds = getattr(delays, name)
    return "-" if seconds is None else duration(seconds)


def _last(difference: Difference) -> str:
    gained = sum(len(loop.gained) for loop in difference.loops)
    lost = sum(len(loop.lost) for loop in difference.loops)
    moved = sum(len(loop.moved()) for loop in difference.loops)
    said = f"{gained} gained, {lost} lost, {moved} changed." if difference.any() else "No finding differs."
    return said if difference.before.false is not None else f"{MARK_THEM} {said}"
