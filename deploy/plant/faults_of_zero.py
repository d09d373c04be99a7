"""Faults of the zero: water, tares at the wrong moment, an automatic zero, another source, decay in steps, a gain that follows heat."""

from __future__ import annotations

import math

from deploy.plant.fault import FaultSpec, change
from deploy.plant.model import LoopModel
from deploy.plant.spec import LoopSpec

DAY_S = 86400.0


def _tared_under(spec: LoopSpec, load: float) -> LoopSpec:
    """The empty-belt rate that a tare finds under a load [kg/m2]."""
    return spec.with_("gauge", empty_net=spec.gauge.empty_net * math.exp(-spec.source.attenuation * load))


def _trickle(spec: LoopSpec, rate: float) -> LoopSpec:
    """Product trickles onto the belt, more each hour [t/h per h], and the automatic zero of the gauge takes it for empty."""
    return spec.with_("belt", trickle_rate=rate).with_("gauge", auto_zero=True)


def _trickle_begins(model: LoopModel, _: float) -> None:
    model.trickle_from_s = model.time_s


def _follows_heat(spec: LoopSpec, part_per_kelvin: float) -> LoopSpec:
    hot = spec.with_("source", temperature_coefficient=-part_per_kelvin / 100.0)
    return hot.with_("surroundings", swing=14.0)


ZERO: dict[str, FaultSpec] = {
    "wet-belt": FaultSpec(
        "water lies on the belt", 1.5, "mm of water", change("belt", build_up=lambda spec, x: spec.belt.build_up + x)
    ),
    "tare-loaded": FaultSpec("the tare was taken with product on the belt", 2.0, "kg/m2", _tared_under),
    "tare-standing": FaultSpec("the tare was taken at one spot of the standing belt", 0.7, "kg/m2", _tared_under),
    "auto-zero-creep": FaultSpec("the automatic zero follows a trickle", 2.0, "t/h per h", _trickle, _trickle_begins),
    "source-changed": FaultSpec(
        "a stronger source, the constants kept", 1.15, "factor",
        change("source", empty_net=lambda spec, x: spec.source.empty_net * x),
    ),
    "decay-in-steps": FaultSpec(
        "decay is compensated once a month", 30.0, "d", change("gauge", decay_step_s=lambda _, x: x * DAY_S)
    ),
    "detector-temperature@zero": FaultSpec("the zero follows the temperature of the detector", 0.05, "%/K", _follows_heat),
}  # fmt: skip
