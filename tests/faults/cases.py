"""Every cause of the catalogue as a case of the laboratory: how strong, how long, under which load, and what it looks like.

The sizes are small, moderate and large. Moderate means 2 to 5 % of span for what turns or shifts a line, and clearly beyond
its limit for the rest; small lies near the limit, so that silence is a fair answer to it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from checks.result import Link
from deploy.plant.spec import LoopSpec

Size = Callable[[LoopSpec, float], float]
SIZES = ("small", "moderate", "large")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One way in which a cause shows.

    `sizes` are three levels (one where the fault is on or off, none where the default of the plant's fault stands), which
    `size` turns into the severity of the plant's fault. `before_s` sound seconds come first, `after_s` are watched.
    `places` are the links at which it may rightly be shown. `with_roles` must be read before it can be named. `tonnes` is
    what the told tonnes are held against: the PLC flow less the gauge's ("flow"), less the true flow ("truth"), the total
    less the PLC flow ("total"), "" where nothing is told. `beside` are causes that may stand beside it as consequences.
    """

    cause: str
    fault: str = ""
    sizes: tuple[float, ...] = ()
    size: Size = lambda _spec, x: x
    places: tuple[Link, ...]
    before_s: int = 1500
    after_s: int = 2400
    scene: str = "swings"
    with_roles: frozenset[str] = frozenset({"flow", "plc_flow"})
    tonnes: str = ""
    beside: frozenset[str] = frozenset()
    slow: bool = False
    measured_speed: bool = False
    innocent: bool = False
    begins_later: bool = False
    """What is told begins when a limit is crossed, some time after the fault came."""
    act: str = ""
    """What people do behind the onset (`tests.faults.acts`)."""
    hard: str = ""
    """Why the data of some sites cannot tell it within the time that is watched; the matrix prints it beside what was missed."""
    shows: Callable[[LoopSpec], bool] = lambda _spec: True
    """Whether it shows at all on a site: beyond the limits in force there, and at loads that run. Else silence is right."""

    @property
    def plant_fault(self) -> str:
        """Id of the fault that the plant must know."""
        return self.fault or self.cause


C, L, D, G, W, A, B, T, N, S = (
    Link.COUNTS, Link.LOAD, Link.DRIVE, Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS,
    Link.COMMUNICATION, Link.SETUP,
)  # fmt: skip


def _high(spec: LoopSpec, x: float) -> float:
    """Upper range moved by x % of span."""
    return spec.gauge.range_low + spec.span * (1.0 + x / 100.0)


def _low(spec: LoopSpec, x: float) -> float:
    """Lower range moved by x % of span."""
    return spec.gauge.range_low + spec.span * x / 100.0


def _span(spec: LoopSpec, x: float) -> float:
    """x % of span [t/h]."""
    return spec.span * x / 100.0


def _leak(_: LoopSpec, x: float) -> float:
    """Leak across 250 ohm that takes x % of the current [ohm]."""
    return 250.0 * (100.0 / x - 1.0)


def _leak_in(_: LoopSpec, x: float) -> float:
    """Leak across a transmitter at 24 V that adds about x mA [ohm]."""
    return 24_000.0 / x


def _mix(spec: LoopSpec, _: float) -> float:
    """The other zero of the card [mA]."""
    return 0.0 if spec.card.zero_current > 2.0 else 4.0


RAW_HIGHS = (27_648.0, 32_767.0, 32_000.0, 30_000.0, 20_000.0, 65_535.0, 10_000.0, 4_095.0)


def _raw_span(spec: LoopSpec, x: float) -> float:
    """Raw span of another card, the x-th nearest to that of this one, over that of this one."""
    ratios = [high / spec.card.full_raw for high in RAW_HIGHS if abs(high / spec.card.full_raw - 1.0) > 0.005]
    return sorted(ratios, key=lambda ratio: abs(math.log(ratio)))[int(x)]


def _counts(spec: LoopSpec, x: float) -> float:
    """x % of the empty-belt rate [1/s]."""
    return spec.source.empty_net * x / 100.0


def _noise(spec: LoopSpec) -> float:
    """What counting leaves of the flow on the empty belt behind the damping, one standard deviation [t/h]."""
    gauge, source = spec.gauge, spec.source
    per_neper = 3.6 * gauge.load_per_attenuation * spec.belt.speed
    gross = source.empty_net + source.background
    return per_neper * math.sqrt(gross / (2.0 * gauge.damping)) / source.empty_net


def _clamp_books(spec: LoopSpec) -> bool:
    """Half of a normal noise has a mean of 0.4 of its deviation; that must be more than 0.25 % of span, where a link is doubted."""
    return 0.4 * _noise(spec) > 0.0025 * spec.span


def _too_noisy(spec: LoopSpec) -> bool:
    """The plant's gauge is left with a damping of 0.8 s; what counting then leaves must clearly pass 2 % of span, where it is told."""
    return _noise(spec) * math.sqrt(spec.gauge.damping / 0.8) > 1.15 * 0.02 * spec.span


def _falls_below_live_zero(spec: LoopSpec) -> bool:
    """Whether counts below zero are ever read: a card that has them, and a range that begins at the noise of the empty belt."""
    return spec.card.low_raw < 0.0 and spec.gauge.range_low > -2.0 * _noise(spec)


FLOWS = frozenset({"flow", "plc_flow"})
COUNTED = frozenset({"count_rate"})
EMPTY_SEEN = frozenset({"count_rate", "feed_running"})
"""A zero that is off by more than the limit of an empty belt hides it; then only the feeder tells that the belt is empty."""
SPEEDS = frozenset({"speed", "drive_speed"})
TOTAL = frozenset({"plc_flow", "plc_total"})
QUICK, SHORT, HOURLY = 420, 900, 4200
"""How long the quick ones are watched, and what no look sees in a quiet loop, which is judged once an hour [s]."""

CASES: tuple[Case, ...] = (
    # range, unit
    Case(cause="upper-range", sizes=(1.0, 5.0, 20.0), size=_high, places=(G,), tonnes="flow"),
    Case(cause="upper-range", fault="upper-range@plc", sizes=(-1.0, -5.0, -20.0), size=_high, places=(B,), tonnes="flow"),
    Case(cause="lower-range", sizes=(-1.0, -4.0, -20.0), size=_low, places=(G,), tonnes="flow"),
    Case(cause="lower-range", fault="lower-range@plc", sizes=(1.0, 4.0, 10.0), size=_low, places=(B,), tonnes="flow"),
    Case(cause="ton-unit", sizes=(0.98421, 1.10231, 0.90718), places=(B,), tonnes="flow"),
    Case(cause="time-base", sizes=(0.1, 3.6, 1 / 3.6), places=(B,), tonnes="flow"),
    Case(cause="over-range", sizes=(1.35, 1.6, 2.0), places=(G, W, A, B), tonnes="flow", begins_later=True),
    Case(cause="wrong-variable", places=(G,), with_roles=FLOWS | {"speed"}),
    Case(cause="digital-analogue-differ", places=(G,)),
    Case(cause="wet-dry-basis", places=(T,), with_roles=frozenset({"moisture"}), slow=True),
    Case(cause="double-scaling", places=(B,), tonnes="flow"),
    # current loop
    Case(cause="output-trim", sizes=(0.99, 0.96, 0.85), places=(G, W), tonnes="flow"),
    Case(cause="current-leak", sizes=(1.0, 4.0, 15.0), size=_leak, places=(W, A), tonnes="flow"),
    Case(cause="current-leak-in", sizes=(0.3, 1.0, 3.7), size=_leak_in, places=(W,), tonnes="flow"),
    Case(cause="current-offset", sizes=(0.12, 0.4, -0.8), places=(W, A), tonnes="flow"),
    Case(cause="compliance-ceiling", sizes=(14.5, 12.5, 9.0), places=(W,), tonnes="flow"),
    Case(cause="open-loop", sizes=(1.0,), places=(W, A), after_s=QUICK, with_roles=FLOWS | {"ai_raw"}, tonnes="flow"),
    Case(cause="burnout-value", sizes=(32_767.0,), places=(A,), after_s=QUICK, with_roles=FLOWS | {"ai_raw"}, tonnes="flow"),
    Case(cause="output-frozen", sizes=(1.0,), places=(G, W, A), after_s=SHORT, with_roles=FLOWS | {"ai_raw"}, tonnes="flow"),
    Case(cause="raw-overflow", places=(A,), with_roles=frozenset({"ai_raw", "plc_flow"}), shows=_falls_below_live_zero),
    # card, block
    Case(cause="live-zero-mix", sizes=(0.0,), size=_mix, places=(A, B), tonnes="flow"),
    Case(cause="raw-span", sizes=(0.0, 1.0, 2.0), size=_raw_span, places=(B,), tonnes="flow"),
    Case(cause="square-root", sizes=(1.0,), places=(B,), tonnes="flow"),
    Case(cause="zero-clamp", sizes=(1.0,), places=(B,), after_s=4500, shows=_clamp_books,
         hard="two minutes of empty belt with the flow below zero are needed: fewer passed"),
    Case(cause="low-cutoff", sizes=(3.0, 6.0, 12.0), size=_span, places=(B,), after_s=3600),
    Case(cause="extra-filter", sizes=(20.0, 30.0, 60.0), places=(B,), after_s=3600),
    Case(cause="averaging-differs", places=(B,), after_s=3600),
    Case(cause="wrong-channel", places=(W, A), after_s=4500),
    Case(cause="forced-value", sizes=(60.0,), size=_span, places=(B,), after_s=QUICK, tonnes="flow",
         with_roles=FLOWS | {"plc_forced"}),
    # tags, communication, people
    Case(cause="word-order", sizes=(1.0,), places=(N,), after_s=QUICK),
    Case(cause="register-offset", places=(N,)),
    Case(cause="wrong-type", places=(N,)),
    Case(cause="stale-tag", sizes=(1.0,), places=(N, B), after_s=SHORT, tonnes="flow"),
    Case(cause="gateway-zeros", sizes=(1.0,), places=(N,), after_s=QUICK,
         with_roles=frozenset({"count_rate", "detector_temperature", "gauge_total"})),
    Case(cause="clock-shift", places=(N,), with_roles=FLOWS, before_s=4800, after_s=4500,
         beside=frozenset({"total-discontinuity"})),
    Case(cause="controller-switch", places=(T, B), with_roles=TOTAL),
    Case(cause="mode-left-on", sizes=(8.0, 12.0, 20.0), places=(G, S), after_s=SHORT,
         with_roles=frozenset({"gauge_output_mode"}), tonnes="flow"),
    Case(cause="undocumented-change", places=(S, G, L), beside=frozenset({"upper-range", "background"})),
    # counts
    Case(cause="zero-counts", sizes=(1.0,), places=(C, L), after_s=QUICK, with_roles=COUNTED),
    Case(cause="shutter-closed", sizes=(0.0,), places=(C, L), after_s=QUICK, with_roles=COUNTED),
    Case(cause="shutter-contradiction", sizes=(1.0,), places=(C, L), after_s=QUICK, with_roles=COUNTED | {"shutter_closed"}),
    Case(cause="counts-frozen", sizes=(1.0,), places=(C, L), after_s=SHORT, with_roles=COUNTED),
    Case(cause="counts-noisy", sizes=(6.0, 18.0, 60.0), size=_counts, places=(C, L), after_s=HOURLY, with_roles=COUNTED),
    Case(cause="detector-temperature", sizes=(30.0, 40.0, 60.0), places=(C,), after_s=SHORT, begins_later=True,
         with_roles=frozenset({"detector_temperature"})),
    Case(cause="source-weak", places=(C, L), with_roles=COUNTED, after_s=3600, shows=_too_noisy),
    Case(cause="source-changed", places=(C, L), with_roles=COUNTED),
    Case(cause="shutter-part-open", sizes=(0.97, 0.9, 0.7), places=(C, L), with_roles=COUNTED),
    Case(cause="neighbour-source", places=(C, L), with_roles=COUNTED),
    Case(cause="light-leak", places=(C, L), with_roles=COUNTED, slow=True),
    Case(cause="dead-time", sizes=(2e-6, 8e-6, 2e-5), places=(C, L), with_roles=COUNTED),
    Case(cause="background", sizes=(0.5, 1.5, 5.0), size=_counts, places=(C, L), with_roles=COUNTED),
    Case(cause="product-gammas", places=(C, L), act="closed-counts",
         with_roles=COUNTED | {"product", "shutter_closed", "feed_running", "drive_running"}),
    # zero and decay
    Case(cause="detector-drift", sizes=(1.0, 3.0, 10.0), places=(C, L), with_roles=COUNTED, slow=True),
    Case(cause="decay-off", sizes=(1.0,), places=(C, L), with_roles=COUNTED, slow=True),
    Case(cause="decay-double", sizes=(0.2, 1.0, 4.0), places=(C, L), with_roles=COUNTED, slow=True),
    Case(cause="nuclide-or-clock", sizes=(0.2, 2.0, 20.0), places=(C, L), with_roles=COUNTED),
    Case(cause="decay-in-steps", places=(C, L), with_roles=COUNTED, slow=True, innocent=True),
    Case(cause="stale-tare", sizes=(0.4, 2.0, 6.0), places=(C, L), slow=True),
    Case(cause="build-up", sizes=(0.4, 2.0, 6.0), places=(C, L), slow=True),
    Case(cause="tare-loaded", places=(C, L)),
    Case(cause="tare-loaded", fault="tare-loaded", places=(C, L), with_roles=COUNTED | {"empty_belt_rate"}),
    Case(cause="shutter-part-open", fault="shutter-part-open", sizes=(0.97, 0.9, 0.7), places=(C, L), with_roles=EMPTY_SEEN, act="shutter-operated", before_s=3600),
    Case(cause="nuclide-or-clock", fault="nuclide-or-clock", sizes=(0.2, 2.0, 20.0), places=(C, L), with_roles=COUNTED),
    Case(cause="source-changed", fault="source-changed", places=(C, L), with_roles=EMPTY_SEEN),
    Case(cause="background", fault="background", sizes=(0.5, 1.5, 5.0), size=_counts, places=(C, L), with_roles=COUNTED,
         act="closed-counts"),
    Case(cause="build-up", fault="build-up", sizes=(0.4, 2.0, 6.0), places=(C, L), with_roles=EMPTY_SEEN),
    Case(cause="tare-standing", places=(C, L)),
    Case(cause="auto-zero-creep", places=(C, L), with_roles=frozenset({"flow", "empty_belt_rate"}), slow=True),
    Case(cause="wet-belt", places=(C, L)),
    Case(cause="belt-wander", places=(C, L), with_roles=COUNTED, after_s=7200,
         hard="the load itself swings by a fifth as much at ways that are no turn: two hours are too few turns for one false alarm a year"),
    # truth behind an agreeing chain
    Case(cause="calibration-factor", sizes=(0.99, 1.05, 1.2), places=(L,)),
    Case(cause="calibration-factor", fault="calibration-factor@product", sizes=(1.01, 1.04, 1.1), places=(L,), slow=True),
    Case(cause="load-shape", sizes=(0.9, 0.75, 0.5), places=(L,), slow=True),
    Case(cause="factor-twice", places=(L, B), beside=frozenset({"upper-range", "raw-span", "calibration-factor"})),
    # speed
    Case(cause="belt-slip", sizes=(2.0, 6.0, 20.0), places=(D,), with_roles=SPEEDS, measured_speed=True),
    Case(cause="fixed-speed", places=(D,), with_roles=SPEEDS, shows=lambda spec: spec.belt.variable),
    Case(cause="speed-held", sizes=(1.0,), places=(D,), after_s=QUICK, with_roles=frozenset({"speed", "drive_running"})),
    Case(cause="tach-lost", sizes=(1.0,), places=(D,), after_s=QUICK, with_roles=frozenset({"speed", "drive_running"})),
    Case(cause="tach-extra-pulses", sizes=(1.3, 2.0, 3.0), places=(D,), after_s=SHORT, with_roles=SPEEDS,
         measured_speed=True),
    Case(cause="hold-on-stop", places=(D,), scene="stops", with_roles=frozenset({"flow", "drive_running"})),
    # totals
    Case(cause="total-time-base", sizes=(-0.9, -2.0, -8.0), places=(T,), with_roles=TOTAL, after_s=4200, tonnes="total"),
    Case(cause="counted-twice", sizes=(2.0,), places=(T,), with_roles=TOTAL, tonnes="total"),
    Case(cause="total-precision", sizes=(32_768.0, 65_536.0, 131_072.0), places=(T,), with_roles=TOTAL, tonnes="total"),
    Case(cause="total-discontinuity", sizes=(0.0,), places=(T,), after_s=QUICK, with_roles=TOTAL),
    Case(cause="total-gating", sizes=(1.0,), places=(T,), with_roles=TOTAL, after_s=3600, tonnes="total"),
)  # fmt: skip


AT_THE_GAUGE = frozenset({C, L, D})
LOUD = frozenset({"over-range"})
"""What a flow that is far too high brings about in every chain: peaks beyond the range, rightly told."""
