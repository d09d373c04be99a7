"""The invented potash export terminal: three belt weighers on their way to the ship loader."""

from __future__ import annotations

from config.roles import ROLES
from deploy.plant.scenario import Scenario, Swings
from deploy.plant.spec import Belt, Block, Card, Gauge, LoopSpec, PlcTotal, Source, Surroundings
from deploy.plant.units import KILOGRAM_PER_SECOND, SHORT_TON_PER_HOUR

_COMMON = tuple(role for role in ROLES if role not in {"moisture"})
_TB08_LACKS = {"loop_current", "loop_supply_voltage", "cabinet_temperature", "moisture"}
_TB09_LACKS = {"loop_supply_voltage", "gauge_clock", "moisture"}

TB07 = LoopSpec(loop="TB-07", roles=_COMMON)

TB08 = LoopSpec(
    loop="TB-08",
    roles=tuple(role for role in ROLES if role not in _TB08_LACKS),
    belt=Belt(speed=2.2, length=310.0, width=1.1),
    source=Source(mass_number=60, empty_net=8200.0, background=45.0, attenuation=0.0052),
    gauge=Gauge(
        mass_number=60, empty_net=8200.0, background=45.0, load_per_attenuation=1.1 / 0.0052, fixed_speed=2.2,
        range_high=600.0, damping=12.0, counts_filtered=True, low_cutoff=0.0, total_start=412_377.0,
    ),
    card=Card(gain=1.0002),
    block=Block(range_high=600.0, lag=1, unit_id=SHORT_TON_PER_HOUR.unit_id),
    plc_total=PlcTotal(start=412_310.0),
    surroundings=Surroundings(mean=11.0, swing=4.0),
)  # fmt: skip

TB09 = LoopSpec(
    loop="TB-09",
    roles=tuple(role for role in ROLES if role not in _TB09_LACKS),
    belt=Belt(speed=2.6, length=180.0, width=0.9, variable=True),
    source=Source(empty_net=6400.0, background=52.0, attenuation=0.0063),
    gauge=Gauge(
        empty_net=6400.0, background=52.0, load_per_attenuation=0.9 / 0.0063, fixed_speed=None,
        range_high=500.0, damping=8.0, total_start=96_540.0,
    ),
    card=Card(gain=0.9999),
    block=Block(range_high=500.0, lag=2, filter=2.0, unit_id=KILOGRAM_PER_SECOND.unit_id),
    plc_total=PlcTotal(start=96_522.0),
    surroundings=Surroundings(mean=13.0, swing=5.0, detector_rise=11.0),
)  # fmt: skip

POTASH: dict[str, LoopSpec] = {spec.loop: spec for spec in (TB07, TB08, TB09)}
"""The loops of the terminal by id."""


def scenario_of(loop: str, seed: int) -> Scenario:
    """What the loop does in the demo: the same cell pattern, scaled to its range."""
    scale = {"TB-07": 1.0, "TB-08": 1.4, "TB-09": 1.15}[loop]
    return Swings(seed + sum(loop.encode()), scale=scale, varies_speed=loop == "TB-09")
