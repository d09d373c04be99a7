"""The roles a tag can have in a loop, each with the unit it is carried in inside the program."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Side(StrEnum):
    """Which device a role is normally read from."""

    GAUGE = "gauge"
    PLC = "plc"
    DRIVE = "drive"
    PLANT = "plant"


class Kind(StrEnum):
    """How a role is carried on the sample grid."""

    NUMBER = "number"
    BIT = "bit"
    TOTAL = "total"
    SETTING = "setting"


@dataclass(frozen=True, slots=True)
class Role:
    """One role: its name, canonical unit (empty for bits and codes), kind, side and meaning."""

    name: str
    unit: str
    kind: Kind
    side: Side
    meaning: str


def _table(*rows: tuple[str, str, Kind, Side, str]) -> dict[str, Role]:
    return {row[0]: Role(*row) for row in rows}


_N, _B, _T, _S = Kind.NUMBER, Kind.BIT, Kind.TOTAL, Kind.SETTING

ROLES: dict[str, Role] = _table(
    ("flow", "t/h", _N, Side.GAUGE, "mass flow the gauge reports"),
    ("load", "kg/m", _N, Side.GAUGE, "mass per metre of belt the gauge reports"),
    ("speed", "m/s", _N, Side.GAUGE, "belt speed the gauge uses"),
    ("count_rate", "1/s", _N, Side.GAUGE, "gross count rate of the detector"),
    ("detector_temperature", "degC", _N, Side.GAUGE, "temperature inside the detector"),
    ("gauge_total", "t", _T, Side.GAUGE, "totalizer of the gauge"),
    ("gauge_output", "mA", _N, Side.GAUGE, "current the gauge says it sends (a set value)"),
    ("gauge_status", "", _S, Side.GAUGE, "status word of the gauge"),
    ("gauge_clock", "s", _N, Side.GAUGE, "clock of the gauge, seconds since 1970 UTC"),
    ("gauge_range_low", "t/h", _S, Side.GAUGE, "flow that the gauge sends as 4 mA"),
    ("gauge_range_high", "t/h", _S, Side.GAUGE, "flow that the gauge sends as 20 mA"),
    ("gauge_unit", "", _S, Side.GAUGE, "unit of the flow set in the gauge, as OPC UA unit id"),
    ("nuclide_code", "", _S, Side.GAUGE, "nuclide set in the gauge, as mass number"),
    ("empty_belt_rate", "1/s", _S, Side.GAUGE, "gross count rate on the empty belt, as set by the last tare"),
    ("background_rate", "1/s", _S, Side.GAUGE, "background count rate set in the gauge"),
    ("gauge_over_range", "", _B, Side.GAUGE, "gauge says its range is exceeded"),
    ("gauge_uptime", "s", _N, Side.GAUGE, "time since the gauge started"),
    ("gauge_output_mode", "", _S, Side.GAUGE, "0 normal, 1 fixed current or simulation"),
    ("shutter_closed", "", _B, Side.GAUGE, "shutter indicator says closed"),
    ("calibrating", "", _B, Side.GAUGE, "gauge is taring or calibrating"),
    ("loop_current", "mA", _N, Side.PLC, "current measured on the PLC side"),
    ("ai_raw", "count", _N, Side.PLC, "raw counts of the analogue input"),
    ("plc_flow", "t/h", _N, Side.PLC, "mass flow after the PLC scaling block"),
    ("plc_range_low", "t/h", _S, Side.PLC, "flow the PLC shows at 4 mA"),
    ("plc_range_high", "t/h", _S, Side.PLC, "flow the PLC shows at 20 mA"),
    ("plc_unit", "", _S, Side.PLC, "unit of the PLC flow (EngineeringUnits), as OPC UA unit id"),
    ("plc_total", "t", _T, Side.PLC, "totalizer in the PLC"),
    ("plc_forced", "", _B, Side.PLC, "input or block is forced or substituted"),
    ("plc_block_mode", "", _S, Side.PLC, "0 automatic, else manual or simulated"),
    ("plc_heartbeat", "", _N, Side.PLC, "counter that moves while the PLC program runs"),
    ("maintenance", "", _B, Side.PLC, "loop is under maintenance or bypassed"),
    ("drive_running", "", _B, Side.DRIVE, "belt drive runs"),
    ("drive_speed", "Hz", _N, Side.DRIVE, "speed feedback of the belt drive"),
    ("feed_running", "", _B, Side.DRIVE, "feeder upstream runs"),
    ("product", "", _S, Side.PLANT, "product or grade code"),
    ("cabinet_temperature", "degC", _N, Side.PLANT, "temperature of the input cabinet"),
    ("loop_supply_voltage", "V", _N, Side.PLANT, "supply voltage of the current loop"),
    ("ambient_temperature", "degC", _N, Side.PLANT, "ambient temperature"),
    ("moisture", "%", _N, Side.PLANT, "moisture of the product"),
)
"""Every role by name. `flow` is the only one a loop must have."""
