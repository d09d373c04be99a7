"""Faults at source, detector, belt and drive, and in what the gauge makes of them."""

from __future__ import annotations

from deploy.plant.fault import FaultSpec, change
from deploy.plant.spec import YEAR_S, LoopSpec


def _speed_held(spec: LoopSpec, _: float) -> LoopSpec:
    held = spec.with_("gauge", fixed_speed=None, speed_held=True)
    return held.with_("belt", running_override=False)


def _tach_lost(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("gauge", speed_lost=True)


def _shutter_contradiction(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("gauge", shutter_indicator=1.0)


def _decay_double(spec: LoopSpec, years: float) -> LoopSpec:
    return spec.with_("gauge", decay_shift_s=spec.gauge.decay_shift_s + years * YEAR_S)


FIELD: dict[str, FaultSpec] = {
    # counts
    "zero-counts": FaultSpec("the detector gives no counts", 1.0, "", change("source", alive=lambda _s, _x: False)),
    "shutter-closed": FaultSpec(
        "the shutter is closed while the line runs", 0.0, "part of the beam left", change("source", shutter=lambda _, x: x)
    ),
    "shutter-contradiction": FaultSpec("the indicator says closed, the beam is on", 1.0, "", _shutter_contradiction),
    "shutter-part-open": FaultSpec(
        "the shutter is not fully open", 0.9, "part of the beam left", change("source", shutter=lambda _, x: x)
    ),
    "counts-frozen": FaultSpec("the count rate stands still", 1.0, "", change("source", frozen=lambda _s, _x: True)),
    "counts-noisy": FaultSpec(
        "bursts of false counts", 900.0, "1/s", change("source", noise_bursts=lambda _, x: x)
    ),
    "detector-drift": FaultSpec(
        "the detector has lost gain", 3.0, "% of the counts",
        change("source", empty_net=lambda spec, x: spec.source.empty_net * (1.0 - x / 100.0)),
    ),
    "detector-temperature": FaultSpec(
        "the detector is too hot", 34.0, "K",
        change(
            "source",
            temperature_step=lambda _, x: x,
            temperature_coefficient=lambda _s, _x: -0.0005,
        ),
    ),
    "dead-time": FaultSpec(
        "the dead time set in the gauge is wrong", 8e-6, "s", change("gauge", dead_time=lambda _, x: x)
    ),
    "background": FaultSpec(
        "the background has risen", 60.0, "1/s",
        change("source", background=lambda spec, x: spec.source.background + x),
    ),
    "decay-off": FaultSpec(
        "decay since the last tare is not compensated", 1.0, "",
        change("gauge", compensates_decay=lambda _s, _x: False),
    ),
    "decay-double": FaultSpec("decay is compensated twice", 1.0, "years compensated too much", _decay_double),
    "nuclide-or-clock": FaultSpec(
        "the clock of the gauge is wrong", 2.0, "years slow",
        lambda spec, x: spec.with_(
            "gauge",
            decay_shift_s=spec.gauge.decay_shift_s - x * YEAR_S,
            clock_offset_s=spec.gauge.clock_offset_s - x * YEAR_S,
        ),
    ),
    # zero
    "stale-tare": FaultSpec(
        "the belt was changed after the tare", 2.0, "mm of new belt",
        change("belt", build_up=lambda spec, x: spec.belt.build_up + 1.15 * x),
    ),
    "build-up": FaultSpec(
        "product builds up in the beam", 2.0, "kg/m2", change("belt", build_up=lambda spec, x: spec.belt.build_up + x)
    ),
    "calibration-factor": FaultSpec(
        "the calibration factor is wrong", 1.05, "factor",
        change("gauge", load_per_attenuation=lambda spec, x: spec.gauge.load_per_attenuation * x),
    ),
    # truth: the chain agrees, and only what something else weighed tells
    "calibration-factor@product": FaultSpec(
        "the product attenuates more than that of the calibration", 1.05, "factor",
        change("source", attenuation=lambda spec, x: spec.source.attenuation * x),
    ),
    "load-shape": FaultSpec(
        "the product lies on a part of the belt only", 0.75, "part of the width", change("belt", covered=lambda _, x: x)
    ),
    "wet-dry-basis": FaultSpec(
        "the product is wet, and what it is held against is weighed dry", 4.0, "% of moisture",
        change("surroundings", moisture=lambda _, x: x),
    ),
    # speed
    "tach-lost": FaultSpec("the speed signal is lost", 1.0, "", _tach_lost),
    "speed-held": FaultSpec("the speed is held while the belt stands", 1.0, "", _speed_held),
    "belt-slip": FaultSpec(
        "the belt slips on the drive", 6.0, "%", change("belt", slip=lambda _, x: x / 100.0)
    ),
    "tach-extra-pulses": FaultSpec(
        "the speed sensor counts too many pulses", 2.0, "factor",
        change("gauge", speed_factor=lambda spec, x: spec.gauge.speed_factor * x), measured_speed=True,
    ),
}  # fmt: skip
