"""The invented terminal on real sockets, standing still at one loaded second: gauges as Modbus servers, the PLC as OPC UA."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ruamel.yaml import YAML

from checks.signal import current_of_raw, flow_of
from config.load import parse_site
from config.model import FlowRange, RawSpan, Site
from deploy.plant.live import Server
from deploy.plant.site_file import site_text
from deploy.plant.terminal import Terminal, fresh

BEGIN = 1_800_000_000
LOADED, STEADY = 0.25, 0.015
"""The terminal is stopped where every flow is above this, and both ends this near [parts of the range]."""


@dataclass(slots=True)
class StandingPlant:
    """The plant, what it shows, and its site file as text."""

    terminal: Terminal
    gauges: dict[str, Server]
    plc: Server
    text: str

    @property
    def site(self) -> Site:
        """The site as it is declared."""
        return parse_site(self.text, "terminal.yaml").site

    def site_with(self, loop: str, role: str, **keys: Any) -> Site:
        """The site with some keys of a tag written wrongly."""
        raw = YAML(typ="safe").load(self.text)
        raw["loops"][loop]["tags"][role].update(keys)
        from io import StringIO

        out = StringIO()
        YAML(typ="safe").dump(raw, out)
        return parse_site(out.getvalue(), "terminal.yaml").site

    def value(self, loop: str, role: str) -> float:
        """What the plant shows."""
        return self.terminal._last[loop][role]

    def show(self) -> None:
        """Put the present second on the wires."""
        for loop, server in self.gauges.items():
            server.tell(self.terminal.registers(loop))
        self.plc.tell(self.terminal.plc_values())


def _steady(terminal: Terminal, loop: str) -> bool:
    values, full = terminal._last[loop], terminal.specs[loop].gauge.range_high
    shown = flow_of(current_of_raw(values["ai_raw"], RawSpan()), FlowRange(high=full))
    return values["flow"] > LOADED * full and abs(values["flow"] - shown) < STEADY * full


@contextmanager
def standing_plant() -> Iterator[StandingPlant]:
    """Start the servers at a second in which every belt is loaded."""
    terminal = Terminal(fresh(BEGIN), seed=11)
    terminal.advance(60)
    for _ in range(2000):
        if all(_steady(terminal, loop) for loop in terminal.loops):
            break
        terminal.advance(17)
    else:
        raise AssertionError("the terminal was never loaded on all belts")
    gauges = {loop: Server("deploy.plant.gauge_server") for loop in terminal.loops}
    plc = Server("deploy.plant.plc_server")
    try:
        plc.tell({"nodes": terminal.plc_nodes()})
        ports = {loop: int(server.hear()["port"]) for loop, server in gauges.items()}
        text = site_text(terminal.specs, ports, str(plc.hear()["url"]))
        plant = StandingPlant(terminal, gauges, plc, text)
        plant.show()
        yield plant
    finally:
        for server in [*gauges.values(), plc]:
            server.stop()
