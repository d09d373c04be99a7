"""Are both ends configured alike, and as declared: read-back settings against the site file and each other."""

from __future__ import annotations

from dataclasses import dataclass

from checks.events import SETTINGS, between, event_words
from checks.events import TOLD as EVENTS
from checks.result import CheckResult, Evidence, Link, Verdict, worst
from checks.window import LedgerEntry, Window
from config.nuclides import NUCLIDES
from config.roles import ROLES
from config.units import unece_unit_id, unit_from_unece

NAME = "setup"
LINKS = (Link.SETUP,)
NEEDS = ("gauge_range_high, plc_range_high, plc_unit, nuclide_code or background_rate",)

ALIKE = 0.0005
"""Two ranges are alike within this part of the span (rounding of a unit)."""
RATE_ALIKE = 0.02


TOLD = 5
"""So many of the newest events of a day are told."""
DAY_S = 86400
AGREES = "what is read back agrees with the site file"


def _change_evidence(entry: LedgerEntry) -> Evidence:
    unit = ROLES[entry.role].unit if entry.role in ROLES else ""
    step = None if entry.old is None or entry.new is None else entry.new - entry.old
    return Evidence(name=f"change of {entry.role}", value=step, unit=unit or "1")


@dataclass(frozen=True, slots=True)
class _Point:
    verdict: Verdict
    words: str
    evidence: Evidence
    fact: str = ""


def check(window: Window) -> list[CheckResult]:
    """Every setting that is read back, compared; the newest changes are named with old and new value."""
    points = [*_ranges(window), *_units(window), *_source(window)]
    if not points:
        return [
            CheckResult(
                check=NAME, link=Link.SETUP, verdict=Verdict.NOT_EVALUATED, reason="no setting of gauge or PLC is read back",
                needs=("tags for the ranges (gauge_range_high, plc_range_high) or the unit (plc_unit)",),
            )
        ]  # fmt: skip
    wrong = [point for point in points if point.verdict is not Verdict.OK]
    today = between(window.ledger, window.end_s - DAY_S, window.end_s)
    changes = [entry for entry in today if entry.kind in SETTINGS]
    told = [event_words(entry) for entry in today if entry.kind in EVENTS][-TOLD:]
    facts = {point.fact: 1.0 for point in wrong if point.fact} | {"changes": float(len(changes))}
    facts |= {f"set_{role}": value for role, value in window.settings.items()}
    if changes:
        facts["last_change_s"] = float(changes[-1].time_s)
    return [
        CheckResult(
            check=NAME, link=Link.SETUP, verdict=worst(point.verdict for point in points), used=len(points), total=len(points),
            reason="; ".join([*(point.words for point in wrong), *told] if wrong or told else [AGREES]),
            evidence=(*(point.evidence for point in points), *(_change_evidence(entry) for entry in changes[-TOLD:])),
            facts=facts,
        )
    ]  # fmt: skip


def _ranges(window: Window) -> list[_Point]:
    """Both ends against each other first; against the site file where they agree or one is missing."""
    loop, settings = window.loop, window.settings
    span = loop.gauge.range.high - loop.gauge.range.low
    points = []
    for end in ("low", "high"):
        gauge, plc = settings.get(f"gauge_range_{end}"), settings.get(f"plc_range_{end}")
        both = gauge is not None and plc is not None and abs(gauge - plc) <= ALIKE * span
        if gauge is not None and plc is not None and not both:
            points.append(
                _Point(
                    Verdict.FAULT, f"at {'20' if end == 'high' else '4'} mA the gauge means {gauge:g} t/h, the PLC {plc:g} t/h",
                    Evidence(name=f"range {end}, gauge less PLC", value=gauge - plc, unit="t/h", limit=ALIKE * span),
                    f"{end}_differs",
                )
            )  # fmt: skip
        for side, value, declared in (
            ("gauge", gauge, getattr(loop.gauge.range, end)),
            ("plc", plc, getattr(loop.plc.range, end)),
        ):
            if value is None:
                continue
            name = "PLC" if side == "plc" else side
            off = value - declared
            fine = abs(off) <= ALIKE * span
            verdict = Verdict.OK if fine else Verdict.SUSPECT if both else Verdict.FAULT
            points.append(
                _Point(
                    verdict, f"{name} range {end} is {value:g} t/h, the site file says {declared:g} t/h",
                    Evidence(name=f"{name} range {end}", value=value, unit="t/h", limit=declared), f"{side}_{end}_undeclared",
                )
            )  # fmt: skip
    return points


def _units(window: Window) -> list[_Point]:
    points = []
    for role, of in (("plc_unit", "plc_flow"), ("gauge_unit", "flow")):
        value, tag = window.settings.get(role), window.loop.tags.get(of)
        if value is None or tag is None:
            continue
        declared = tag.measured_in or "t/h"
        wanted = unece_unit_id(declared)
        if wanted is None:
            continue
        shown = unit_from_unece(int(value)) or f"unit id {int(value)}"
        points.append(
            _Point(
                Verdict.OK if int(value) == wanted else Verdict.FAULT, f"{of} comes in {shown}, the site file says {declared}",
                Evidence(name=f"unit id of {of}", value=value, unit="1", limit=float(wanted)), f"{role}_differs",
            )
        )  # fmt: skip
    return points


def _source(window: Window) -> list[_Point]:
    gauge, settings = window.loop.gauge, window.settings
    points = []
    code = settings.get("nuclide_code")
    if code is not None and gauge.nuclide in NUCLIDES:
        wanted = NUCLIDES[gauge.nuclide].mass_number
        points.append(
            _Point(
                Verdict.OK if int(code) == wanted else Verdict.FAULT,
                f"the gauge is set to mass number {int(code)}, the site file says {gauge.nuclide}",
                Evidence(name="nuclide, mass number", value=code, unit="1", limit=float(wanted)), "nuclide_differs",
            )
        )  # fmt: skip
    for role, declared, words in (
        ("background_rate", gauge.background, "background"),
        ("empty_belt_rate", gauge.empty_belt_rate, "empty-belt rate"),
    ):
        value = settings.get(role)
        if value is None or declared is None:
            continue
        alike = abs(value - declared) <= RATE_ALIKE * max(abs(declared), 1.0)
        points.append(
            _Point(
                Verdict.OK if alike else Verdict.SUSPECT,
                f"{words} in the gauge is {value:g} 1/s, the site file says {declared:g} 1/s",
                Evidence(name=words, value=value, unit="1/s", limit=declared), f"{role}_differs",
            )
        )  # fmt: skip
    return points
