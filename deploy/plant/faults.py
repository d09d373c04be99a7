"""The faults that the demo plant can be given, each as a change to the stage where it really happens.

`FAULTS` maps the id of a cause to its `FaultSpec`; `BENIGN` holds what an honest plant does and nobody should call a fault.
The severity is one number in the unit that `measure` names.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

from config.errors import TallywireError
from deploy.plant.model import GAUGE_FLOATS, LoopModel
from deploy.plant.spec import YEAR_S, LoopSpec

Apply = Callable[[LoopSpec, float], LoopSpec]
Begin = Callable[[LoopModel, float], None]

REFERENCE_SPAN = 420.0
ROLES_OF_PLC = frozenset({"plc_flow", "ai_raw", "loop_current"})


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """One fault: what it is called, how strong by default and in what measure, the change it makes, and what happens once."""

    title: str
    severity: float
    measure: str
    apply: Apply
    begin: Begin | None = None
    per_span: bool = False
    """The default severity is for a span of 420 t/h and goes with the span of the loop."""

    measured_speed: bool = False
    """Only a loop whose gauge measures the belt speed can have it."""

    def default(self, spec: LoopSpec) -> float:
        """Default severity in this loop."""
        return self.severity * spec.span / REFERENCE_SPAN if self.per_span else self.severity


def _change(part: str, **values: Callable[[LoopSpec, float], object]) -> Apply:
    def apply(spec: LoopSpec, severity: float) -> LoopSpec:
        return spec.with_(part, **{name: value(spec, severity) for name, value in values.items()})

    return apply


def _leak_out(ohm: float) -> float:
    return ohm / (ohm + 250.0)


def _leak_in(spec: LoopSpec, ohm: float) -> LoopSpec:
    """Leak across a two-wire transmitter: A = (E + U/R_leak) / (1 + R_loop/R_leak)."""
    gain = 1.0 / (1.0 + 450.0 / ohm)
    return spec.with_("wire", gain=gain, offset=gain * 1000.0 * spec.wire.supply / ohm)


def _lose_plc_total(model: LoopModel, to: float) -> None:
    model.far_end.total.reset(to)


def _large_total(model: LoopModel, at_least: float) -> None:
    if model.far_end.total.sum < at_least:
        model.far_end.total.reset(at_least)


def _test_current(spec: LoopSpec, current: float) -> LoopSpec:
    return spec.with_("gauge", fixed_current=current, output_mode=1.0)


def _speed_held(spec: LoopSpec, _: float) -> LoopSpec:
    held = spec.with_("gauge", fixed_speed=None, speed_held=True)
    return held.with_("belt", running_override=False)


def _tach_lost(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("gauge", speed_lost=True)


def _shutter_contradiction(spec: LoopSpec, _: float) -> LoopSpec:
    return spec.with_("gauge", shutter_indicator=1.0)


def _decay_double(spec: LoopSpec, years: float) -> LoopSpec:
    return spec.with_("gauge", decay_shift_s=spec.gauge.decay_shift_s + years * YEAR_S)


FAULTS: dict[str, FaultSpec] = {
    # range and unit
    "upper-range": FaultSpec(
        "upper range of the gauge differs from the PLC's", 500.0, "t/h at 20 mA in the gauge",
        _change("gauge", range_high=lambda _, x: x), per_span=True,
    ),
    "upper-range@plc": FaultSpec(
        "upper range of the PLC differs from the gauge's", 400.0, "t/h at 20 mA in the PLC",
        _change("block", range_high=lambda _, x: x), per_span=True,
    ),
    "lower-range": FaultSpec(
        "lower range of the gauge differs from the PLC's", -20.0, "t/h at 4 mA in the gauge",
        _change("gauge", range_low=lambda _, x: x), per_span=True,
    ),
    "lower-range@plc": FaultSpec(
        "lower range of the PLC differs from the gauge's", 20.0, "t/h at 4 mA in the PLC",
        _change("block", range_low=lambda _, x: x), per_span=True,
    ),
    "over-range": FaultSpec(
        "the feed goes beyond the range", 1.6, "feed over the planned one",
        _change("belt", feed_factor=lambda _, x: x),
    ),
    "ton-unit": FaultSpec(
        "the PLC works in another ton", 1.10231, "PLC flow over true flow (1.10231 short, 0.98421 long)",
        _change("block", factor=lambda spec, x: spec.block.factor * x),
    ),
    "time-base": FaultSpec(
        "the PLC works in another time or magnitude base", 3.6, "PLC flow over true flow",
        _change("block", factor=lambda spec, x: spec.block.factor * x),
    ),
    # current loop
    "current-leak": FaultSpec(
        "current leaks past the input card", 5000.0, "ohm across a 250 ohm load",
        _change("wire", gain=lambda _, x: _leak_out(x)),
    ),
    "current-leak-in": FaultSpec("current leaks into a two-wire loop", 6500.0, "ohm across the transmitter", _leak_in),
    "current-offset": FaultSpec(
        "an offset stands on the loop", 0.16, "mA", _change("wire", offset=lambda _, x: x)
    ),
    "output-trim": FaultSpec(
        "the output of the gauge is trimmed wrongly", 0.97, "current span over true span",
        _change("wire", trim_gain=lambda _, x: x),
    ),
    "compliance-ceiling": FaultSpec(
        "the supply cannot drive the full current", 13.0, "mA at most",
        _change("wire", ceiling=lambda _, x: x, supply=lambda _, x: 10.0 + 0.45 * x),
    ),
    "open-loop": FaultSpec("the loop is open", 1.0, "", _change("wire", open=lambda _s, _x: True)),
    "burnout-value": FaultSpec(
        "the card answers a wire break with a value", 32767.0, "raw counts",
        lambda spec, x: spec.with_("card", break_raw=x).with_("wire", open=True),
    ),
    "output-frozen": FaultSpec("the output of the gauge stands still", 1.0, "", _change("wire", frozen=lambda _s, _x: True)),
    "live-zero-mix": FaultSpec(
        "the card reads 0-20 mA, the gauge sends 4-20 mA", 0.0, "mA of raw zero",
        _change("card", zero_current=lambda _, x: x),
    ),
    # scaling block
    "raw-span": FaultSpec(
        "the raw span in the scaling block is wrong", 1.085, "raw span in the block over that of the card",
        _change("block", raw_high=lambda spec, x: spec.card.full_raw * x),
    ),
    "square-root": FaultSpec("the block takes a square root", 1.0, "", _change("block", square_root=lambda _s, _x: True)),
    "zero-clamp": FaultSpec("the PLC cuts what is below zero", 1.0, "", _change("block", clamp_at_zero=lambda _s, _x: True)),
    "low-cutoff": FaultSpec(
        "the PLC counts small flows as zero", 25.0, "t/h", _change("block", low_cutoff=lambda _, x: x), per_span=True
    ),
    "extra-filter": FaultSpec("the PLC filters more than declared", 30.0, "s", _change("block", filter=lambda _, x: x)),
    "forced-value": FaultSpec(
        "the PLC flow is forced", 250.0, "t/h",
        _change("block", forced=lambda _, x: x, force_bit=lambda _s, _x: True), per_span=True,
    ),
    # counts
    "zero-counts": FaultSpec("the detector gives no counts", 1.0, "", _change("source", alive=lambda _s, _x: False)),
    "shutter-closed": FaultSpec(
        "the shutter is closed while the line runs", 0.0, "part of the beam left", _change("source", shutter=lambda _, x: x)
    ),
    "shutter-contradiction": FaultSpec("the indicator says closed, the beam is on", 1.0, "", _shutter_contradiction),
    "shutter-part-open": FaultSpec(
        "the shutter is not fully open", 0.9, "part of the beam left", _change("source", shutter=lambda _, x: x)
    ),
    "counts-frozen": FaultSpec("the count rate stands still", 1.0, "", _change("source", frozen=lambda _s, _x: True)),
    "counts-noisy": FaultSpec(
        "bursts of false counts", 900.0, "1/s", _change("source", noise_bursts=lambda _, x: x)
    ),
    "detector-drift": FaultSpec(
        "the detector has lost gain", 3.0, "% of the counts",
        _change("source", empty_net=lambda spec, x: spec.source.empty_net * (1.0 - x / 100.0)),
    ),
    "detector-temperature": FaultSpec(
        "the detector is too hot", 34.0, "K",
        _change(
            "source",
            temperature_step=lambda _, x: x,
            temperature_coefficient=lambda _s, _x: -0.0005,
        ),
    ),
    "dead-time": FaultSpec(
        "the dead time set in the gauge is wrong", 8e-6, "s", _change("gauge", dead_time=lambda _, x: x)
    ),
    "background": FaultSpec(
        "the background has risen", 60.0, "1/s",
        _change("source", background=lambda spec, x: spec.source.background + x),
    ),
    "decay-off": FaultSpec(
        "decay since the last tare is not compensated", 1.0, "",
        _change("gauge", compensates_decay=lambda _s, _x: False),
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
        _change("belt", build_up=lambda spec, x: spec.belt.build_up + 1.15 * x),
    ),
    "build-up": FaultSpec(
        "product builds up in the beam", 2.0, "kg/m2", _change("belt", build_up=lambda spec, x: spec.belt.build_up + x)
    ),
    "calibration-factor": FaultSpec(
        "the calibration factor is wrong", 1.05, "factor",
        _change("gauge", load_per_attenuation=lambda spec, x: spec.gauge.load_per_attenuation * x),
    ),
    # speed
    "tach-lost": FaultSpec("the speed signal is lost", 1.0, "", _tach_lost),
    "speed-held": FaultSpec("the speed is held while the belt stands", 1.0, "", _speed_held),
    "belt-slip": FaultSpec(
        "the belt slips on the drive", 6.0, "%", _change("belt", slip=lambda _, x: x / 100.0)
    ),
    "tach-extra-pulses": FaultSpec(
        "the speed sensor counts too many pulses", 2.0, "factor",
        _change("gauge", speed_factor=lambda spec, x: spec.gauge.speed_factor * x), measured_speed=True,
    ),
    # totals
    "total-time-base": FaultSpec(
        "the timer of the PLC total loses time", -2.0, "%",
        _change("plc_total", factor=lambda _, x: 1.0 + x / 100.0),
    ),
    "total-discontinuity": FaultSpec("the PLC total is lost", 0.0, "t", lambda spec, _: spec, _lose_plc_total),
    "total-gating": FaultSpec(
        "the PLC total counts only while the feeder runs", 1.0, "", _change("plc_total", gate=lambda _s, _x: True)
    ),
    "counted-twice": FaultSpec("the PLC counts twice", 2.0, "factor", _change("plc_total", factor=lambda _, x: x)),
    "total-precision": FaultSpec(
        "the PLC total is kept in single precision", 65_536.0, "t it has reached at least",
        _change("plc_total", single=lambda _s, _x: True), _large_total,
    ),
    # communication and people
    "stale-tag": FaultSpec(
        "the flow tag of the PLC is stale", 1.0, "", _change("link", stale=lambda _s, _x: ROLES_OF_PLC)
    ),
    "word-order": FaultSpec(
        "the gauge sends its floats with the words swapped", 1.0, "", _change("link", swapped=lambda _s, _x: GAUGE_FLOATS)
    ),
    "gateway-zeros": FaultSpec("the gateway writes zeros", 1.0, "", _change("link", zeros=lambda _s, _x: True)),
    "mode-left-on": FaultSpec("the output was left in test mode", 12.0, "mA", _test_current),
}  # fmt: skip
"""Every fault by the id of its cause; `@plc` behind it is the same cause at the other end."""

BENIGN: dict[str, FaultSpec] = {
    "belt-stop": FaultSpec("the belt stands", 1.0, "", _change("belt", running_override=lambda _s, _x: False)),
    "empty-belt": FaultSpec("the belt runs empty", 0.0, "t/h", _change("belt", feed_override=lambda _, x: x)),
    "steady-load": FaultSpec("the feed does not change", 260.0, "t/h", _change("belt", feed_override=lambda _, x: x)),
    "maintenance": FaultSpec("the loop is under maintenance", 1.0, "", _change("block", maintenance=lambda _s, _x: True)),
    "calibration": FaultSpec(
        "the gauge is being calibrated", 1.0, "", _change("gauge", calibrating=lambda _s, _x: True)
    ),
    "product-change": FaultSpec("another product runs", 2.0, "product code", _change("belt", product=lambda _, x: x)),
    "range-both-ends": FaultSpec(
        "both ends are given a new range together", 500.0, "t/h at 20 mA",
        lambda spec, x: spec.with_("gauge", range_high=x).with_("block", range_high=x), per_span=True,
    ),
}  # fmt: skip
"""What an honest plant does, in the same form."""


def find(name: str) -> FaultSpec:
    """The fault or honest event of this id; an unknown one is an error that names the nearest."""
    found = FAULTS.get(name) or BENIGN.get(name)
    if found is None:
        near = get_close_matches(name, [*FAULTS, *BENIGN], n=3, cutoff=0.5)
        raise TallywireError(
            f"the demo plant knows no fault {name!r}",
            fix=f"did you mean {' or '.join(near)}?" if near else "`tallywire demo faults` lists them",
        )
    return found


class Faulty:
    """A loop model with the faults that are on; they apply in the order in which they were switched on."""

    def __init__(self, model: LoopModel) -> None:
        self.model = model
        self._sound = model.spec
        self._on: dict[str, float] = {}

    @property
    def active(self) -> dict[str, float]:
        """Severity of every fault that is on."""
        return dict(self._on)

    def set(self, name: str, on: bool, severity: float | None = None) -> None:
        """Switch a fault on or off; from the next second on the loop runs with it. A severity None is the default one."""
        fault = find(name)
        if on and fault.measured_speed and self._sound.gauge.fixed_speed is not None:
            raise TallywireError(
                f"{self._sound.loop} has a fixed belt speed and cannot have {name!r}", fix="take a loop that measures its speed"
            )
        strength = fault.default(self._sound) if severity is None else severity
        if on:
            if name not in self._on and fault.begin is not None:
                fault.begin(self.model, strength)
            self._on[name] = strength
        else:
            self._on.pop(name, None)
        spec = self._sound
        for active, value in self._on.items():
            spec = find(active).apply(spec, value)
        self.model.spec = spec
