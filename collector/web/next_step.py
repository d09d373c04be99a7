"""The one thing that whoever stands before the page should do first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from checks.finding import Finding
from collector.alerts.model import Alert, AlertState
from collector.live import LiveState
from collector.web.overview import LoopLine, Standing, first_verdict_s, loops_of, lost_endpoints, some


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What to do next: a headline, the first thing to do, where to go, and whether cautions belong beside it."""

    headline: str
    action: str = ""
    loop: str = ""
    finding: Finding | None = None


def next_step(live: LiveState, lines: Sequence[LoopLine], alerts: Sequence[Alert]) -> Step:
    """The one thing that whoever stands before the page should do first."""
    lost = lost_endpoints(live)
    worst_line = lines[0]
    if lost:
        loops = some(loops_of(live, lost[0].name)) or "no loop"
        why = f" ({lost[0].reason})" if lost[0].reason else ""
        return Step(
            headline=f"{lost[0].name} does not answer{why}; it carries {loops}.",
            action="Check its power and network cable, then whether something else uses up its connections. Nothing on the "
            "belt needs to be touched for this.",
        )
    if worst_line.standing is Standing.NO_DATA:
        return Step(
            headline=f"{worst_line.loop} brings no fresh data.",
            action="Look at the endpoints and the age of its tags; what stands there is old.",
            loop=worst_line.loop,
        )
    if worst_line.standing in (Standing.DIFFERS, Standing.DOUBTFUL):
        return _step_of(worst_line)
    if "history" in live.problems:
        return Step(
            headline="The history is not written.",
            action="Make room on its disk, or bring its database back. Verification goes on; what is read waits in memory and is "
            "written afterwards, but behind a quarter of an hour the oldest is lost.",
        )
    waiting = [item for item in alerts if item.state in (AlertState.UNACKNOWLEDGED, AlertState.RETURNED)]
    if waiting:
        return Step(
            headline=f"{len(waiting)} {'alert waits' if len(waiting) == 1 else 'alerts wait'} for somebody to acknowledge.",
            action="Open the alerts, read what happened, and put your name to it.",
        )
    if worst_line.standing is Standing.STARTING:
        return Step(headline="Wait.", action=f"The first verdict needs {first_verdict_s(live):g} s of data.")
    if live.problems:
        name, what = next(iter(live.problems.items()))
        return Step(headline=f"Tallywire itself has a problem with its {name}.", action=f"{what}.")
    if all(line.standing is Standing.NOT_EVALUATED for line in lines):
        return Step(headline="Nothing can be evaluated now.", action="Open a loop to see what each link needs.")
    return Step(headline="Nothing to do.", action="No loop differs.")


def _step_of(line: LoopLine) -> Step:
    lead = line.lead
    if lead is None:
        deviating = next((mark for mark in line.marks if mark.verdict is line.verdict), None)
        where = f" at {deviating.place.lower()}: {deviating.reason}" if deviating else ""
        return Step(headline=f"Begin with {line.loop}: it is {line.words}{where}.", action="Open the loop.", loop=line.loop)
    first = lead.advice[0] if lead.advice else (lead.gate[0] if lead.gate else "Open the loop.")
    return Step(headline=f"Begin with {line.loop}: {lead.sentence or lead.title}", action=first, loop=line.loop, finding=lead)
