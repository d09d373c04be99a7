"""Faults in settings, in the speed the gauge uses, and left by calibrations and controllers."""

from __future__ import annotations

from deploy.plant.fault import FaultSpec, change
from deploy.plant.model import LoopModel
from deploy.plant.spec import LoopSpec

STANDBY_BEAT = 20_000
"""By how much the heartbeat of the other controller is ahead."""


def _flow_held(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("gauge", flow_held=True).with_("belt", running_override=False)


def _old_backup(spec: LoopSpec, range_high: float) -> LoopSpec:
    gauge = spec.gauge
    return spec.with_("gauge", range_high=range_high, background=0.75 * gauge.background, damping=2.0 * gauge.damping)


def _other_controller(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("block", heartbeat_shift=spec.block.heartbeat_shift + STANDBY_BEAT)


def _old_total(model: LoopModel, missing: float) -> None:
    model.far_end.total.reset(max(model.far_end.total.sum - missing, 0.0))


def _factor_at_both_ends(spec: LoopSpec, factor: float) -> LoopSpec:
    corrected = spec.with_("gauge", load_per_attenuation=spec.gauge.load_per_attenuation * factor)
    return corrected.with_("block", factor=spec.block.factor * factor)


SETUP: dict[str, FaultSpec] = {
    "fixed-speed": FaultSpec(
        "the gauge uses a fixed speed", 1.0, "part of the nominal speed",
        change("gauge", fixed_speed=lambda spec, x: x * spec.belt.speed), measured_speed=True,
    ),
    "hold-on-stop": FaultSpec("the gauge holds its flow while the belt stands", 1.0, "", _flow_held),
    "belt-wander": FaultSpec(
        "the load leaves the beam once in each turn of the belt", 0.2, "part of the load outside at the worst place",
        change("belt", wander=lambda _, x: x),
    ),
    "undocumented-change": FaultSpec(
        "an old backup was restored in the gauge", 500.0, "t/h at 20 mA in the backup", _old_backup, per_span=True
    ),
    "controller-switch": FaultSpec(
        "the other controller took over with an old total", 250.0, "t missing", _other_controller, _old_total
    ),
    "factor-twice": FaultSpec("a correction was entered at both ends", 1.04, "factor", _factor_at_both_ends),
}  # fmt: skip
