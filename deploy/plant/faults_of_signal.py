"""Faults between the output of the gauge and the PLC flow."""

from __future__ import annotations

from deploy.plant.fault import FaultSpec, change
from deploy.plant.spec import LoopSpec


def _leak_out(ohm: float) -> float:
    return ohm / (ohm + 250.0)


def _leak_in(spec: LoopSpec, ohm: float) -> LoopSpec:
    """Leak across a two-wire transmitter: A = (E + U/R_leak) / (1 + R_loop/R_leak)."""
    gain = 1.0 / (1.0 + 450.0 / ohm)
    return spec.with_("wire", gain=gain, offset=gain * 1000.0 * spec.wire.supply / ohm)


SIGNAL: dict[str, FaultSpec] = {
    # range and unit
    "upper-range": FaultSpec(
        "upper range of the gauge differs from the PLC's", 500.0, "t/h at 20 mA in the gauge",
        change("gauge", range_high=lambda _, x: x), per_span=True,
    ),
    "upper-range@plc": FaultSpec(
        "upper range of the PLC differs from the gauge's", 400.0, "t/h at 20 mA in the PLC",
        change("block", range_high=lambda _, x: x), per_span=True,
    ),
    "lower-range": FaultSpec(
        "lower range of the gauge differs from the PLC's", -20.0, "t/h at 4 mA in the gauge",
        change("gauge", range_low=lambda _, x: x), per_span=True,
    ),
    "lower-range@plc": FaultSpec(
        "lower range of the PLC differs from the gauge's", 20.0, "t/h at 4 mA in the PLC",
        change("block", range_low=lambda _, x: x), per_span=True,
    ),
    "over-range": FaultSpec(
        "the feed goes beyond the range", 1.6, "feed over the planned one",
        change("belt", feed_factor=lambda _, x: x),
    ),
    "ton-unit": FaultSpec(
        "the PLC works in another ton", 1.10231, "PLC flow over true flow (1.10231 short, 0.98421 long)",
        change("block", factor=lambda spec, x: spec.block.factor * x),
    ),
    "time-base": FaultSpec(
        "the PLC works in another time or magnitude base", 3.6, "PLC flow over true flow",
        change("block", factor=lambda spec, x: spec.block.factor * x),
    ),
    # current loop
    "current-leak": FaultSpec(
        "current leaks past the input card", 5000.0, "ohm across a 250 ohm load",
        change("wire", gain=lambda _, x: _leak_out(x)),
    ),
    "current-leak-in": FaultSpec("current leaks into a two-wire loop", 6500.0, "ohm across the transmitter", _leak_in),
    "current-offset": FaultSpec(
        "an offset stands on the loop", 0.16, "mA", change("wire", offset=lambda _, x: x)
    ),
    "output-trim": FaultSpec(
        "the output of the gauge is trimmed wrongly", 0.97, "current span over true span",
        change("wire", trim_gain=lambda _, x: x),
    ),
    "compliance-ceiling": FaultSpec(
        "the supply cannot drive the full current", 13.0, "mA at most",
        change("wire", ceiling=lambda _, x: x, supply=lambda _, x: 10.0 + 0.45 * x),
    ),
    "open-loop": FaultSpec("the loop is open", 1.0, "", change("wire", open=lambda _s, _x: True)),
    "burnout-value": FaultSpec(
        "the card answers a wire break with a value", 32767.0, "raw counts",
        lambda spec, x: spec.with_("card", break_raw=x).with_("wire", open=True),
    ),
    "output-frozen": FaultSpec("the output of the gauge stands still", 1.0, "", change("wire", frozen=lambda _s, _x: True)),
    "live-zero-mix": FaultSpec(
        "the card reads 0-20 mA, the gauge sends 4-20 mA", 0.0, "mA of raw zero",
        change("card", zero_current=lambda _, x: x),
    ),
    # scaling block
    "raw-span": FaultSpec(
        "the raw span in the scaling block is wrong", 1.085, "raw span in the block over that of the card",
        change("block", raw_high=lambda spec, x: spec.card.full_raw * x),
    ),
    "square-root": FaultSpec("the block takes a square root", 1.0, "", change("block", square_root=lambda _s, _x: True)),
    "zero-clamp": FaultSpec("the PLC cuts what is below zero", 1.0, "", change("block", clamp_at_zero=lambda _s, _x: True)),
    "low-cutoff": FaultSpec(
        "the PLC counts small flows as zero", 25.0, "t/h", change("block", low_cutoff=lambda _, x: x), per_span=True
    ),
    "extra-filter": FaultSpec("the PLC filters more than declared", 30.0, "s", change("block", filter=lambda _, x: x)),
    "forced-value": FaultSpec(
        "the PLC flow is forced", 250.0, "t/h",
        change("block", forced=lambda _, x: x, force_bit=lambda _s, _x: True), per_span=True,
    ),
}  # fmt: skip
