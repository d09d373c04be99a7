"""Does what a station shows come later than the site file says, and in which shape?"""

from __future__ import annotations

from checks import kept
from checks.lag_shape import AVERAGE, EITHER, FILTER, LENGTHS_S, Late, late_by
from checks.lines import Line, chain
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.window import Window

NAME = "lateness"
LINKS = (Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK)
NEEDS = ("two stations of the chain, and a load that moves",)
SHAPES = (EITHER, FILTER, AVERAGE)


def check(window: Window) -> list[CheckResult]:
    """The first line behind which a filter or a moving average shows that nobody declared; one result.

    It is late where the samples of a moving load lie behind a shape of unit gain; the tonnes are right then, so that it is
    at most doubtful. `facts`: `line` (place in the chain), `shape` (place in `SHAPES`), lags and what each shape leaves.
    """
    lines = chain(window.loop, window.settings)
    if not lines:
        return []
    seen = len(window.samples)
    if any(kept.changes_only(window.loop, role) for line in lines for role in (line.x_role, line.y_role)):
        return [
            CheckResult(
                check=NAME, link=lines[-1].link, verdict=Verdict.NOT_EVALUATED, total=seen, needs=("every reading, or every second",),
                reason="the recording stores only changes: it cannot show what comes late",
            )
        ]  # fmt: skip
    if seen * window.samples.step_s < min(LENGTHS_S):
        few = "too few samples to see what comes late"
        need = (f"{min(LENGTHS_S) / 60:.0f} minutes of a load that moves",)
        return [CheckResult(check=NAME, link=lines[-1].link, verdict=Verdict.NOT_EVALUATED, reason=few, needs=need, total=seen)]
    for place, line in enumerate(lines):
        late = late_by(window, line)
        if late is not None:
            return [_late(window, place, line, late)]
    words = "nothing comes later than declared, as far as the load has moved"
    return [CheckResult(check=NAME, link=lines[-1].link, verdict=Verdict.OK, reason=words, used=seen, total=seen)]


def _late(window: Window, place: int, line: Line, late: Late) -> CheckResult:
    behind = line.analogue and line.x_role == "flow"
    declared = 0.0 if behind else window.loop.plc.filter
    return CheckResult(
        check=NAME, link=line.link, verdict=Verdict.SUSPECT, used=len(window.samples), total=len(window.samples),
        reason=f"{line.label} comes {late.lag_s:.0f} s late; the site file says {declared:g} s",
        evidence=(
            Evidence(name="lag", value=late.lag_s, unit="s", limit=declared),
            Evidence(name="left over behind a filter", value=late.filter_left, unit="t/h"),
            Evidence(name="left over behind a moving average", value=late.average_left, unit="t/h"),
        ),
        facts={"line": float(place), "shape": float(SHAPES.index(late.cause)), "lag_s": late.lag_s, "declared_s": declared},
    )  # fmt: skip
