"""Small sites for the tests of replay."""

from __future__ import annotations

from config.model import Site

TAGS: dict[str, dict[str, object]] = {
    "flow": {},
    "plc_flow": {},
    "speed": {},
    "detector_temperature": {},
    "drive_running": {},
    "gauge_total": {"measured_in": "kg"},
    "moisture": {"period": 5.0},
}


def loop(tags: dict[str, dict[str, object]] | None = None) -> dict[str, object]:
    """A loop of the invented terminal."""
    return {"gauge": {"range": {"high": 420.0}}, "plc": {"range": {"high": 420.0}}, "tags": TAGS if tags is None else tags}


def one_loop() -> Site:
    """A site with TB-07 alone."""
    return Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop()}})


def two_loops() -> Site:
    """A site with TB-07 and TB-08."""
    return Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop(), "TB-08": loop()}})
