"""The chain as it stands: the two numbers of each link, why alerts are held back, and the tonnes three ways."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.evaluation import LinkNumbers, Totals
from checks.finding import Finding
from checks.result import CheckResult, Link, Verdict
from checks.window import Window

LABELS = {
    ("counts", Link.COUNTS): "detector",
    ("temperature", Link.COUNTS): "detector temperature",
    ("zero", Link.COUNTS): "empty belt",
    ("decay", Link.COUNTS): "decay of the source",
    ("counts", Link.LOAD): "counts to flow",
    ("speed", Link.DRIVE): "belt speed",
    ("scaling", Link.GAUGE_OUTPUT): "flow to gauge output",
    ("scaling", Link.CURRENT): "flow to loop current",
    ("scaling", Link.INPUT_CARD): "current to input card",
    ("scaling", Link.SCALING_BLOCK): "input card to PLC flow",
    ("lateness", Link.SCALING_BLOCK): "lag",
    ("current", Link.CURRENT): "loop current",
    ("current", Link.INPUT_CARD): "current at the card",
    ("freshness", Link.COMMUNICATION): "readings",
    ("setup", Link.SETUP): "settings",
    ("truth", Link.TOTALS): "tonnes against references",
    ("turns", Link.DRIVE): "turns of the belt",
    ("wander", Link.LOAD): "load over a turn",
    ("calibration", Link.LOAD): "calibration",
}
SINGLE = {
    ("counts", Link.COUNTS): ("count rate", "1/s", "empty-belt rate"),
    ("temperature", Link.COUNTS): ("detector temperature", "degC", ""),
    ("zero", Link.COUNTS): ("zero error", "t/h", ""),
    ("current", Link.CURRENT): ("current", "mA", ""),
    ("current", Link.INPUT_CARD): ("current", "mA", ""),
}
"""Results that show one number: evidence name, unit, and the evidence it stands beside."""
FLOW_UNCERTAINTY = 0.005
"""Standard uncertainty of the gauge's own tonnes where nothing is known of its calibration [parts]; own estimate."""

SIDE_WORDS = ("gauge", "PLC", "drive")
"""The sides of `checks.freshness.SIDES` in the words of the page."""

ORDER = tuple(Link)


def link_numbers(window: Window, results: Sequence[CheckResult]) -> tuple[LinkNumbers, ...]:
    """The numbers of every result that has some, in the order of the chain."""
    rows = [_numbers(window, result) for result in results]
    return tuple(sorted(rows, key=lambda row: ORDER.index(row.link)))


def _numbers(window: Window, result: CheckResult) -> LinkNumbers:
    del window
    key = (result.check, result.link)
    shown, expected = result.value("shown"), result.value("expected")
    unit = next((item.unit for item in result.evidence if item.name == "shown"), "")
    if key in SINGLE:
        name, unit, beside = SINGLE[key]
        shown, expected = result.value(name), result.value(beside) if beside else None
    label = LABELS.get(key, result.check)
    if result.check == "totals":
        label = "gauge total" if result.facts.get("column") == 0.0 else "PLC total"
    if result.link is Link.COMMUNICATION and "side" in result.facts:
        label = f"readings of the {SIDE_WORDS[int(result.facts['side'])]} side"
    deviation = shown - expected if shown is not None and expected is not None and key not in SINGLE else None
    return LinkNumbers(
        link=result.link,
        label=label,
        unit=unit,
        shown=shown,
        expected=expected,
        deviation=deviation,
        deviation_span=result.facts.get("deviation_span"),
        uncertainty_span=result.facts.get("uncertainty_span"),
        limit_span=result.facts.get("limit_span"),
        verdict=result.verdict,
        reason=result.reason,
    )


def suppression(window: Window) -> str:
    """Why process-dependent findings are held back by design; empty where they are not."""
    last = window.blocks[slice(-1, None)]
    if not len(last):
        return ""
    for state, words in (("maintenance", "maintenance"), ("calibrating", "calibrating")):
        if last.state(state)[0] > 0.0:
            return words
    if last.state("stopped")[0] > 0.0:
        return "belt stopped"
    if last.state("unsettled")[0] > 0.0:
        recent = [entry for entry in window.ledger if entry.time_s >= window.end_s - window.loop.settle - last.length_s]
        kinds = {entry.kind for entry in recent}
        for kind, words in (("product-change", "product change"), ("gauge-restart", "gauge restart"), ("tare", "tare")):
            if kind in kinds:
                return words
        return "start-up"
    return ""


@dataclass(slots=True)
class TonnesSoFar:
    """Sums over all blocks an engine has seen, taken one block after the other."""

    gauge_t: float = math.nan
    plc_t: float = math.nan
    own_t: float = 0.0
    measured_s: float = 0.0
    begin_s: int | None = None
    end_s: int = 0
    trusted: bool = True
    """Whether no finding so far said that the gauge's own flow is wrong."""

    def take(self, blocks: Blocks, first: int, end: int) -> None:
        """Take the blocks `first` to `end` (exclusive), one after the other."""
        if first >= end:
            return
        gained = blocks.increment_t[first:end]
        self.gauge_t, self.plc_t = _plus(self.gauge_t, gained[:, 0]), _plus(self.plc_t, gained[:, 1])
        self.own_t = _plus(self.own_t, blocks.own_t[first:end])
        self.measured_s = _plus(self.measured_s, blocks.measured_s[first:end])
        if self.begin_s is None:
            self.begin_s = int(blocks.start_s[first])
        self.end_s = int(blocks.start_s[end - 1]) + blocks.length_s

    def totals(self, findings: Sequence[Finding]) -> Totals:
        """The tonnes three ways, and the best estimate: the integral of the gauge's flow where the flow could always be trusted.

        What a dead detector or a held speed has put into it stays in it; the accounts of shifts, days and months replace that.
        """
        self.trusted &= not any(
            finding.link in (Link.COUNTS, Link.LOAD, Link.DRIVE) and finding.verdict is Verdict.FAULT for finding in findings
        )
        length = float(self.end_s - self.begin_s) if self.begin_s is not None else 0.0
        return Totals(
            gauge_t=_known(self.gauge_t),
            plc_t=_known(self.plc_t),
            own_t=self.own_t if self.measured_s > 0.0 else None,
            best_t=self.own_t if self.trusted and self.measured_s > 0.0 else None,
            best_u_t=2.0 * FLOW_UNCERTAINTY * abs(self.own_t) if self.trusted and self.measured_s > 0.0 else None,
            not_measured_s=max(0.0, length - self.measured_s),
        )


def _plus(total: float, steps: NDArray[np.float64]) -> float:
    """A sum with further steps added one after the other; what is not known adds nothing, and nothing known stays unknown."""
    known = steps[np.isfinite(steps)]
    if not len(known):
        return total
    return float(np.cumsum(np.concatenate([[0.0 if math.isnan(total) else total], known]))[-1])


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
