"""Units that the invented PLC works in, with their UN/ECE Recommendation 20 codes (OPC 10000-8, EUInformation)."""

from __future__ import annotations

from dataclasses import dataclass

from deploy.plant.spec import LoopSpec

SHORT_TON_T = 0.90718474
"""Tonnes in a short ton of 2000 lb (NIST Handbook 44, appendix C)."""


@dataclass(frozen=True, slots=True)
class FlowUnit:
    """A unit of flow: how the site file writes it, its UN/ECE code and symbol, what it is in t/h."""

    written: str
    code: str
    symbol: str
    in_t_h: float

    @property
    def unit_id(self) -> int:
        """UnitId of OPC UA: the characters of the code as bytes, the first one highest."""
        return int.from_bytes(self.code.encode("ascii"), "big")


@dataclass(frozen=True, slots=True)
class MassUnit:
    """A unit of mass: how the site file writes it, what it is in t."""

    written: str
    in_t: float


TONNE_PER_HOUR = FlowUnit("t/h", "E18", "t/h", 1.0)
SHORT_TON_PER_HOUR = FlowUnit("short_ton/h", "4W", "ton (US)/h", SHORT_TON_T)
KILOGRAM_PER_SECOND = FlowUnit("kg/s", "KGS", "kg/s", 3.6)
BY_ID = {unit.unit_id: unit for unit in (TONNE_PER_HOUR, SHORT_TON_PER_HOUR, KILOGRAM_PER_SECOND)}


def flow_unit(spec: LoopSpec) -> FlowUnit:
    """The unit of the PLC's flow tag."""
    return BY_ID[spec.block.unit_id]


def mass_unit(spec: LoopSpec) -> MassUnit:
    """The unit of the PLC's total."""
    short = spec.block.unit_id == SHORT_TON_PER_HOUR.unit_id
    return MassUnit("short_ton", SHORT_TON_T) if short else MassUnit("t", 1.0)
