"""Cases that take weeks: faults of the empty belt, its source and its tare, on simulated ledgers of empties instead of seconds."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from typing import Any

from checks import decay, zero
from checks.diagnose import diagnose
from checks.finding import Finding
from checks.result import Verdict
from tests.checks.empties_simulation import DAY_S, HALF_LIFE_D, MU, T0, Belt, Course, as_window, healthy
from tests.checks.empties_simulation import decay as left
from tests.faults.cases import Case
from tests.faults.grade import FIRST, WRONG, Coverage, Outcome, company, grade_among, in_words, listed, lists_mate

AT = 40.0
"""Day on which a fault comes."""
DAYS = 60.0
LAMBDA_D = math.log(2.0) / HALF_LIFE_D["Cs-137"]
Changes = Callable[[float], dict[str, Any]]


def _from_day(size: float, begin: float = AT) -> Course:
    return lambda day: size if day >= begin else 0.0


def _tare(day_kg: float) -> dict[str, Any]:
    return {
        "taken": lambda day: -LAMBDA_D * day - MU * (day_kg if day >= AT else 0.0), "events": ((AT, "tare"),),
        "tare_rate": lambda day: 5200.0 if day < AT else 60.0 + 5140.0 * math.exp(-MU * day_kg - LAMBDA_D * (92.0 + AT)),
    }  # fmt: skip


WEEKS: Mapping[str, tuple[tuple[float, float, float], Changes]] = {
    "stale-tare": ((0.4, 2.3, 6.0), lambda x: {"mass": _from_day(x), "events": ((AT - 0.05, "stood"),)}),
    "build-up": ((0.1, 0.3, 0.8), lambda x: {"mass": lambda day: x * (day % 7.0)}),
    "wet-belt": ((0.7, 1.5, 4.0), lambda x: {"mass": lambda day: x if 20.0 <= day < 20.4 or day >= 59.6 else 0.0}),
    "tare-loaded": ((0.5, 2.0, 6.0), _tare),
    "tare-standing": (
        (0.3, 0.6, 2.0),
        lambda x: {
            "taken": lambda day: -LAMBDA_D * day + MU * (x if day >= AT else 0.0),
            "events": ((AT - 0.001, "tare-standing"), (AT, "tare")),
        },
    ),
    "auto-zero-creep": (
        (0.01, 0.02, 0.06),
        lambda x: {
            "mass": lambda day: x * day, "taken": lambda day: -LAMBDA_D * day - MU * 2.0 * x * ((day + 1.7) // 2.0),
            "events": tuple((2.0 * number + 0.3, "tare") for number in range(30)),
        },
    ),
    "decay-off": ((40.0, 60.0, 120.0), lambda x: {"taken": lambda day: 0.0, "days": x}),
    "decay-double": ((40.0, 60.0, 120.0), lambda x: {"taken": lambda day: -2.0 * LAMBDA_D * day, "days": x}),
    "nuclide-or-clock": (
        (100.0, 700.0, 9600.0),
        lambda x: {"taken": lambda day: -LAMBDA_D * day + LAMBDA_D * (x if day >= AT else 0.0), "events": ((AT, "gauge-restart"),)},
    ),
    "detector-temperature": ((-2e-4, -5e-4, -1.5e-3), lambda x: {"per_kelvin": x, "swing_k": 10.0}),
    "detector-drift": ((5e-5, 2e-4, 6e-4), lambda x: {"beam": lambda day: math.exp(-x * day)}),
    "shutter-part-open": ((0.993, 0.98, 0.9), lambda x: {"beam": lambda day: x if day >= AT else 1.0, "events": ((AT, "shutter"),)}),
    "source-changed": ((1.05, 1.4, 0.6), lambda x: {"beam": lambda day: x if day >= AT else 1.0, "events": ((AT, "bypass"),)}),
    "light-leak": (
        (25.0, 80.0, 250.0),
        lambda x: {
            "added": lambda day: x * max(0.0, math.sin(2.0 * math.pi * (day - 0.25))),
            "hours": (1.0, 4.0, 7.0, 10.0, 12.0, 14.0, 17.0, 20.0, 23.0),
        },
    ),
    "background": ((8.0, 30.0, 150.0), lambda x: {"added": _from_day(x)}),
    "decay-in-steps": ((1.0, 7.0, 30.0), lambda x: {"taken": lambda day: left("Cs-137", (day // x) * x), "days": 100.0}),
}  # fmt: skip
"""Three sizes of each cause, and what they do to the belt of the ledger."""


def is_slow(case: Case) -> bool:
    """Whether a case runs on ledgers."""
    return case.cause in WEEKS and not case.fault


def run_slow(case: Case, size: str, level: float, number: int) -> Outcome:
    """One slow case: the ledger of a site of its own, asked once a day from the fault on."""
    began = time.perf_counter()
    seed = number + 1
    drawn = {"scatter": 0.2 + 0.1 * (seed % 4), "per_kelvin": 0.0, "hours": (3.0, 8.0, 13.0, 17.0, 22.0), "days": DAYS}
    belt: Belt = healthy(seed, **(drawn | WEEKS[case.cause][1](level)))
    stretches, loop = belt.stretches(), belt.loop()
    onset = T0 + int(AT * DAY_S)
    raised = named = None
    found: list[Finding] = []
    first = int(AT) if case.cause in STEPS else 2
    for day in range(first, math.ceil(belt.days) + 1):
        window = as_window(loop, [one for one in stretches if one.end_s <= T0 + day * DAY_S])
        found = list(diagnose(window, [*zero.check(window), *decay.check(window)]))
        faults = [item for item in found if item.verdict is Verdict.FAULT]
        raised = (day - first) * DAY_S if faults and raised is None else raised
        named = (day - first) * DAY_S if named is None and any(item.cause == case.cause for item in faults) else named
    mates = company(case.cause, frozenset(belt.read))
    mark, finding = grade_among(case, mates, found)
    if case.innocent:
        mark = WRONG if [item for item in found if item.verdict is Verdict.FAULT] else FIRST
    held = None
    if finding is not None and case.cause in STEPS:
        held = finding.begin_interval[0] - DAY_S // 24 <= onset <= finding.begin_interval[1] + DAY_S // 24
    return Outcome(
        cause=case.cause, fault=case.plant_fault, size=size, severity=level, draw=number, read="ledger", grade=mark,
        can_be_named=True, mates=tuple(sorted(mates - {case.cause})), lists_true=case.cause in listed(found),
        lists_mate=lists_mate(found, mates - {case.cause}), right_link=None if finding is None else finding.link in case.places,
        odds=None if finding is None else finding.odds, raised_after_s=raised, named_after_s=named,
        coverage=Coverage(onset=held), told=tuple(in_words(item) for item in found), worked_s=time.perf_counter() - began,
    )  # fmt: skip


STEPS = frozenset(
    {"stale-tare", "tare-loaded", "tare-standing", "nuclide-or-clock", "shutter-part-open", "source-changed", "background"}
)
"""Causes that come on one day."""
