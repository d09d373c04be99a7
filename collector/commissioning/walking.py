"""Walking a person through a loop check in a terminal: point after point, then adjustment, then as left."""

from __future__ import annotations

import sys
from pathlib import Path

from collector.clock import Clock
from collector.commissioning.capture import Captured, Reader, capture, spans_of
from collector.commissioning.check_run import CheckRun, Method, Stage, Target, performances, save
from collector.exports.asking import Person
from collector.records.loop_check import Adjustment, Line, Point
from collector.replay.text import wrapped
from config.errors import TallywireError

WHERE = {
    Method.CALIBRATOR: "send with the calibrator",
    Method.TEST_MODE: "set in the gauge's output test",
    Method.SIMULATED_FLOW: "set in the gauge's simulation of the flow",
}
SIDES = ("gauge", "plc", "input-card")


class StoppedError(Exception):
    """The person wants to go on another time."""


async def walk(run: CheckRun, reader: Reader, clock: Clock, person: Person, path: Path) -> None:
    """Take the person from where the check stands to its end; it is kept in `path` after every step.

    Raises
    ------
    StoppedError
        The person stopped; what was captured is kept.
    """
    while run.stage is not Stage.DONE:
        if run.stage in (Stage.FOUND, Stage.LEFT):
            await _points(run, reader, clock, person, path)
            person.tell("\n" + result_text(run, run.stage) + "\n")
            if run.stage is Stage.FOUND:
                run.close_found()
            else:
                run.stage = Stage.DONE
        else:
            _adjustments(run, clock, person)
            if run.adjustments:
                run.begin_left(clock.now())
            else:
                run.stage = Stage.DONE
        save(run, path)


async def _points(run: CheckRun, reader: Reader, clock: Clock, person: Person, path: Path) -> None:
    while (target := run.target) is not None:
        number, of = len(run.points) + 1, len(run.targets)
        asks = "\n".join(wrapped(f"{run.stage.value}, point {number} of {of}: {_asks(run, target)}", rest="  "))
        answer = person.ask(f"\n{asks}\n(Enter: ready, b: back, q: stop) > ")
        if answer.lower() in ("q", "quit", "stop"):
            raise StoppedError
        if answer.lower() in ("b", "back"):
            person.tell("the last point is taken back\n" if run.undo() else "there is no point to take back\n")
            save(run, path)
            continue
        try:
            typed = _typed(run, target, answer)
            person.tell("waiting until it stands still ...\n")
            found = await capture(reader, clock, spans_of(run.stations, run.roles))
            if not _accepted(found, person):
                continue
            point = run.take(typed, found.values)
        except TallywireError as error:
            person.tell(f"{error.what}{'; ' + error.fix if error.fix else ''}\n")
            continue
        person.tell(point_text(run, point) + "\n")
        save(run, path)


def _asks(run: CheckRun, target: Target) -> str:
    way = "from below" if target.direction == "up" else "from above"
    walk = f", walk {target.cycle}" if run.targets[-1].cycle > 1 else ""
    aim = f"{run.aim(target):.3f} {run.stations[0].unit}"
    typed = "" if run.roles[0] else ", or type the current it shows"
    return f"{target.percent:g} % {way}{walk}: {WHERE[run.method]} {aim}{typed}"


def _typed(run: CheckRun, target: Target, answer: str) -> float | None:
    """The current of the first station, where a person reads it."""
    if run.roles[0]:
        if answer:
            raise TallywireError("nothing is to be typed here", fix="press Enter when it is set")
        return None
    if not answer:
        return run.aim(target)
    try:
        current = float(answer.replace(",", "."))
    except ValueError:
        raise TallywireError(f"{answer!r} is no current", fix="type it in mA, such as 12.003") from None
    if not 0.0 <= current <= 24.0:
        raise TallywireError(f"{current:g} mA is no current of this loop", fix="type it in mA, such as 12.003")
    return current


def _accepted(found: Captured, person: Person) -> bool:
    if found.still:
        if found.why:
            person.tell(f"note: {found.why}\n")
        return True
    answer = person.ask(f"it does not stand still: {found.why}. Take it as it is? [y/N] > ")
    return answer.lower().startswith("y")


def _adjustments(run: CheckRun, clock: Clock, person: Person) -> None:
    person.tell("\nAdjustment: change the setting on the device now; Tallywire only reads.\nThen note what was changed.\n")
    while True:
        side = person.ask("which side was changed? gauge, plc, input-card (Enter: nothing more) > ").lower()
        if not side:
            return
        if side not in SIDES:
            person.tell(f"{side!r} is no side; one of {', '.join(SIDES)}\n")
            continue
        try:
            run.adjust(
                Adjustment(
                    at=clock.now(), side=side, setting=person.ask("which setting? such as range at 20 mA > "),
                    unit=person.ask("its unit? (Enter: none) > "), before=_number(person.ask("its value before? > ")),
                    after=_number(person.ask("its value now? > ")), by=run.by, reason=person.ask("why? > "),
                )
            )  # fmt: skip
        except ValueError:
            person.tell("that is not complete: setting, both values as numbers, and a reason are needed\n")


def _number(text: str) -> float | None:
    return float(text.replace(",", ".")) if text else None


def point_text(run: CheckRun, point: Point) -> str:
    """What every station showed at a point, on one line each."""
    walked = run.series(run.stage)
    assert walked is not None
    last = len(walked.points) - 1
    lines = {line.at: line for line in walked.lines if line.point == last}
    out = []
    for place, (station, value) in enumerate(zip(run.stations, point.shown, strict=True)):
        shown = "not read" if value is None else f"{value:,.3f} {station.unit}"
        line = lines.get(place)
        error = "" if line is None else f"  {line.error_span:+.3f} % of span  {line.verdict.words}"
        out.append(f"  {station.name:<20}{shown:>18}{error}")
    return "\n".join(out)


def result_text(run: CheckRun, stage: Stage) -> str:
    """A walk as a table of errors and in the terms of IEC 61298-2."""
    walked = run.series(stage)
    if walked is None:
        return f"{stage.value}: no point\n"
    lines = [f"{stage.value}: {walked.verdict.words}", "error in % of span, by point and station (% of reading behind it)"]
    head = "  point      " + "".join(f"{station.name[:18]:>20}" for station in run.stations[1:])
    lines.append(head)
    for number, point in enumerate(walked.points):
        cells = []
        for at in range(1, len(run.stations)):
            line = next((item for item in walked.lines if item.point == number and item.at == at), None)
            cells.append(f"{'-':>20}" if line is None else f"{_cell(line):>20}")
        lines.append(f"  {point.target:5g} % {point.direction:<4}" + "".join(cells))
    for station, figures in performances(run, stage):
        parts = [f"inaccuracy {figures.lowest:+.3f} to {figures.highest:+.3f}"]
        parts += [f"hysteresis {figures.hysteresis:.3f}"] if figures.hysteresis is not None else []
        if figures.terminal is not None:
            parts.append(
                f"non-linearity {figures.terminal:.3f} (through both ends), {figures.zero_based:.3f} (through zero), "
                f"{figures.independent:.3f} (nearest line)"
            )
        parts.append(
            f"non-repeatability {figures.repeatability:.3f}"
            if figures.repeatability is not None
            else "non-repeatability needs 3 walks"
        )
        lines += wrapped(f"{station.name}, % of span (IEC 61298-2): {', '.join(parts)}", first="  ", rest="    ")
    return "\n".join(lines)


def _cell(line: Line) -> str:
    relative = "" if line.error_reading is None else f" ({line.error_reading:+.2f})"
    return f"{line.error_span:+.3f}{relative}"


class Terminal:
    """The person at the keyboard; the end of the input stops the check."""

    def ask(self, text: str) -> str:
        """Ask, and read one line."""
        self.tell(text)
        line = sys.stdin.readline()
        if not line:
            raise StoppedError
        return line.strip()

    def tell(self, text: str) -> None:
        """Show a text at once."""
        sys.stdout.write(text)
        sys.stdout.flush()
