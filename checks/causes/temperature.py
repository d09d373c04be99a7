"""Causes in the temperature of the detector."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, unlike
from checks.result import Link

CAUSES = (
    Cause(
        id="detector-temperature", title="detector temperature out of limits",
        links=(Link.COUNTS,), roles=("detector_temperature",), weight=3.0, at_gauge=True, mode=FailureMode.ABNORMAL_READING,
        look_alikes=unlike(
            build_up="the daily cycle: build-up has none",
            light_leak="hours of lag: temperature has them, daylight not",
            wrong_type="another thermometer, or the neighbouring gauge",
        ),
        checks=(
            "check cooling and heat shield of the detector",
            "check that the temperature tag is alive and plausible",
            "compare empties at dawn and in the afternoon",
        ),
    ),
)  # fmt: skip
