"""Causes in tare, belt and background."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.COUNTS, Link.LOAD)
SOON = Signal.MAINTENANCE_REQUIRED

CAUSES = (
    Cause(
        id="stale-tare", title="tare no longer true",
        links=HERE, roles=("flow",), weight=3.0, signal=SOON,
        look_alikes=unlike(
            decay_off="shape over weeks: decay is smooth",
            current_offset="the gauge flow on the empty belt",
            build_up="an inspection or a wash",
        ),
        checks=(
            "compare the date of the tare with work orders on the belt and scraper",
            "trend the empties",
            "tare over whole turns of the belt, at least three, better five",
        ),
    ),
    Cause(
        id="build-up", title="build-up in the beam",
        links=HERE, roles=("flow",), weight=3.0, at_gauge=True, signal=SOON, mode=FailureMode.HIGH,
        look_alikes=unlike(
            stale_tare="two empties around a wash",
            detector_drift="two empties around a wash",
            wet_belt="hours: a film dries, a cake stays",
        ),
        checks=("look at belt, frame and detector cover", "clean", "compare empties again before any new tare"),
    ),
    Cause(
        id="tare-loaded", title="tare taken with product on the belt",
        links=HERE, roles=("flow",), weight=2.0, mode=FailureMode.LOW,
        look_alikes=unlike(decay_double="the shape: it steps exactly at the tare", auto_zero_creep="one step or a slow creep"),
        checks=(
            "compare the counts of the tare log with the prediction",
            "look up the feeder upstream at that time",
            "repeat the tare with the belt proven empty",
        ),
    ),
    Cause(
        id="background", title="background wrong or changed",
        links=HERE, roles=("count_rate",), weight=1.5, at_gauge=True, mode=FailureMode.LOW,
        look_alikes=unlike(
            dead_time="a closed-shutter count",
            product_gammas="closed-shutter counts with the belt loaded and empty",
            neighbour_source="correlation with the neighbour",
        ),
        checks=(
            "compare with the last closed-shutter count",
            "ask for radiography permits",
            "let the radiation safety officer survey what is unexplained",
        ),
    ),
    Cause(
        id="product-gammas", title="the product's own gammas",
        links=HERE, roles=("count_rate", "product"), weight=2.0, at_gauge=True, mode=FailureMode.LOW, signal=SOON,
        look_alikes=unlike(calibration_factor="closed-shutter counts with the belt loaded and empty"),
        checks=(
            "take closed-shutter counts with the belt loaded and empty",
            "find out with which product the gauge was calibrated",
            "read the table of grades",
        ),
    ),
    Cause(
        id="tare-standing", title="tare taken with the belt standing",
        links=HERE, roles=("flow",), weight=1.0, signal=SOON,
        look_alikes=unlike(tare_loaded="two empties at two speeds"),
        checks=("look up the belt speed during the tare", "count the turns", "repeat the tare over whole turns"),
    ),
    Cause(
        id="auto-zero-creep", title="automatic zero follows product or cake",
        links=HERE, roles=("flow", "empty_belt_rate"), weight=1.0, mode=FailureMode.LOW,
        look_alikes=unlike(tare_loaded="many small steps or one"),
        checks=(
            "check whether an automatic zero is on",
            "read its band and its gate",
            "compare the empty-belt rate with the decay line",
        ),
    ),
    Cause(
        id="wet-belt", title="water on the belt",
        links=HERE, roles=("flow",), weight=2.0, signal=SOON, mode=FailureMode.HIGH,
        look_alikes=unlike(build_up="hours: a film dries", current_leak="the gauge flow moves too"),
        checks=("compare empties before and after", "look at scraper and spray", "take no tare in the rain"),
    ),
    Cause(
        id="belt-wander", title="belt or load leaves the beam",
        links=HERE, roles=("count_rate",), weight=1.0, at_gauge=True, mode=FailureMode.LOW, signal=SOON,
        look_alikes=unlike(load_shape="the period of one turn of the belt"),
        checks=(
            "look at the tracking of the belt",
            "check that the detector covers the full width",
            "read the log of the side-travel switch",
        ),
    ),
)  # fmt: skip
