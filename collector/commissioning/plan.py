"""The plan of the day a gauge is put in service, as plain values and as text of 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from checks.commissioning.durations import LEAST_LOAD, Duration, background, span_run, tare, wrong_background
from checks.commissioning.gauge import GaugeFacts, facts_of
from checks.commissioning.tables import DecayRow, LoadRow, LoopRow, decay_table, load_table, loop_table, renewal
from collector.replay.text import WIDTH, wrapped
from config.cautions import caution_text
from config.errors import TallywireError
from config.model import Site
from config.units import parse_quantity

WANTED_SHARE = 0.005
"""Uncertainty that is aimed at where nobody says one [parts of the range, k = 2]."""
NOISE_SHARE = 0.03
"""Noise at full load at which a source is due where nobody says another [parts of the range, k = 2]; own estimate."""
WANTED_SPAN_PERCENT = 0.25
"""The same of a span run [%, k = 2]: the tolerance of NIST Handbook 44, 2.21, T.1 (from memory), as a yardstick."""
LOADS = (LEAST_LOAD, 0.5, 0.8)
DIFFER = "Gauge and PLC are declared with different ranges: the last column is not the second."
YARDSTICKS = (
    "Yardsticks named above are of codes for belt scales; a gauge that weighs by radiation is normally under none of them. They "
    "are no claim of conformity."
)
SPAN_HABITS = (
    f"At least {LEAST_LOAD:.0%} of full load (common practice, no source); three runs or more before a span is changed "
    "(common practice, no source); leave leading edge and tailings out, or weigh them on both sides."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to do on the day, how long, and what to expect; flows in t/h, times in s, days in epoch s."""

    loop: str
    facts: GaugeFacts
    wanted: float
    wanted_span: float
    tare: Duration
    background: Duration
    spans: tuple[tuple[float, Duration], ...]
    background_error: float
    loads: tuple[LoadRow, ...]
    points: tuple[LoopRow, ...]
    decay: tuple[DecayRow, ...]
    noise_limit: float
    renewal: float | None

    def plain(self) -> dict[str, Any]:
        """As plain values; what is not finite is null."""
        return {key: _plain(value) for key, value in asdict(self).items()}


def make_plan(
    site: Site,
    loop_id: str,
    day_s: float,
    *,
    wanted: float | None = None,
    wanted_span: float = WANTED_SPAN_PERCENT,
    noise: float | None = None,
) -> Plan:
    """The plan of one loop for a day [epoch s].

    `wanted` is the uncertainty of zero and background that is aimed at [t/h, k = 2], `wanted_span` that of a span run [%], `noise`
    the noise at full load behind the damping at which the source is due [t/h, k = 2].

    Raises
    ------
    TallywireError
        The site file lacks what a plan needs.
    """
    loop = site.loops[loop_id]
    facts = facts_of(loop, day_s)
    if isinstance(facts, list):
        raise TallywireError(
            f"loop {loop_id}: a plan needs {'; '.join(facts)}",
            where="site file",
            fix="declare it; a calculated value will do at first",
        )
    aimed = wanted if wanted is not None else WANTED_SHARE * facts.full
    resolution = loop.gauge.total.resolution
    limit = noise if noise is not None else NOISE_SHARE * facts.full
    return Plan(
        loop=loop_id,
        facts=facts,
        wanted=aimed,
        wanted_span=wanted_span,
        tare=tare(facts, aimed),
        background=background(facts, aimed),
        spans=tuple((load, span_run(facts, wanted_span, load, resolution)) for load in LOADS),
        background_error=wrong_background(facts, -facts.background) if facts.background > 0.0 else 0.0,
        loads=tuple(load_table(facts)),
        points=tuple(loop_table(loop)),
        decay=tuple(decay_table(facts)),
        noise_limit=limit,
        renewal=renewal(facts, limit),
    )


def flow_of(text: str, where: str) -> float | None:
    """A flow above zero that somebody typed [t/h], None where nothing was; TallywireError for anything else."""
    if not text.strip():
        return None
    try:
        flow = parse_quantity(text, "t/h")
    except ValueError as error:
        raise TallywireError(str(error), where=where, fix="write it as '2 t/h'") from error
    if not flow > 0.0:
        raise TallywireError("the flow is not above zero", where=where, fix="write it as '2 t/h'")
    return flow


def text(plan: Plan) -> str:
    """The plan for a terminal or a clipboard, with the cautions first: it sends people to the gauge."""
    facts = plan.facts
    lines = [
        *wrapped(f"Plan of commissioning, loop {plan.loop}, {day_words(facts.day_s)}"),
        "",
        *caution_text(WIDTH).splitlines(),
        "",
        *wrapped(facts_words(plan)),
        "",
        "1. Background, before the source is in",
        *wrapped(background_words(plan), first="   ", rest="   "),
        "2. Tare on the running, clean, empty belt",
        *wrapped(tare_words(plan), first="   ", rest="   "),
        "3. Loop check, with the currents of the gauge's test mode or a calibrator",
        *_table(
            ("% of range", "t/h", "mA", "raw counts", "t/h on screen"),
            [(f"{r.percent:g}", f"{r.flow:,.2f}", f"{r.current:.3f}", f"{r.raw:,.0f}", f"{r.shown:,.2f}") for r in plan.points],
        ),
        *_differ(plan.points),
        f"4. Span run with a known mass, to ±{plan.wanted_span:g} % (k = 2)",
        *_table(
            ("load", "t/h", "time", "tonnes", "counting ±t/h", "set by"),
            [span_row(plan, load, run) for load, run in plan.spans],
        ),
        *wrapped(SPAN_HABITS, first="   ", rest="   "),
        "",
        "Count rates to expect",
        *_table(
            ("% of full", "t/h", "kg/m", "counts 1/s", "noise ±t/h"),
            [(f"{r.percent:g}", f"{r.flow:,.1f}", f"{r.load:,.2f}", f"{r.count_rate:,.0f}", f"{r.noise:.2f}") for r in plan.loads],
        ),
        *wrapped(f"Noise is what counting alone leaves behind {facts.damping:g} s of damping, k = 2.", first="   ", rest="   "),
        "",
        "Decay over a year (error: of every flow, where decay is not compensated)",
        *_table(
            ("day", "% left", "empty belt 1/s", "error t/h"),
            [(day_words(r.day_s), f"{100 * r.left:.2f}", f"{r.count_rate:,.0f}", f"{r.error:+.2f}") for r in plan.decay],
        ),
        *wrapped(renewal_words(plan), first="   ", rest="   "),
        "",
        *wrapped(YARDSTICKS),
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def facts_words(plan: Plan) -> str:
    """What the gauge is on the day of the plan."""
    facts = plan.facts
    return (
        f"{facts.nuclide}, empty belt {facts.shown(0.0):,.0f} 1/s on that day ({facts.background:,.0f} 1/s of it background), belt at "
        f"{facts.speed:.3g} m/s, full load {facts.full:,.4g} t/h = {plan.loads[-1].load:,.4g} kg/m, damping {facts.damping:g} s. "
        f"Aimed at ±{plan.wanted:.3g} t/h (k = 2)."
    )


def background_words(plan: Plan) -> str:
    """How long to read the background, and what to do where the source is in already."""
    said = f"{time_words(plan.background.seconds)} ({plan.background.because}; at full load it leaves ±{plan.background.uncertainty:.2g} t/h). "
    if plan.background_error:
        said += (
            f"Where the source is in already, it cannot be read: enter zero (common practice, no source). With {plan.facts.background:.3g} "
            f"1/s that would move full load by {plan.background_error:+.3g} t/h and the empty belt not at all."
        )
    else:
        said += "Where the source is in already, it cannot be read: enter zero (common practice, no source)."
    return said


def tare_words(plan: Plan) -> str:
    """How long to tare and what that leaves."""
    run = plan.tare
    if run.turns is None:
        return (
            f"{time_words(run.seconds)} ({run.because}), leaves ±{run.uncertainty:.2g} t/h. The length of the belt is not declared, so "
            "whole turns are not known: declare gauge.belt_length, and take at least three turns (common practice, no source)."
        )
    return (
        f"{run.turns} whole turns, {time_words(run.seconds)} ({run.because}; counting alone would need {time_words(run.counting_s)}), leaves "
        f"±{run.uncertainty:.2g} t/h. Three in a row that agree within this show that the zero stands."
    )


def ranges_differ(points: Sequence[LoopRow]) -> bool:
    """Whether the far side is declared to show another flow than the gauge sends."""
    return not all(math.isclose(row.flow, row.shown, rel_tol=1e-9, abs_tol=1e-9) for row in points)


def _differ(points: Sequence[LoopRow]) -> list[str]:
    return wrapped(DIFFER, first="   ! ", rest="     ") if ranges_differ(points) else []


def span_row(plan: Plan, load: float, run: Duration) -> tuple[str, ...]:
    """Load, flow, time, tonnes, what counting leaves and what sets the time."""
    flow = load * plan.facts.full
    short = run.because.removeprefix("set by ").split(" (")[0]
    return (
        f"{load:.0%}",
        f"{flow:,.0f}",
        time_words(run.seconds),
        f"{flow * run.seconds / 3600:,.1f}",
        f"{run.uncertainty:.2f}",
        short,
    )


def renewal_words(plan: Plan) -> str:
    """When the source is due."""
    limit = f"±{plan.noise_limit:.3g} t/h"
    if plan.renewal is None:
        return f"The noise at full load stays below {limit} for 60 years."
    if plan.renewal <= plan.facts.day_s:
        return f"The noise at full load is ±{plan.loads[-1].noise:.3g} t/h today, above {limit}: damp longer, or plan a stronger source."
    return (
        f"Source renewal: about {day_words(plan.renewal)} the noise at full load reaches {limit} (another limit can be named)."
    )


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    lines = ["   " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)) for row in (head, *rows)]
    return [line.rstrip() for line in lines]


def time_words(seconds: float) -> str:
    """A time to count, rounded up."""
    if seconds < 120.0:
        return f"{math.ceil(seconds)} s"
    return f"{math.ceil(seconds / 60.0)} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def day_words(time_s: float) -> str:
    """A day [epoch s] in UTC."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value
