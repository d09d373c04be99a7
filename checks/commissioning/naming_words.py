"""What people call the tags of a belt weigher in a PLC: words by role, common practice, no source."""

from __future__ import annotations

import re
from collections.abc import Mapping

WORDS: Mapping[str, tuple[str, ...]] = {
    "plc_flow": ("flow", "mass flow", "massflow", "flowrate", "rate", "throughput", "tph", "pv"),
    "ai_raw": ("raw", "raw input", "raw value", "raw counts", "counts", "digits", "adc", "ai", "analog input", "analogue input"),
    "loop_current": ("current", "loop current", "input current", "milliamp", "ma"),
    "plc_total": ("total", "totalizer", "totaliser", "total mass", "tonnes", "tons", "sum", "accumulated", "counter tonnes"),
    "plc_forced": ("forced", "force", "force active", "substituted", "simulated", "overridden"),
    "plc_block_mode": ("block mode", "mode", "auto manual"),
    "plc_heartbeat": ("heartbeat", "heart beat", "alive", "life bit", "life counter", "watchdog"),
    "maintenance": ("maintenance", "maint", "bypass", "bypassed", "under maintenance"),
    "drive_running": ("drive running", "motor running", "belt running", "conveyor running", "drive run", "running", "run"),
    "drive_speed": ("drive frequency", "drive speed", "motor speed", "frequency", "output frequency", "freq", "inverter speed"),
    "feed_running": ("feed running", "feeder running", "feeder run", "feeder", "feed on", "feed"),
    "product": ("product", "product code", "grade", "recipe", "material", "material code"),
    "cabinet_temperature": ("cabinet temperature", "panel temperature", "cubicle temperature", "cabinet temp", "cabinet"),
    "loop_supply_voltage": ("loop supply", "supply voltage", "loop voltage", "supply", "loop power"),
    "ambient_temperature": ("ambient temperature", "ambient temp", "ambient", "outdoor temperature", "air temperature"),
    "moisture": ("moisture", "humidity of product", "water content"),
    "flow": ("gauge flow", "weigher flow", "gauge rate", "weigher rate"),
    "load": ("load", "belt load", "belt loading", "kg per m", "mass per length"),
    "speed": ("belt speed", "speed", "conveyor speed", "tacho"),
    "count_rate": ("count rate", "countrate", "cps", "detector counts", "pulse rate"),
    "detector_temperature": ("detector temperature", "detector temp", "probe temperature"),
    "gauge_total": ("gauge total", "weigher total"),
    "gauge_output": ("gauge output", "analog output", "analogue output", "output current"),
    "gauge_status": ("gauge status", "weigher status", "status word"),
    "gauge_over_range": ("over range", "overrange", "range exceeded"),
    "gauge_uptime": ("uptime", "run time", "operating time"),
    "gauge_clock": ("gauge clock", "gauge time", "weigher clock"),
    "shutter_closed": ("shutter closed", "shutter", "source closed"),
    "calibrating": ("calibrating", "taring", "tare active", "calibration active", "zeroing"),
    "empty_belt_rate": ("empty belt rate", "zero rate", "tare rate", "empty rate"),
    "background_rate": ("background", "background rate"),
    "gauge_range_high": ("range high", "upper range", "full scale", "flow at 20 ma"),
    "gauge_range_low": ("range low", "lower range", "flow at 4 ma"),
    "plc_range_high": ("scale high", "hi lim", "high limit of scale", "scaling high"),
    "plc_range_low": ("scale low", "lo lim", "low limit of scale", "scaling low"),
}  # fmt: skip
"""Names in words; of several that fit the one with the most words counts."""

ON_GAUGE: Mapping[str, tuple[str, ...]] = {
    "flow": WORDS["plc_flow"],
    "gauge_total": WORDS["plc_total"],
    "gauge_output": ("output", "current", "loop current", "output current", "milliamp", "ma"),
    "count_rate": ("counts", "rate of counts", "intensity"),
    "detector_temperature": ("temperature", "temp"),
    "gauge_status": ("status",),
    "gauge_clock": ("clock", "time"),
    "gauge_range_high": ("span",),
}
"""What a gauge calls its own values besides: nobody else is meant there."""

_PIECE = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+")
BASE, EACH = 1.5, 1.5


def words_of(name: str) -> tuple[str, ...]:
    """The words of a name in small letters: `DriveRunning`, `drive_running` and `DRIVE-RUNNING` give the same."""
    return tuple(piece.lower() for piece in _PIECE.findall(name))


def points_of_name(role: str, name: str, *, on_gauge: bool = False) -> float:
    """How much a name speaks for a role; 0 where nothing of it does. Words that the name has besides take a little away."""
    said = words_of(name)
    text = f" {' '.join(said)} "
    phrases = WORDS.get(role, ()) + (ON_GAUGE.get(role, ()) if on_gauge else ())
    fitting = [phrase for phrase in phrases if f" {phrase} " in text]
    if not fitting:
        return 0.0
    most = max(len(phrase.split()) for phrase in fitting)
    besides = sum(1 for word in said if not word.isdigit()) - most
    return BASE + EACH * most - 0.4 * max(0, besides)
