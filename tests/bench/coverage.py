"""Are the stated uncertainties honest? Draws of faults of known size, begin and tonnes; how often the interval holds the truth.

    .venv/bin/python -P tests/bench/coverage.py [--draws 1800] [--seed 1]

Each draw takes a loop of the invented terminal, a fault of random size, a random begin under a random load, and asks what the
diagnosis says of it at the end: since when (95 %), how many tonnes (k = 2), which range the far side behaves as if it had
(k = 2). The median width of the intervals stands beside their coverage. The truth is the plant's own: the same run with the same noise and without the fault. What
output, card, digital steps and totals may honestly be off is drawn too, for the intervals allow for it. Of 1,800 draws about
400 tell a range by steps.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import Finding
from checks.result import Link
from checks.samples import Samples
from deploy.plant.model import Switch, simulate
from deploy.plant.scenario import Shifts, Steady, Swings
from deploy.plant.terminal import fresh, specs_at
from tests.acceptance.simulated import LOOPS, READ_BACK, lacking
from tests.checks.runs_of_terminal import BEGIN, terminal, window_of

RANGES = ("upper-range", "upper-range@plc", "lower-range", "lower-range@plc")
MEASURED = ("gauge_output", "loop_current", "ai_raw")
"""Roles that split the path into steps; half of the draws lack them, so that the whole analogue path is one line."""
LINES = (*RANGES, "output-trim", "current-offset", "current-leak")
TOTAL = "total-time-base"
GAIN, OFFSET = 0.001, 0.0002
"""What card and output may honestly be off, one sigma [parts of one, parts of span]: drawn, for the intervals allow for it."""
DIGITAL_GAIN, DIGITAL_OFFSET = 0.0003, 0.0001
"""The same of a step between two numbers: what rounding and resolution may hide."""
INTEGRATION = 0.0005
"""The same of a total against the integral of its flow [parts]."""
LEVEL = (0.92, 0.98)
"""Coverage that counts as honest for intervals of 95 %."""

WIDE = {
    "onset, line": "whole seconds: one less and most would hold less than 92.5 %",
    "onset, total": "blocks of 10 s: most intervals are two blocks, and one would do",
    "tonnes, total": "allows for a total that is read up to 1 s beside its flow at every break",
}
"""Why an interval may be wider than 95 % asks for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One fault of known truth, and what was said of it (None where nothing was said)."""

    kind: str
    loop: str
    severity: float
    seed: int
    onset: int
    whole: bool
    """Whether the path is one line."""
    finding: Finding | None
    stated: float | None
    """Probability with which the interval of the onset is said to hold it, where that is said."""
    tonnes: float
    implied: tuple[float, float] | None

    def widths(self) -> dict[str, float]:
        """From one end to the other of every interval that was stated: onset [s], tonnes [t], ends of ranges [t/h]."""
        found = self.finding
        if found is None:
            return {}
        path, group = ("whole path" if self.whole else "by steps"), ("total" if self.kind == TOTAL else "line")
        both = {
            f"onset, {group}": 0.5 * (found.begin_interval[1] - found.begin_interval[0]),
            f"tonnes, {group}": found.tonnes_uncertainty,
        }
        if found.implied is not None:
            both |= {f"4 mA, {path}": found.implied.low_uncertainty, f"20 mA, {path}": found.implied.high_uncertainty}
        return {name: 2.0 * half for name, half in both.items() if half is not None}

    def held(self) -> dict[str, bool]:
        """Which intervals hold the truth; an interval that was not stated is missing."""
        found = self.finding
        if found is None:
            return {}
        group = "total" if self.kind == TOTAL else "line"
        out = {f"onset, {group}": found.begin_interval[0] <= self.onset <= found.begin_interval[1]}
        if found.tonnes is not None and found.tonnes_uncertainty is not None:
            out[f"tonnes, {group}"] = abs(found.tonnes - self.tonnes) <= found.tonnes_uncertainty
        if found.implied is not None and self.implied is not None:
            path = "whole path" if self.whole else "by steps"
            if found.implied.low_uncertainty is not None:
                out[f"4 mA, {path}"] = abs(found.implied.range_low - self.implied[0]) <= found.implied.low_uncertainty
            if found.implied.high_uncertainty is not None:
                out[f"20 mA, {path}"] = abs(found.implied.range_high - self.implied[1]) <= found.implied.high_uncertainty
        return out


def draw(seed: int) -> Draw:
    """One fault: kind, loop, size, load, begin and length all by the seed."""
    rng = np.random.default_rng([95, seed])
    loop = str(rng.choice(LOOPS))
    kind = str(rng.choice([*LINES, TOTAL, TOTAL]))
    spec = specs_at(fresh(BEGIN))[loop]
    spec = spec.with_("card", gain=1.0 + GAIN * float(rng.standard_normal()))
    spec = spec.with_(
        "wire", trim_gain=1.0 + GAIN * float(rng.standard_normal()), trim_offset=16.0 * OFFSET * float(rng.standard_normal())
    )
    before, after = int(rng.integers(1200, 5400)), int(rng.integers(900, 5400))
    if kind == TOTAL:
        after += 1800
    slow = 1.0 + INTEGRATION * float(rng.standard_normal())
    spec = spec.with_("plc_total", factor=slow)
    scenario = (Swings(seed), Shifts(seed, spread=50.0), Steady(float(rng.uniform(200.0, 330.0))))[
        int(rng.choice(3, p=(0.6, 0.3, 0.1)))
    ]
    severity = _size(kind, spec.span, rng)
    hours = (before + after) / 3600.0
    set_to = 100.0 * ((1.0 + severity / 100.0) * slow - 1.0) if kind == TOTAL else severity
    true = simulate(spec, hours, BEGIN, seed, scenario=scenario)
    wrong = simulate(spec, hours, BEGIN, seed, [Switch(kind, before / 3600.0, severity=set_to)], scenario=scenario)
    whole = bool(rng.random() < 0.5)
    without = (*READ_BACK, *MEASURED) if whole else READ_BACK
    finding, stated = _finding(_read(wrong, without, spec.span, rng), loop, kind, without)
    end = wrong.values
    tonnes = float((end["plc_flow"] - true.values["plc_flow"]).sum()) / 3600.0
    if kind == TOTAL:
        tonnes = float((end["plc_total"] - true.values["plc_total"])[-1])
    return Draw(
        kind=kind, loop=loop, severity=severity, seed=seed, onset=BEGIN + before, whole=whole, finding=finding, stated=stated, tonnes=tonnes,
        implied=_range(kind, severity, spec.span, whole),
    )  # fmt: skip


def _size(kind: str, span: float, rng: np.random.Generator) -> float:
    sign = float(rng.choice([-1.0, 1.0]))
    part = float(rng.uniform(0.03, 0.15))
    return {
        "upper-range": span * (1.0 + sign * part), "upper-range@plc": span * (1.0 + sign * part),
        "lower-range": sign * 0.5 * part * span, "lower-range@plc": sign * 0.5 * part * span,
        "output-trim": 1.0 + sign * part, "current-offset": float(rng.choice((-0.3, 0.3, 0.5, 0.7))),
        "current-leak": float(rng.uniform(2000.0, 9000.0)), TOTAL: -float(rng.uniform(1.2, 5.0)),
    }[kind]  # fmt: skip


def _range(kind: str, severity: float, span: float, whole: bool) -> tuple[float, float] | None:
    """The range that the side which is told behaves as if it had: over the whole path always the PLC's."""
    if kind.startswith("upper-range"):
        return 0.0, span * span / severity if whole and kind == "upper-range" else severity
    if kind == "lower-range" and whole:
        return -severity * span / (span - severity), span
    return (severity, span) if kind.startswith("lower-range") else None


def _read(samples: Samples, without: tuple[str, ...], span: float, rng: np.random.Generator) -> Samples:
    """The run as a site reads it that lacks these roles: digital steps are off by what they may be, and the total of the PLC,
    which adds up what the block gives, is read up to 1 s later than its flow."""
    values = {role: column for role, column in samples.values.items() if role not in without}
    late_s, total = int(rng.integers(0, 2)), values["plc_total"]
    for role, full, zero in (("gauge_output", 16.0, 4.0), ("plc_flow", span, 0.0)):
        gain, offset = DIGITAL_GAIN * float(rng.standard_normal()), DIGITAL_OFFSET * float(rng.standard_normal())
        if role in values:
            off = gain * (values[role] - zero) + offset * full
            values[role] = values[role] + off
            total = total + np.cumsum(off) / 3600.0 if role == "plc_flow" else total
    values["plc_total"] = np.concatenate([total[late_s:], np.full(late_s, total[-1])])
    quality = {role: samples.quality[role] for role in values}
    return Samples(loop=samples.loop, step_s=1, time_s=samples.time_s, values=values, quality=quality, flags=samples.flags)


def _finding(samples: Samples, loop: str, kind: str, without: tuple[str, ...]) -> tuple[Finding | None, float | None]:
    window = window_of(samples, lacking(terminal(), loop, without))
    results = tuple(result for check in CHECKS for result in check.check(window))
    found = diagnose(window, results)
    wanted = [item for item in found if (item.link is Link.TOTALS) == (kind == TOTAL)]
    if not wanted:
        return None, None
    facts = next((result.facts for result in results if (result.check, result.link) == ("scaling", wanted[0].link)), {})
    return wanted[0], facts.get("onset_held") if kind != TOTAL else None


def draws(count: int, seed: int) -> Iterator[Draw]:
    """The draws of seeds `seed`, `seed` + 1, ..."""
    return (draw(number) for number in range(seed, seed + count))


def table(found: list[Draw]) -> dict[str, tuple[int, int]]:
    """Held and stated, by quantity."""
    out: dict[str, list[bool]] = defaultdict(list)
    for item in found:
        for name, held in item.held().items():
            out[name].append(held)
    return {name: (sum(each), len(each)) for name, each in sorted(out.items())}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=1800)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--misses", action="store_true", help="print every interval that missed")
    arguments = parser.parse_args()
    found = []
    for item in draws(arguments.draws, arguments.seed):
        found.append(item)
        if arguments.misses and (item.finding is None or not all(item.held().values())):
            print(_missed(item), flush=True)
    silent = sum(item.finding is None for item in found)
    print(f"seeds {arguments.seed} to {arguments.seed + arguments.draws - 1}; nothing said in {silent}")
    print(f"honest from {LEVEL[0]:.0%}, above {LEVEL[1]:.0%} wider than it need be; +- is one standard error of so many draws")
    print(f"{'interval':20}{'held':>6}{'of':>6}{'share':>9}{'+-':>7}{'width':>9}   (median, from end to end)")
    for name, (held, stated) in table(found).items():
        share = held / stated
        error = math.sqrt(0.95 * 0.05 / stated)
        width = float(np.median([item.widths()[name] for item in found if name in item.held()]))
        note = "NOT HONEST" if share < LEVEL[0] else WIDE.get(name, "wider than it need be") if share > LEVEL[1] else ""
        unit = "s" if name.startswith("onset") else "t" if name.startswith("tonnes") else "t/h"
        print(f"{name:20}{held:6}{stated:6}{share:9.1%}{error:7.1%}{width:9.2f} {unit:4}{note}")
    _of_seconds(found)


def _of_seconds(found: list[Draw]) -> None:
    """What whole seconds make of 95 %: an interval that is a second too short for it holds more, and says how much."""
    lines = [(item.stated, item.held()["onset, line"]) for item in found if item.stated is not None and item.held()]
    for name, some in (
        ("stated 95 to 97 %", [each for each in lines if each[0] < 0.97]),
        ("stated above 97 %", [each for each in lines if each[0] >= 0.97]),
        ("all", lines),
    ):
        if some:
            stated = float(np.mean([each[0] for each in some]))
            held = sum(each[1] for each in some)
            error = math.sqrt(sum(each[0] * (1.0 - each[0]) for each in some)) / len(some)
            print(
                f"onset, line, {name:18}: {held} of {len(some)} held, {held / len(some):.1%}; stated {stated:.1%} +- {error:.1%}"
            )


def _missed(item: Draw) -> str:
    found = item.finding
    if found is None:
        return f"{item.seed}: {item.loop} {item.kind} {item.severity:.4g}: nothing said"
    wrong = [name for name, held in item.held().items() if not held]
    since = tuple(moment - item.onset for moment in (found.begin_interval[0], found.begin, found.begin_interval[1]))
    text = f"{item.seed}: {item.loop} {item.kind} {item.severity:.4g} -> {found.cause}: {', '.join(wrong)}; begin {since} s"
    text += f"; tonnes {found.tonnes} +- {found.tonnes_uncertainty}, true {item.tonnes:.2f}"
    return text + (f"; implied {found.implied}, true {item.implied}" if item.implied is not None else "")


if __name__ == "__main__":
    main()
