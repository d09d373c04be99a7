"""Findings of the lines of the chain: which mechanism draws the deviation, or which remain and what would tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from checks import correction
from checks.causes import registry
from checks.event_findings import factor_gate
from checks.events import beside, net_changes
from checks.finding import UNKNOWN, Alternative, Correction, Finding, Implied
from checks.hypotheses import Measured, Scored, rank
from checks.line_rows import rows_in
from checks.lines import Line, chain
from checks.result import CheckResult, Link, Verdict
from checks.telling import clock, improbable, others, told
from checks.tonnes import of_flows, of_line
from checks.variable_findings import could_be_load, one_speed
from checks.window import Window

NAMED_FROM = 0.5
"""Probability a cause needs to be named."""
STRAIGHT = 0.04
"""Scatter about the line [parts of span, one standard deviation] above which it is no line whose pivot could be read."""
SURE = 19.0
"""Odds from which a cause is named although the pivot is not known to 4 mA."""
RANGED = frozenset({"upper-range", "lower-range", "raw-span", "output-trim", "live-zero-mix"})
"""Causes for which the range that the far side behaves as if it had means something."""
POLLED_S = 10
"""How often settings are read [s]."""
TURNED = frozenset({"upper-range", "output-trim"})
"""Causes that draw the line which load instead of flow draws at one belt speed."""
READ_BACK = 1e4
"""Weight of a range that is read back and differs."""
BESIDE_S = 120
"""A setting that changed this close to an onset is told with it [s]."""
SHAPED = 0.02
"""Rows that lie further from a bent line than this [parts of span] do not draw it, however much better it fits than a straight one."""
CEILED = 0.005
"""The same above a ceiling [parts of span]: what is held there stands still."""
UNLIKELY = 0.1
"""Weight of a leak that would have to go against the supply of the loop (the site file may be wrong)."""
ALIKE_BACK = 1e-3
"""Weight of a range fault where both ranges are read back and agree."""


def findings(window: Window, results: Sequence[CheckResult], explained: frozenset[Link]) -> Iterator[Finding]:
    """One finding for each line that differs and is not explained by a link before it."""
    by_link = {result.link: result for result in results if result.check == "scaling"}
    setup = next((result for result in results if result.check == "setup"), None)
    lines = chain(window.loop, window.settings)
    back = _read_back(setup, lines)
    told_links: set[Link] = set()
    for line in lines:
        result = by_link.get(line.link)
        differs = result is not None and result.verdict is Verdict.FAULT
        known = told_links if back is None else told_links | {back[1]}
        if not differs or line.link in explained or any(_explains(link, line) for link in known if link is not line.link):
            continue
        assert result is not None
        told_links.add(line.link)
        yield _finding(window, line, result, setup, _output_agrees(by_link))
    if setup is not None and setup.verdict is Verdict.FAULT and Link.SETUP not in explained:
        if back is None and not told_links:
            yield _settings_differ(window, setup)
        elif back is not None and back[1] not in told_links | explained:
            yield _ranges_differ(window, setup, *back)


def _read_back(setup: CheckResult | None, lines: Sequence[Line]) -> tuple[str, Link] | None:
    """The range fault that a read-back setting shows, and the first link at which it must be seen; None where none does."""
    if setup is None or setup.verdict is not Verdict.FAULT:
        return None
    for end, cause in (("high", "upper-range"), ("low", "lower-range")):
        for side, at in (("gauge", Link.GAUGE_OUTPUT), ("plc", Link.SCALING_BLOCK)):
            if setup.facts.get(f"{side}_{end}_undeclared") == 1.0:
                return cause, next((line.link for line in lines if at in line.covers), at)
    return None


def _explains(link: Link, line: Line) -> bool:
    """A line that starts at the gauge's flow sees again what a line before it saw."""
    return line.x_role == "flow" and link in (Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD)


def _output_agrees(by_link: Mapping[Link, CheckResult]) -> bool:
    output = by_link.get(Link.GAUGE_OUTPUT)
    return output is not None and output.verdict is Verdict.OK


def _finding(window: Window, line: Line, result: CheckResult, setup: CheckResult | None, output_agrees: bool) -> Finding:
    facts = result.facts
    measured = _measured(facts)
    begin = int(facts.get("onset", window.end_s - 60))
    interval = (int(facts.get("onset_low", begin)), int(facts.get("onset_high", window.end_s)))
    factors = _powered(window) | _factors(line, setup)
    ranking: tuple[Scored, ...] = ()
    cause, gate = UNKNOWN, tuple(result.needs)
    shape = _shape(line, result)
    stands = _standing(window, line) if measured is not None and not _follows(measured) and not shape else ()
    if shape:
        cause, gate = shape, ()
        begin, interval = _under_ceiling(window, line, facts) or (begin, interval)
    elif stands:
        gate = ()
    elif measured is not None:
        load = could_be_load(window, line, begin, ranges_alike=factors.get("upper-range") == ALIKE_BACK)
        ranking = rank(line, window.loop, measured, output_agrees=output_agrees, factors=factors, load_as_well=load)
        best = ranking[0]
        met = facts.get("gate_minutes", 0.0) <= 0.0
        decisive = factors.get(best.cause, 1.0) >= READ_BACK
        sure = best.odds >= SURE  # the odds hold the errors of both ends, so that no more data are needed
        straight = facts.get("sigma", 0.0) <= STRAIGHT * line.span
        if (straight and (met or sure) and best.probability >= NAMED_FROM) or decisive:
            cause, gate = best.cause, ()
    elif any(weight >= READ_BACK for weight in factors.values()):
        cause, gate = max(factors, key=lambda name: factors[name]), ()
    if cause == UNKNOWN:
        gate += factor_gate(window, result)
    changed = _changed_at(window, cause) if factors.get(cause, 1.0) >= READ_BACK else None
    if changed is not None:
        begin, interval = changed, (changed - POLLED_S, changed)
    odds = next((scored.odds for scored in ranking if scored.cause == cause != UNKNOWN), None)
    implied = _implied(line, measured) if measured is not None and cause in RANGED and _follows(measured) else None
    enter = correction.of_line(window, line, cause, measured, begin) if measured is not None else None
    alternatives = stands or others(ranking, cause)
    turned = cause in TURNED or (cause == UNKNOWN and any(item.cause in TURNED for item in alternatives))
    if turned and factors.get(cause, 1.0) < READ_BACK:
        alternatives += one_speed(window, line, begin)
    return told(
        window, line.link, cause, title="" if cause != UNKNOWN else "ends differ", begin=begin, interval=interval,
        odds=odds, alternatives=alternatives, ruled_out=improbable(ranking, cause), evidence=result.evidence, gate=gate, implied=implied,
        misstated=of_flows(window.blocks, begin) if shape else of_line(window.blocks, measured, begin, interval) if measured is not None else None,
        sentence=_sentence(line, result, begin) + beside(window, interval, BESIDE_S, sharp="onset_nats" in facts), advice=_compare(line, cause, enter), correction=enter, check="scaling",
    )  # fmt: skip


def _changed_at(window: Window, cause: str) -> int | None:
    """When the setting of this cause that is read back was changed, as far as that was seen; None where it was not."""
    roles = {"upper-range": ("gauge_range_high", "plc_range_high"), "lower-range": ("gauge_range_low", "plc_range_low")}
    changes = [
        entry.time_s
        for entry in window.ledger
        if entry.kind == "parameter-change" and entry.role in roles.get(cause, ("plc_unit",))
    ]
    return changes[-1] if changes else None


def _standing(window: Window, line: Line) -> tuple[Alternative, ...]:
    """Why a shown side may not follow the side before it at all, with equal odds."""
    tags = window.loop.tags
    causes = ["output-frozen"] if Link.CURRENT in line.covers else []
    causes += (
        ["mode-left-on", "digital-analogue-differ"]
        if Link.GAUGE_OUTPUT in line.covers and "gauge_output_mode" not in tags
        else []
    )
    causes += ["forced-value", "stale-tag"] if line.y_role == "plc_flow" and "plc_forced" not in tags else []
    causes += ["wrong-channel"] if Link.INPUT_CARD in line.covers else []
    odds = 1.0 / max(len(causes) - 1, 1)
    return tuple(Alternative(cause=cause, odds=odds, separated_by=registry()[cause].checks[0]) for cause in causes)


def _follows(measured: Measured) -> bool:
    """Whether the shown side follows at all: a signal that stands still is no small factor of a unit."""
    return 1.0 + measured.gain > 3.0 * float(np.sqrt(measured.covariance[1, 1]))


def _measured(facts: Mapping[str, float]) -> Measured | None:
    if "offset" not in facts or "v_oo" not in facts:
        return None
    covariance = np.array(
        [
            [facts["v_oo"] + facts["s_oo"], facts["v_og"] + facts["s_og"]],
            [facts["v_og"] + facts["s_og"], facts["v_gg"] + facts["s_gg"]],
        ]
    )
    return Measured(offset=facts["offset"], gain=facts["gain"], covariance=covariance)


def _powered(window: Window) -> dict[str, float]:
    """Who feeds the loop decides which way a leak can go."""
    by = window.loop.gauge.loop_powered_by
    return {"gauge": {"current-leak-in": UNLIKELY}, "card": {"current-leak": UNLIKELY}}.get(by, {})


def _factors(line: Line, setup: CheckResult | None) -> dict[str, float]:
    """What read-back ranges say for and against a range fault at this line."""
    if setup is None:
        return {}
    facts = setup.facts
    sides = ("gauge",) if line.y_role != "plc_flow" or line.x_role == "flow" else ()
    sides = (*sides, "plc") if line.y_role == "plc_flow" else sides
    out: dict[str, float] = {}
    for cause, end in (("upper-range", "high"), ("lower-range", "low")):
        known = [f"set_{side}_range_{end}" in facts for side in sides]
        off = [facts.get(f"{side}_{end}_undeclared") == 1.0 for side in sides]
        if any(off):
            out[cause] = READ_BACK
        elif known and all(known):
            out[cause] = ALIKE_BACK
    if "set_plc_unit" in facts and line.y_role == "plc_flow" and facts.get("plc_unit_differs") == 1.0:
        out["ton-unit"] = READ_BACK
    return out


def _shape(line: Line, result: CheckResult) -> str:
    """Causes that bend the line instead of turning it."""
    facts = result.facts
    model, lead = facts.get("model", 0.0), facts.get("model_lead", 0.0)
    if model == 0.0 or lead < 10.0 or facts.get("shape_left", 0.0) > SHAPED * line.span:
        return ""
    from checks import shape

    exponent, ceiling = facts.get("exponent"), facts.get("ceiling")
    if model == float(shape.POWER) and exponent is not None and abs(exponent - 0.5) < 0.1 and line.y_role == "plc_flow":
        return "square-root"
    held = facts.get("shape_left", 0.0) <= CEILED * line.span
    if model == float(shape.HINGE) and ceiling is not None and facts.get("knot") is not None and held:
        at = line.ma(ceiling)
        if at < 19.8:
            return "compliance-ceiling" if Link.CURRENT in line.covers else UNKNOWN
        return "over-range"
    return ""


def _under_ceiling(window: Window, line: Line, facts: Mapping[str, float]) -> tuple[int, tuple[int, int]] | None:
    """Since when a ceiling stands: the first row held by it after the last one above it; between them nothing told of it."""
    ceiling = facts.get("ceiling")
    if ceiling is None:
        return None
    rows, near = rows_in(window, line), 0.01 * line.span
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(rows.good & (rows.y > ceiling + near))
        held = np.flatnonzero(rows.good & (np.abs(rows.y - ceiling) < near) & (rows.x - rows.y > near))
    low = int(rows.start_s[above[-1]] + rows.length_s) if len(above) else int(rows.start_s[0])
    held = held[rows.start_s[held] >= low]
    if not len(held):
        return None
    begin = int(rows.start_s[held[0]])
    return begin, (low - rows.length_s, begin + rows.length_s)


def _implied(line: Line, measured: Measured) -> Implied:
    """The range that the shown side behaves as if it had: for the gauge's side what it sends with, else what the PLC scales with."""
    gain, offset = 1.0 + measured.gain, measured.offset
    ends = np.array([line.low, line.high])
    if line.analogue:
        values = (ends - offset) / gain
        along = np.stack([np.ones(2), values], axis=1) / gain
    else:
        values = offset + gain * ends
        along = np.stack([np.ones(2), ends], axis=1)
    low, high = 2.0 * np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", along, measured.covariance, along), 0.0))
    return Implied(
        range_low=float(values[0]), range_high=float(values[1]), low_uncertainty=float(low), high_uncertainty=float(high)
    )


def _compare(line: Line, cause: str, enter: Correction | None) -> tuple[str, ...]:
    """What to compare, with the number that is in force rounded as a technician would type it."""
    if enter is None or enter.acts_as is None or cause not in ("upper-range", "lower-range"):
        return ()
    at, wanted = ("20 mA", line.high) if cause == "upper-range" else ("4 mA", line.low)
    side = "the gauge sends" if enter.side == "gauge" else "the PLC scales"
    now = f"{side} as if {at} meant {enter.acts_as:g} t/h; the site file says {wanted:g} t/h"
    return (f"{now}: decide which is right and make both ends alike",)


def _sentence(line: Line, result: CheckResult, begin: int) -> str:
    deviation = next((item for item in result.evidence if item.name == "deviation"), None)
    shown, expected = result.value("shown"), result.value("expected")
    size = (
        f"{deviation.value:+.2f} % of span" if deviation is not None and deviation.value is not None else "more than its limit"
    )
    numbers = ""
    if shown is not None and expected is not None:
        digits = 3 if line.unit == "mA" else 0 if line.unit == "count" else 1
        numbers = f" (shown {shown:.{digits}f} {line.unit}, expected {expected:.{digits}f} {line.unit} in the last minute)"
    return f"Ends differ since {clock(begin)}: {line.label} is off by {size}{numbers}. It lies in: {line.words}."


def _ranges_differ(window: Window, setup: CheckResult, cause: str, link: Link) -> Finding:
    """Ranges that are read back differ, whatever the flow shows of it yet."""
    changed = [window.setting_since.get(role, 0) for role in window.settings if "range" in role]
    since = max(changed, default=window.end_s)
    line = next((line for line in chain(window.loop) if line.link is link), None)
    return told(
        window, link, cause, begin=since, interval=(since - POLLED_S, since), evidence=setup.evidence,
        correction=correction.of_read_back(window, line, cause) if line is not None else None,
        sentence=f"The ranges that are read back differ since {clock(since)}: {setup.reason}.",
    )  # fmt: skip


def _settings_differ(window: Window, setup: CheckResult) -> Finding:
    """A setting that no line shows; the when is named where the change was seen."""
    wrong = {role for role in ("nuclide_code", "gauge_unit", "plc_unit") if setup.facts.get(_DIFFERS[role]) == 1.0}
    seen = [change for change in net_changes(window.ledger) if change.role in wrong]
    begin = seen[-1].end_s if seen else window.end_s
    return told(
        window, Link.SETUP, "undocumented-change" if seen else UNKNOWN, title="" if seen else "settings differ", begin=begin,
        interval=(begin - 1, begin) if seen else (begin, begin),
        sentence=f"{setup.reason[:1].upper()}{setup.reason[1:]}.", evidence=setup.evidence,
        advice=("compare the settings in gauge, PLC and site file", "decide which is right, and date the change"),
    )  # fmt: skip


_DIFFERS = {"nuclide_code": "nuclide_differs", "gauge_unit": "gauge_unit_differs", "plc_unit": "plc_unit_differs"}
