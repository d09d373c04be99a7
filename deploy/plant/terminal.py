"""The whole plant in motion: the physics of all loops, and what it puts on the wires each second. No socket, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any

from config.errors import TallywireError
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from deploy.plant.nodes import NODES, path_of, range_of, unit_of, values_of
from deploy.plant.registers import image, order_of
from deploy.plant.site import POTASH, scenario_of
from deploy.plant.spec import LoopSpec

GOOD_LOCAL_OVERRIDE = 0x00960000
"""Status of a value that somebody has overridden (OPC 10000-8, table of status codes)."""

TARE_AGE_S = 365 * 86400
DAY_S = 86400


@dataclass(frozen=True, slots=True)
class Begin:
    """Where a run begins: second, and per loop the totals of gauge and PLC [t]; tares and starts lie before `tared_s`."""

    time_s: int
    tared_s: float
    totals: Mapping[str, tuple[float, float]]


def fresh(time_s: int) -> Begin:
    """The begin of a plant that has no past: the last tares a year ago, the totals of the specs."""
    tared = float(time_s // DAY_S * DAY_S - TARE_AGE_S)
    return Begin(time_s, tared, {loop: (spec.gauge.total_start, spec.plc_total.start) for loop, spec in POTASH.items()})


def specs_at(begin: Begin) -> dict[str, LoopSpec]:
    """The loops of the terminal with the tares and totals of a begin."""
    out = {}
    for loop, spec in POTASH.items():
        gauge_t, plc_t = begin.totals[loop]
        out[loop] = replace(
            spec,
            gauge=replace(spec.gauge, tared_s=begin.tared_s, started_s=begin.tared_s, total_start=gauge_t),
            source=replace(spec.source, tared_s=begin.tared_s),
            plc_total=replace(spec.plc_total, start=plc_t),
        )
    return out


class Terminal:
    """All loops. `advance` belongs to one thread; faults may be switched from any."""

    def __init__(self, begin: Begin, seed: int) -> None:
        self.specs = specs_at(begin)
        self.loops = {
            loop: Faulty(LoopModel(spec, seed, scenario=scenario_of(loop, seed), start=begin.time_s))
            for loop, spec in self.specs.items()
        }
        self._lock = Lock()
        self.time_s = begin.time_s
        self._last: dict[str, dict[str, float]] = {}

    def advance(self, seconds: int = 1) -> None:
        """Let time pass; the values of the last second stand on the wires."""
        with self._lock:
            for loop, faulty in self.loops.items():
                self._last[loop] = {role: float(column[-1]) for role, column in faulty.model.advance(seconds).items()}
            self.time_s += seconds

    def skip_to(self, time_s: int) -> None:
        """Go on at a later second; nothing moved in between."""
        with self._lock:
            for faulty in self.loops.values():
                faulty.model.time_s = time_s
            self.time_s = time_s

    def set_fault(self, loop: str, name: str, on: bool, severity: float | None) -> None:
        """Switch a fault of one loop."""
        if loop not in self.loops:
            raise TallywireError(f"the demo plant has no loop {loop!r}", fix=f"it has {', '.join(self.loops)}")
        with self._lock:
            self.loops[loop].set(name, on, severity)

    def active(self) -> dict[str, dict[str, float]]:
        """Faults that are on, with their severity, by loop."""
        with self._lock:
            return {loop: faulty.active for loop, faulty in self.loops.items()}

    def begin(self) -> Begin:
        """Where a later run can go on."""
        totals = {loop: (faulty.model.gauge.total.sum, faulty.model.far_end.total.sum) for loop, faulty in self.loops.items()}
        return Begin(self.time_s, next(iter(self.specs.values())).gauge.tared_s, totals)

    def registers(self, loop: str) -> dict[str, list[int]]:
        """The register image of one gauge."""
        tables = image(self._last[loop], order_of(self.specs[loop]))
        return {str(table): cells for table, cells in tables.items()}

    def plc_nodes(self) -> list[dict[str, Any]]:
        """The address space of the PLC."""
        out: list[dict[str, Any]] = []
        for spec in self.specs.values():
            unit = unit_of(spec)
            for node in NODES:
                if node.role in spec.roles:
                    wanted = [unit.unit_id, unit.symbol] if node.role == "plc_flow" else None
                    out.append({"node": path_of(spec, node), "type": node.type, "unit": wanted})
        return out

    def plc_values(self) -> dict[str, Any]:
        """What the PLC shows this second."""
        values: dict[str, float] = {}
        status: dict[str, int] = {}
        ranges: dict[str, list[float]] = {}
        for loop, faulty in self.loops.items():
            spec = faulty.model.spec
            values |= values_of(self.specs[loop], self._last[loop])
            flow = f"{loop}/Flow"
            ranges[flow] = list(range_of(spec))
            if spec.block.force_bit:
                status[flow] = GOOD_LOCAL_OVERRIDE
        return {"time": self.time_s - 1, "values": values, "status": status, "ranges": ranges}
