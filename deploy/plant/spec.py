"""What one loop of the invented plant is made of, stage by stage; a fault is a change to one of these parts.

Everything is in the canonical unit of its role (t/h, kg/m, m/s, 1/s, mA, degC, t, s). All numbers are invented but for the
half-lives and the physics (see `deploy.plant.model`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

YEAR_S = 365.25 * 86400.0
HALF_LIFE_Y = {137: 30.05, 60: 5.271, 241: 432.6}
"""Half-lives by mass number [years]: Cs-137, Co-60, Am-241, rounded from the decay data of LNHB (from memory)."""

FULL_SPAN = 27648.0
TARED = 1_768_176_000.0
"""Default time of the last tare [s since 1970 UTC]: 2026-01-12 00:00."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Belt:
    """Conveyor and drive. `thickness_sd` is the unevenness of the belt [kg/m2], `splice` that of its joint, `wander` the part
    of the load that lies outside the beam at the worst place of the belt.

    `trickle_rate` is product that comes without the feeder, more each hour [t/h per h].
    """

    speed: float = 1.9
    length: float = 240.0
    width: float = 1.0
    variable: bool = False
    nominal_frequency: float = 50.0
    running_override: bool | None = None
    feed_override: float | None = None
    feed_factor: float = 1.0
    slip: float = 0.0
    thickness_sd: float = 0.15
    splice: float = 0.6
    splice_length: float = 1.5
    build_up: float = 0.0
    wear: float = 0.0
    trickle_rate: float = 0.0
    wander: float = 0.0
    covered: float = 1.0
    """Part of the width under product, against the shape that the gauge was calibrated with."""
    product: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Source, shutter and detector as they really are. `empty_net` is the net rate on the empty belt at the last tare."""

    mass_number: int = 137
    empty_net: float = 5140.0
    tared_s: float = TARED
    background: float = 60.0
    attenuation: float = 0.0065
    product_gamma: float = 0.0
    dead_time: float = 0.0
    shutter: float = 1.0
    alive: bool = True
    frozen: bool = False
    noise_bursts: float = 0.0
    temperature_coefficient: float = 0.0
    temperature_step: float = 0.0
    daylight: float = 0.0
    """Counts that the sun at noon adds [1/s]."""
    neighbour: float = 0.0
    """Counts that a neighbouring source adds while its shutter is open [1/s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """The transmitter: what is set in it. `damping` acts on the count rate, before the logarithm.

    `decay_step_s` is the interval at which decay is brought up to date (0: all the time); an `auto_zero` takes a trickle for
    the empty belt every ten minutes.
    """

    mass_number: int = 137
    empty_net: float = 5140.0
    tared_s: float = TARED
    background: float = 60.0
    dead_time: float = 0.0
    compensates_decay: bool = True
    decay_step_s: float = 0.0
    auto_zero: bool = False
    decay_shift_s: float = 0.0
    load_per_attenuation: float = 1.0 / 0.0065
    damping: float = 10.0
    counts_filtered: bool = False
    fixed_speed: float | None = 1.9
    speed_factor: float = 1.0
    speed_lost: bool = False
    speed_held: bool = False
    flow_held: bool = False
    resolution: float = 0.1
    flow_limit: float = 999.9
    low_cutoff: float = 0.0
    range_low: float = 0.0
    range_high: float = 420.0
    output_damping: float = 0.0
    limit_low: float = 3.8
    limit_high: float = 20.5
    unit_id: int = 4534584
    calibrating: bool = False
    output_mode: float = 0.0
    fixed_current: float | None = None
    output_of_load: float = 0.0
    """Load at 20 mA [kg/m] where the current carries the load instead of the flow; 0: it carries the flow."""
    total_start: float = 84_213.0
    total_resolution: float = 0.1
    total_rollover: float = 1e6
    clock_offset_s: float = 0.0
    started_s: float = TARED
    shutter_indicator: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """Output stage and current loop. `series_gain` below 1 is current lost beside the load."""

    trim_gain: float = 1.0001
    trim_offset: float = 0.0005
    noise: float = 0.0012
    frozen: bool = False
    held: float | None = None
    gain: float = 1.0
    offset: float = 0.0
    ceiling: float = 24.0
    open: bool = False
    supply: float = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """Analogue input: `zero_current` and `full_current` are the currents of raw 0 and raw full span."""

    zero_current: float = 4.0
    full_current: float = 20.0
    gain: float = 0.9998
    full_raw: float = FULL_SPAN
    low_raw: float = -4864.0
    high_raw: float = 32511.0
    break_raw: float | None = None
    unsigned: bool = False
    foreign: bool = False
    """The wire of another loop is on the channel."""
    noise: float = 0.6
    monitor_offset: float = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """PLC scaling block. `factor` is a unit factor behind the range; `lag` [whole s] by which the PLC side is read later."""

    range_low: float = 0.0
    range_high: float = 420.0
    raw_low: float = 0.0
    raw_high: float = FULL_SPAN
    square_root: bool = False
    factor: float = 1.0
    low_cutoff: float = 0.0
    clamp_at_zero: bool = False
    clamp_high: float | None = None
    filter: float = 0.0
    average: int = 0
    """Length of a moving average [whole s]; 0: none."""
    again: tuple[float, float] | None = None
    """Offset and gain by which the shown value is scaled once more; the total adds up the value before."""
    late: int = 0
    """Whole seconds by which all that is read from the PLC lies behind, beside `lag`."""
    lag: int = 1
    forced: float | None = None
    force_bit: bool = False
    mode: float = 0.0
    unit_id: int = 4534584
    maintenance: bool = False
    heartbeat_shift: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlcTotal:
    """Totalizer in the PLC. `gate` counts only while the feeder runs; `single` adds 0.1 s steps in single precision."""

    start: float = 84_190.0
    resolution: float = 0.1
    rollover: float = 1e6
    factor: float = 1.0
    gate: bool = False
    single: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Communication: roles that stay on their last value, roles read with swapped words, gauge roles all zero.

    `joined`: every float read one register too far, so that halves of neighbours are joined; `neighbour`: the flow tag reads
    the value behind it in the map; `tenths`: the flow tag takes tenths for whole numbers.
    """

    stale: frozenset[str] = frozenset()
    swapped: frozenset[str] = frozenset()
    joined: bool = False
    neighbour: bool = False
    tenths: bool = False
    zeros: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Daily temperatures [degC]: mean, half swing, what the detector and the cabinet are warmer."""

    mean: float = 12.0
    swing: float = 6.0
    detector_rise: float = 14.0
    cabinet_rise: float = 9.0
    moisture: float = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSpec:
    """One loop, as it stands now. `roles` are those that the loop offers; `healthy()` models are specs without faults."""

    loop: str
    roles: tuple[str, ...]
    belt: Belt = field(default_factory=Belt)
    source: Source = field(default_factory=Source)
    gauge: Gauge = field(default_factory=Gauge)
    wire: Wire = field(default_factory=Wire)
    card: Card = field(default_factory=Card)
    block: Block = field(default_factory=Block)
    plc_total: PlcTotal = field(default_factory=PlcTotal)
    link: Link = field(default_factory=Link)
    surroundings: Surroundings = field(default_factory=Surroundings)

    def with_(self, part: str, **changes: Any) -> LoopSpec:
        """The same loop with some settings of one part changed."""
        changed: LoopSpec = replace(self, **{part: replace(getattr(self, part), **changes)})
        return changed

    @property
    def span(self) -> float:
        """Declared span of the gauge [t/h]."""
        return self.gauge.range_high - self.gauge.range_low
