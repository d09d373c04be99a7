"""A site of many loops on few ports, for `polling.py`: one Modbus connection a gauge, one OPC UA session a PLC."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

from config.load import load_site
from config.model import Site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.bench.wide_site import loop_names


def polled_site(loops: int, per_plc: int, gauges: dict[str, int], plc: str) -> Site:
    """Loops by the patterns of the terminal, by turns; every loop has a gauge of its own, `per_plc` loops share a PLC."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.yaml"
        path.write_text(site_text(specs_at(fresh(int(time.time()))), gauges, plc), encoding="utf-8")
        small = load_site(path).site
    kinds = list(small.loops)
    many, endpoints = {}, {}
    for number, name in enumerate(loop_names(loops)):
        kind = kinds[number % len(kinds)]
        gauge, station = f"gauge-{name}", f"plc-{number // per_plc:03}"
        endpoints[gauge] = small.endpoints[f"gauge-{kind}"]
        endpoints[station] = small.endpoints["plc"]
        tags: dict[str, Any] = {
            role: tag.model_copy(update={"endpoint": station if tag.endpoint == "plc" else gauge})  # type: ignore[union-attr]
            for role, tag in small.loops[kind].tags.items()
        }
        many[name] = small.loops[kind].model_copy(update={"tags": tags, "title": f"Belt {number + 1}"})
    return small.model_copy(update={"loops": many, "endpoints": endpoints, "site": "polled-terminal"})
