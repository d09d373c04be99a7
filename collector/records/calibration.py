"""The calibration by known masses: runs over the belt, the factor that follows from them, and what was done about it.

The figures of a record must follow from its runs by the arithmetic of `checks.commissioning.calibration_sum`; the record says
what was computed, never that a setting was changed.
"""

from __future__ import annotations

import math
from typing import Any, ClassVar, Literal

from pydantic import Field, model_validator

from checks.commissioning.calibration_sum import new_factor
from collector.commissioning.calibrating import Calibration, ledger_lines, sentences
from collector.records.content import Head, Maybe, Number, Part, Text, head_of
from config.model import Site

ARITHMETIC = 1e-9

EDGES: dict[bool, Literal["counted", "left out"]] = {True: "counted", False: "left out"}


class CalibrationRun(Part):
    """One run: its stretch and the window that was used [epoch s], tonnes of the window and of both edges by the gauge [t]; an
    edge of noise about zero may be negative.

    `reference` is the known mass [t], `missing` seconds in the window without a flow, `u` what counting and repetition leave of
    the indicated tonnes, relative, one standard deviation [1]; `moved`: a person moved the window.
    """

    begin: Number
    end: Number
    window_begin: Number
    window_end: Number
    moved: bool
    reference: Number = Field(gt=0.0)
    window_t: Number = Field(gt=0.0)
    leading_t: Number
    tailing_t: Number
    missing: Number = Field(ge=0.0)
    u: Number = Field(gt=0.0)

    def indicated(self, edges: str) -> float:
        """Tonnes by the gauge that stand against the reference [t]."""
        return self.window_t + (self.leading_t + self.tailing_t if edges == "counted" else 0.0)

    @model_validator(mode="after")
    def _window_lies_inside(self) -> CalibrationRun:
        if not self.begin <= self.window_begin < self.window_end <= self.end:
            raise ValueError("the window does not lie in its run")
        return self


class CalibrationRecord(Head):
    """A calibration of one loop. `edges` says whether leading edge and tailings were weighed by the reference.

    `scale_u` is the expanded uncertainty of the reference scale [%], `tare` how long the last tare counted [s], `common` what all
    runs share, relative, one standard deviation [1]. Ratio and factors [kg/m] carry expanded uncertainties (k = 2).
    """

    TITLE: ClassVar[str] = "Calibration by known mass"

    kind: Literal["calibration"] = "calibration"
    edges: Literal["counted", "left out"]
    runs: tuple[CalibrationRun, ...] = Field(min_length=1)
    scale_u: Number = Field(ge=0.0)
    tare: Number = Field(gt=0.0)
    common: Number = Field(ge=0.0)
    factor_in_force: Number = Field(gt=0.0)
    ratio: Number
    ratio_u: Number
    factor: Number
    factor_u: Number
    repeatability: Maybe
    said: tuple[Text, ...]
    notes: tuple[Text, ...] = ()
    ledger: Text
    remarks: Text = ""

    @model_validator(mode="after")
    def _follows_from_its_runs(self) -> CalibrationRecord:
        if len(self.loops) != 1:
            raise ValueError("a calibration is of one loop")
        found = new_factor(
            [run.reference for run in self.runs], [run.indicated(self.edges) for run in self.runs], [run.u for run in self.runs],
            self.factor_in_force, self.common,
        )  # fmt: skip
        pairs = (
            ("ratio", self.ratio, found.ratio), ("ratio_u", self.ratio_u, found.ratio_u), ("factor", self.factor, found.factor),
            ("factor_u", self.factor_u, found.factor_u), ("repeatability", self.repeatability, found.repeatability),
        )  # fmt: skip
        for name, stated, follows in pairs:
            if not _same(stated, follows):
                raise ValueError(f"{name} does not follow from the runs")
        return self


def content_of(found: Calibration, site: Site, sha256: str, *, by: str, now: float, remarks: str = "") -> CalibrationRecord:
    """A calibration as the content of a record; its runs must all have been weighed alike.

    Raises
    ------
    ValidationError
        The runs do not fit together.
    """
    whole = found.known[0].whole
    head: dict[str, Any] = head_of(site.site, site.title, site.time_zone, sha256, [found.loop], site.loops[found.loop].title)
    runs = tuple(
        CalibrationRun(
            begin=one.begin, end=one.end, window_begin=run.begin, window_end=run.end, moved=one.window is not None,
            reference=one.reference, window_t=run.tonnes, leading_t=run.leading_t, tailing_t=run.tailing_t, missing=run.missing_s, u=u,
        )
        for one, run, u in zip(found.known, found.runs, found.u, strict=True)
    )  # fmt: skip
    return CalibrationRecord(
        **head, made=now, by=by, edges=EDGES[whole], runs=runs, scale_u=100.0 * found.scale_u, tare=found.tare_s, common=found.common,
        factor_in_force=found.facts.factor, ratio=found.found.ratio, ratio_u=found.found.ratio_u, factor=found.found.factor,
        factor_u=found.found.factor_u, repeatability=found.found.repeatability, said=tuple(sentences(found, site.time_zone)), notes=found.notes,
        ledger="\n".join(ledger_lines(found, site.time_zone)), remarks=remarks,
    )  # fmt: skip


def _same(stated: float | None, follows: float | None) -> bool:
    if stated is None or follows is None:
        return stated is follows
    return math.isclose(stated, follows, rel_tol=ARITHMETIC, abs_tol=ARITHMETIC)
