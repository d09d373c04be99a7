"""Faults in totals, communication and left behind by people."""

from __future__ import annotations

from deploy.plant.fault import FaultSpec, change
from deploy.plant.model import GAUGE_FLOATS, LoopModel
from deploy.plant.spec import LoopSpec

ROLES_OF_PLC = frozenset({"plc_flow", "ai_raw", "loop_current"})


def _lose_plc_total(model: LoopModel, to: float) -> None:
    model.far_end.total.reset(to)


def _large_total(model: LoopModel, at_least: float) -> None:
    if model.far_end.total.sum < at_least:
        model.far_end.total.reset(at_least)


def _test_current(spec: LoopSpec, current: float) -> LoopSpec:
    return spec.with_("gauge", fixed_current=current, output_mode=1.0)


DATA: dict[str, FaultSpec] = {
    # totals
    "total-time-base": FaultSpec(
        "the timer of the PLC total loses time", -2.0, "%",
        change("plc_total", factor=lambda _, x: 1.0 + x / 100.0),
    ),
    "total-discontinuity": FaultSpec("the PLC total is lost", 0.0, "t", lambda spec, _: spec, _lose_plc_total),
    "total-gating": FaultSpec(
        "the PLC total counts only while the feeder runs", 1.0, "", change("plc_total", gate=lambda _s, _x: True)
    ),
    "counted-twice": FaultSpec("the PLC counts twice", 2.0, "factor", change("plc_total", factor=lambda _, x: x)),
    "total-precision": FaultSpec(
        "the PLC total is kept in single precision", 65_536.0, "t it has reached at least",
        change("plc_total", single=lambda _s, _x: True), _large_total,
    ),
    # communication and people
    "stale-tag": FaultSpec(
        "the flow tag of the PLC is stale", 1.0, "", change("link", stale=lambda _s, _x: ROLES_OF_PLC)
    ),
    "word-order": FaultSpec(
        "the gauge sends its floats with the words swapped", 1.0, "", change("link", swapped=lambda _s, _x: GAUGE_FLOATS)
    ),
    "gateway-zeros": FaultSpec("the gateway writes zeros", 1.0, "", change("link", zeros=lambda _s, _x: True)),
    "mode-left-on": FaultSpec("the output was left in test mode", 12.0, "mA", _test_current),
}  # fmt: skip
