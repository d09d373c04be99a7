"""Causes in source beam, shutter and detector."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.COUNTS, Link.LOAD)

CAUSES = (
    Cause(
        id="zero-counts", title="zero counts",
        links=HERE, roles=("count_rate",), weight=5.0, at_gauge=True, signal=Signal.FAILURE, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(
            shutter_closed="the count rate: background is still there behind a closed shutter",
            gateway_zeros="the detector temperature: exactly zero together with all else when a gateway writes zeros",
        ),
        checks=(
            "check supply and fuse of the detector",
            "look at the shutter indicator",
            "read the status word of the gauge",
        ),
    ),
    Cause(
        id="shutter-closed", title="shutter closed while the line runs",
        links=HERE, roles=("count_rate",), weight=4.0, at_gauge=True, signal=Signal.FAILURE, mode=FailureMode.HIGH,
        look_alikes=unlike(zero_counts="the count rate: nothing at all, not even background, from a dead detector"),
        checks=(
            "let the radiation safety officer say who closed the shutter",
            "look at lever and lock, and for an open permit",
            "reset nothing before that is known",
        ),
    ),
    Cause(
        id="shutter-contradiction", title="shutter says closed, beam is present",
        links=HERE, roles=("count_rate", "shutter_closed"), weight=2.0, at_gauge=True, signal=Signal.FAILURE,
        mode=FailureMode.ABNORMAL_READING,
        look_alikes=unlike(product_gammas="an empty belt: product gammas leave with the product"),
        checks=(
            "treat the shutter as open: keep people out and call the radiation safety officer",
            "let licensed staff measure with a survey meter",
            "only then look at the limit switch and the polarity of the tag",
        ),
    ),
    Cause(
        id="counts-frozen", title="counts stand still",
        links=HERE, roles=("count_rate",), weight=3.0, at_gauge=True, signal=Signal.FAILURE, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(
            stale_tag="the other tags of the device: all of them stand still when communication is the cause",
        ),
        checks=(
            "look at heartbeat or uptime of the gauge",
            "look at the other tags of the same device",
            "restart only under a permit",
        ),
    ),
    Cause(
        id="counts-noisy", title="false counts",
        links=HERE, roles=("count_rate",), weight=1.5, at_gauge=True, mode=FailureMode.ERRATIC,
        look_alikes=unlike(
            background="bursts with the belt standing mean noise, a smooth rise means another source",
            product_gammas="product gammas follow the load",
        ),
        checks=(
            "compare the scatter with the drive on and off",
            "check the screens of the cable",
            "check window and gland of the detector",
        ),
    ),
    Cause(
        id="detector-drift", title="detector loses gain",
        links=HERE, roles=("count_rate",), weight=1.5, at_gauge=True, signal=Signal.MAINTENANCE_REQUIRED, mode=FailureMode.HIGH,
        look_alikes=unlike(
            decay_off="slope of the empties: decay has exactly its own",
            build_up="an inspection or wash: build-up steps back",
            detector_temperature="regress empties on detector temperature",
        ),
        checks=(
            "trend the empties against the decay line",
            "read high voltage or stabiliser",
            "compare the background: it falls too when gain falls",
        ),
    ),
    Cause(
        id="dead-time", title="dead time constant wrong",
        links=HERE, roles=("count_rate",), weight=0.5, mode=FailureMode.MINOR, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            background="a closed-shutter count",
            calibration_factor="two reference masses: a factor stays straight",
        ),
        checks=(
            "compare the parameter with the sheet of the detector",
            "ask whether the source was changed since calibration",
            "repeat the material test at two loads",
        ),
    ),
    Cause(
        id="source-weak", title="source too weak for the damping",
        links=HERE, roles=("count_rate",), weight=1.0, signal=Signal.MAINTENANCE_REQUIRED, mode=FailureMode.MINOR,
        look_alikes=unlike(counts_noisy="scatter of raw counts: Poisson with a weak source, more with noise"),
        checks=(
            "compare predicted and real empty-belt rate",
            "look up how the damping was lengthened over the years",
            "set a date for renewal",
        ),
    ),
    Cause(
        id="source-changed", title="source or detector changed, constants kept",
        links=HERE, roles=("count_rate",), weight=1.0, at_gauge=True, mode=FailureMode.ABNORMAL_READING,
        look_alikes=unlike(
            background="size: a change of background is smaller",
            tare_loaded="counts before and after the event",
        ),
        checks=(
            "compare certificate and gauge with the radiation safety officer",
            "check empty-belt rate, date, half-life and dead time as one set",
            "repeat a material test",
        ),
    ),
    Cause(
        id="shutter-part-open", title="shutter not fully open",
        links=HERE, roles=("count_rate",), weight=1.0, at_gauge=True, mode=FailureMode.HIGH,
        look_alikes=unlike(
            build_up="whether it came at once with a shutter operation",
            shutter_closed="the count rate: far above background when part open",
            detector_temperature="the detector temperature",
        ),
        checks=(
            "let licensed staff look at lever and lock",
            "compare counts before and after the last operation",
            "take no new tare before that is seen",
        ),
    ),
    Cause(
        id="light-leak", title="daylight on the scintillator",
        links=HERE, roles=("count_rate",), weight=0.5, at_gauge=True, mode=FailureMode.LOW, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(detector_temperature="daylight follows the sun at once, temperature hours later"),
        checks=("cover the detector with a dark cloth", "look at gland and window", "look at scatter and bursts at dawn"),
    ),
    Cause(
        id="neighbour-source", title="neighbouring source adds counts",
        links=HERE, roles=("count_rate",), weight=0.7, at_gauge=True, mode=FailureMode.LOW,
        look_alikes=unlike(background="correlate with the neighbouring loop: a constant background does not follow it"),
        checks=("note the neighbour's shutter", "look at the collimator", "take a closed-shutter count"),
    ),
)  # fmt: skip
