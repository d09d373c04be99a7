"""Sites drawn by chance: ranges, speeds, nuclides, count rates, noise, damping, lags, cards, units, and which tags are there.

Each draw is a plant and the site file that a commissioning engineer would have written for it. All numbers are invented;
the spread is that of belts which such gauges sit on (own estimate, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from config.load import parse_site
from config.model import Site
from config.roles import ROLES
from deploy.plant.site_file import site_text
from deploy.plant.spec import Belt, Block, Card, Gauge, LoopSpec, PlcTotal, Source, Surroundings, Wire
from deploy.plant.units import KILOGRAM_PER_SECOND, SHORT_TON_PER_HOUR, TONNE_PER_HOUR

BEGIN = 1_800_000_000
"""2027-01-15 08:00 UTC, a whole hour."""
PLC_URL = "opc.tcp://127.0.0.1:4840"

READ_BACK = frozenset(
    {"gauge_range_low", "gauge_range_high", "plc_range_low", "plc_range_high", "plc_unit", "gauge_unit"}
    | {"nuclide_code", "background_rate"}
)
"""Settings that tell a wrong range or unit at once; without them only the flow tells."""
RARE = frozenset({"moisture", "loop_supply_voltage", "gauge_output", "cabinet_temperature"})
NOT_USUAL = READ_BACK | RARE | {"loop_current", "plc_forced", "plc_block_mode", "gauge_output_mode", "ambient_temperature"}
POOR = frozenset({"flow", "plc_flow", "count_rate", "speed", "gauge_total", "plc_total", "drive_running", "empty_belt_rate"})

EVERY = tuple(role for role in ROLES if role != "moisture")
ROLE_SETS: dict[str, tuple[str, ...]] = {
    "full": EVERY,
    "blind": tuple(role for role in EVERY if role not in READ_BACK),
    "usual": tuple(role for role in EVERY if role not in NOT_USUAL),
    "poor": tuple(role for role in EVERY if role in POOR),
}
"""What is read: everything; nothing read back; what most sites have; the least that is worth a chain."""

RAW_SPANS = ((0.0, 27648.0), (0.0, 32767.0), (0.0, 32000.0), (6400.0, 32000.0), (0.0, 65535.0), (0.0, 4095.0))
"""Raw counts of an input card at 4 and at 20 mA (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One plant with its site file. `read` names the set of roles that is read."""

    number: int
    seed: int
    read: str
    spec: LoopSpec

    @property
    def site(self) -> Site:
        """The site as its file declares it."""
        return _site(self.spec)

    @property
    def words(self) -> str:
        """The draw in one line, for tables and messages."""
        spec, gauge = self.spec, self.spec.gauge
        return (
            f"draw {self.number} (seed {self.seed}): {gauge.range_low:g} to {gauge.range_high:g} t/h, "
            f"{'measured' if gauge.fixed_speed is None else 'fixed'} {spec.belt.speed:g} m/s, nuclide {gauge.mass_number}, "
            f"{gauge.empty_net:.0f} 1/s, damping {gauge.damping:g} s, lag {spec.block.lag} s, filter {spec.block.filter:g} s, "
            f"raw {spec.block.raw_low:g} to {spec.block.raw_high:g}, tags: {self.read}"
        )


def draw(number: int, seed: int = 20_270) -> Draw:
    """The draw of this number; the first is the reference loop of the terminal with every tag."""
    if number == 0:
        return Draw(0, seed, "full", _reference())
    rng = np.random.default_rng([seed, number])
    read = ("full", "blind", "usual", "poor")[number % 4]
    high = float(rng.choice([200.0, 300.0, 400.0, 500.0, 650.0, 800.0, 1000.0]))
    low = float(rng.choice([0.0, 0.0, 0.0, -0.1 * high]))
    area, mu = float(rng.uniform(38.0, 65.0)), float(rng.uniform(0.0052, 0.0082))
    width = float(rng.choice([0.65, 0.8, 1.0, 1.2, 1.4]))
    speed = round(float(np.clip(high / (3.6 * width * area), 0.8, 4.0)), 2)
    width = round(high / (3.6 * speed * area), 3)
    variable = bool(rng.random() < 0.35)
    measured = variable or bool(rng.random() < 0.5)
    nuclide = int(rng.choice([137, 137, 60]))
    net = round(float(np.exp(rng.uniform(np.log(3500.0), np.log(18_000.0)))), 0)
    background = round(float(rng.uniform(20.0, 90.0)), 0)
    damping = float(rng.choice([5.0, 8.0, 10.0, 15.0, 20.0]))
    tared = float(BEGIN // 86400 * 86400 - int(rng.integers(60, 700)) * 86400)
    raw_low, raw_high = RAW_SPANS[int(rng.integers(len(RAW_SPANS)))]
    zero = 4.0 - 16.0 * raw_low / (raw_high - raw_low)
    unit = rng.choice(np.array([TONNE_PER_HOUR, TONNE_PER_HOUR, SHORT_TON_PER_HOUR, KILOGRAM_PER_SECOND], dtype=object))
    top = 65_535.0 if raw_high > 32_767.0 else 4_095.0 * 1.03 if raw_high < 5_000.0 else min(1.18 * raw_high, 32_767.0)
    start = float(rng.integers(140_000, 400_000))
    spec = LoopSpec(
        loop="TB-07",
        roles=ROLE_SETS[read],
        belt=Belt(speed=speed, length=round(float(rng.uniform(90.0, 420.0)), 0), width=width, variable=variable,
                  thickness_sd=float(rng.uniform(0.05, 0.25))),
        source=Source(mass_number=nuclide, empty_net=net, background=background, attenuation=mu, tared_s=tared),
        gauge=Gauge(
            mass_number=nuclide, empty_net=net, background=background, load_per_attenuation=width / mu, tared_s=tared,
            started_s=tared, fixed_speed=None if measured else speed, range_low=low, range_high=high, damping=damping,
            counts_filtered=bool(rng.random() < 0.4), resolution=float(rng.choice([0.01, 0.1, 0.1])),
            flow_limit=2.5 * high, total_start=start, total_resolution=float(rng.choice([0.1, 0.1, 1.0])),
        ),
        wire=Wire(trim_gain=1.0 + 3e-4 * rng.normal(), trim_offset=8e-4 * rng.normal(), noise=float(rng.uniform(3e-4, 3e-3))),
        card=Card(zero_current=zero, full_current=20.0, full_raw=raw_high, gain=1.0 + 3e-4 * rng.normal(),
                  low_raw=0.0 if raw_high > 32_767.0 or raw_low > 0.0 else -0.18 * raw_high, high_raw=top,
                  noise=2e-5 * raw_high),
        block=Block(range_low=low, range_high=high, raw_low=raw_low, raw_high=raw_high, lag=int(rng.integers(0, 4)),
                    filter=float(rng.choice([0.0, 0.0, 2.0, 5.0])), unit_id=unit.unit_id),
        plc_total=PlcTotal(start=start - 17.0, resolution=float(rng.choice([0.1, 0.1, 1.0]))),
        surroundings=Surroundings(mean=float(rng.uniform(5.0, 25.0)), swing=float(rng.uniform(3.0, 8.0)),
                                  detector_rise=float(rng.uniform(5.0, 14.0))),
    )  # fmt: skip
    return Draw(number, seed, read, spec)


def reading(chosen: Draw, read: str) -> Draw:
    """The same plant with another set of tags."""
    return replace(chosen, read=read, spec=replace(chosen.spec, roles=ROLE_SETS[read]))


def _reference() -> LoopSpec:
    tared = float(BEGIN // 86400 * 86400 - 365 * 86400)
    return LoopSpec(
        loop="TB-07", roles=EVERY, source=Source(tared_s=tared), gauge=Gauge(tared_s=tared, started_s=tared)
    )  # fmt: skip


@lru_cache(maxsize=64)
def _site(spec: LoopSpec) -> Site:
    return parse_site(site_text({spec.loop: spec}, {spec.loop: 1502}, PLC_URL), "drawn.yaml").site
