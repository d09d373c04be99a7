"""A small chain for tests of the checks: counts behind a filter, output, loop, card, scaling block, totals; and its blocks.

Own arithmetic, apart from the demo plant: first-order filters, Poisson counts by their normal limit, rounding of the card.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from checks.blocks import PAIRS, RUNS, STATES, TOTALS, Blocks
from checks.samples import Samples
from checks.window import LedgerEntry, Window
from config.model import Drive, FlowRange, Gauge, Loop, Plc, RecordedTag, Site, Totalizer

Floats = NDArray[np.float64]
START = 1_790_000_000 // 3600 * 3600
KV, EMPTY, BACKGROUND = 1052.0, 5140.0, 60.0
ALL_ROLES = (
    "flow", "speed", "count_rate", "detector_temperature", "gauge_total", "gauge_output", "ai_raw", "plc_flow", "plc_total",
    "drive_running",
)  # fmt: skip


def one_pole(values: Floats, tau: float) -> Floats:
    """First-order filter on 1 s values, started settled."""
    if tau <= 0.0:
        return values
    a = float(np.exp(-1.0 / tau))
    out, _ = lfilter([1.0 - a], [1.0, -a], values, zi=[a * values[0]])
    return np.asarray(out, np.float64)


def steady_load(rng: np.random.Generator, seconds: int, mean: float = 260.0, sd: float = 12.0, memory: float = 60.0) -> Floats:
    """A load that wanders about its mean."""
    a = np.exp(-1.0 / memory)
    noise = rng.standard_normal(seconds) * sd * np.sqrt(1.0 - a * a)
    out, _ = lfilter([1.0], [1.0, -a], noise, zi=[0.0])
    return np.asarray(np.maximum(mean + out, 0.0), np.float64)


def swinging_load(rng: np.random.Generator, seconds: int, low: float = 60.0, high: float = 320.0) -> Floats:
    """A load that swings between two flows, with three empty minutes in every twenty."""
    t = np.arange(seconds)
    load = 0.5 * (low + high) + 0.5 * (high - low) * np.sin(2.0 * np.pi * t / 420.0)
    load += steady_load(rng, seconds, 0.0 + 50.0, 5.0) - 50.0
    load[(t % 1200) > 1020] = 0.0
    return np.asarray(np.maximum(load, 0.0), np.float64)


@dataclass(kw_only=True)
class Chain:
    """What the chain does to the load; every field is a place where a fault can be put in."""

    load: Floats
    seed: int = 1
    roles: tuple[str, ...] = ALL_ROLES
    low: float = 0.0
    high: float = 420.0
    tau: float = 10.0
    lag_s: int = 2
    gauge_range: tuple[float, float] = (0.0, 420.0)
    plc_range: tuple[float, float] = (0.0, 420.0)
    plc_filter: float = 0.0
    declared_filter: float | None = None
    clamp_at_zero: bool = False
    low_cutoff: float = 0.0
    flow_of: Callable[[Floats], Floats] = lambda flow: flow
    current_of: Callable[[Floats], Floats] = lambda ma: ma
    raw_of: Callable[[Floats], Floats] = lambda raw: raw
    plc_of: Callable[[Floats], Floats] = lambda flow: flow
    fault_from: int = 0
    total_gain: float = 1.0
    settings: Mapping[str, float] = field(default_factory=dict)
    ledger: tuple[LedgerEntry, ...] = ()
    override: Mapping[str, Callable[[Floats], Floats]] = field(default_factory=dict)
    independent_current: bool = False

    def site(self) -> Site:
        """The site that declares the sound chain."""
        tags = {role: RecordedTag(independent=role == "loop_current" and self.independent_current) for role in self.roles}
        for role in self.settings:
            tags.setdefault(role, RecordedTag())
        loop = Loop(
            gauge=Gauge(
                range=FlowRange(low=self.low, high=self.high), empty_belt_rate=EMPTY + BACKGROUND, background=BACKGROUND,
                damping=self.tau, total=Totalizer(resolution=0.01),
            ),
            plc=Plc(
                range=FlowRange(low=self.low, high=self.high), total=Totalizer(resolution=0.1),
                filter=self.plc_filter if self.declared_filter is None else self.declared_filter,
                clamp_at_zero=self.clamp_at_zero, low_cutoff=self.low_cutoff,
            ),
            drive=Drive(speed_at_nominal=1.9),
            tags=tags,
        )  # fmt: skip
        return Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop}})

    def samples(self) -> Samples:
        """Run the chain at 1 s. Faults act from `fault_from` seconds on."""
        rng = np.random.default_rng(self.seed)
        n = len(self.load)
        rate = BACKGROUND + EMPTY * np.exp(-self.load / KV)
        counts = one_pole(rate + np.sqrt(rate) * rng.standard_normal(n), self.tau)
        flow = self._switch(self.flow_of, KV * np.log(EMPTY / (counts - BACKGROUND)))
        faulty = np.arange(n) >= self.fault_from
        low = np.where(faulty, self.gauge_range[0], self.low)
        high = np.where(faulty, self.gauge_range[1], self.high)
        output = np.clip(4.0 + 16.0 * (flow - low) / (high - low), 3.8, 20.5)
        late = np.concatenate([np.full(self.lag_s, output[0]), output[: n - self.lag_s]]) if self.lag_s else output
        current = self._switch(self.current_of, late)
        raw = np.round(self._switch(self.raw_of, 27648.0 * (current - 4.0) / 16.0))
        p_low = np.where(faulty, self.plc_range[0], self.low)
        p_high = np.where(faulty, self.plc_range[1], self.high)
        plc = self._switch(self.plc_of, one_pole(p_low + raw / 27648.0 * (p_high - p_low), self.plc_filter))
        if self.clamp_at_zero:
            plc = np.maximum(plc, 0.0)
        if self.low_cutoff > 0.0:
            plc = np.where(plc < self.low_cutoff, 0.0, plc)
        gain = np.where(faulty, self.total_gain, 1.0)
        values = {
            "flow": flow, "speed": np.full(n, 1.9), "count_rate": counts, "detector_temperature": np.full(n, 30.0),
            "gauge_total": np.floor(np.cumsum(flow) / 3600.0 / 0.01) * 0.01, "gauge_output": output, "loop_current": current,
            "ai_raw": raw, "plc_flow": plc, "plc_total": np.floor(np.cumsum(plc * gain) / 3600.0 / 0.1) * 0.1,
            "drive_running": np.ones(n), "drive_speed": np.full(n, 50.0),
        }  # fmt: skip
        for role in (*self.roles, *self.settings):
            values.setdefault(role, np.full(n, self.settings.get(role, 0.0)))
        for role, change in self.override.items():
            values[role] = self._switch(change, values[role])
        kept = {role: values[role] for role in (*self.roles, *self.settings)}
        quality = {role: np.where(np.isfinite(column), 0, 2).astype(np.uint8) for role, column in kept.items()}
        return Samples(
            loop="TB-07", time_s=START + np.arange(n, dtype=np.int64), values=kept, quality=quality,
            flags=np.zeros(n, np.uint8),
        )  # fmt: skip

    def window(self, end: int | None = None) -> Window:
        """The window at the end of the run (or after `end` seconds)."""
        site = self.site()
        samples = self.samples()[: end or len(self.load)]
        blocks = build(samples, site.loops["TB-07"], 10)
        seconds = int(samples.time_s[-1]) + 1
        return Window(
            site=site, loop_id="TB-07", loop=site.loops["TB-07"], end_s=seconds, blocks=blocks,
            minutes=build(samples, site.loops["TB-07"], 60), hours=build(samples, site.loops["TB-07"], 3600),
            samples=samples[-7200:], ledger=self.ledger, settings=dict(self.settings),
            setting_since=dict.fromkeys(self.settings, START),
        )  # fmt: skip

    def _switch(self, change: Callable[[Floats], Floats], values: Floats) -> Floats:
        if self.fault_from <= 0:
            return np.asarray(change(values), np.float64)
        out = values.copy()
        out[self.fault_from :] = change(values[self.fault_from :])
        return out


def build(samples: Samples, loop: Loop, length: int) -> Blocks:
    """Blocks of 1 s samples: the parts that the line checks and the diagnosis read."""
    n = len(samples) // length
    rows = n * length
    roles = tuple(role for role in samples.values if role not in ("drive_running",))
    cut = {role: samples.values[role][:rows].reshape(n, length) for role in roles}
    stack = np.stack([cut[role] for role in roles], axis=1)
    good = np.isfinite(stack)
    count = good.sum(axis=2).astype(float)
    safe = np.maximum(count, 1.0)
    mean = np.where(count > 0, np.where(good, stack, 0.0).sum(axis=2) / safe, np.nan)
    m2 = np.where(good, (stack - mean[:, :, None]) ** 2, 0.0).sum(axis=2)
    running = samples.column("drive_running")[:rows].reshape(n, length)
    running = np.where(np.isfinite(running), running, 1.0)
    flow = cut["flow"]
    speed = cut.get("speed", np.ones_like(flow))
    moving = (running > 0.0) if "drive_running" in samples.values else (speed > 0.0)
    limit = loop.limits.empty_below or 0.03 * loop.gauge.range.high
    state = np.zeros((n, len(STATES)))
    loaded = moving & (np.nan_to_num(flow, nan=0.0) > limit)
    state[:, STATES.index("loaded")] = loaded.sum(axis=1)
    state[:, STATES.index("empty")] = (moving & ~loaded).sum(axis=1)
    state[:, STATES.index("stopped")] = (~moving).sum(axis=1)
    stops = np.flatnonzero(~moving.reshape(-1))
    unsettled = np.zeros(rows)
    for stop in stops:
        unsettled[stop : stop + int(loop.settle) + 1] = 1.0
    state[:, STATES.index("unsettled")] = unsettled.reshape(n, length).sum(axis=1)
    for bit in ("maintenance", "calibrating"):
        if bit in samples.values:
            state[:, STATES.index(bit)] = (cut[bit] > 0.5).sum(axis=1)
    increments = np.full((n, 2), np.nan)
    for column, role in enumerate(TOTALS):
        if role in samples.values:
            ends = samples.values[role][length - 1 : rows : length]
            increments[:, column] = np.diff(np.concatenate([[samples.values[role][0]], ends]))
    plc = cut.get("plc_flow", np.full_like(flow, np.nan))
    pairs = tuple(pair for pair in PAIRS if pair[0] in roles and pair[1] in roles)
    nothing = np.zeros((n, len(pairs)))
    return Blocks(
        loop=samples.loop, length_s=length, step_s=1, start_s=samples.time_s[:rows:length], covered_s=np.full(n, float(length)),
        roles=roles, n=count, mean=mean, m2=m2, minimum=_least(stack, good), maximum=-_least(-stack, good),
        first=stack[:, :, 0], last=stack[:, :, -1], pairs=pairs, pair_n=nothing, pair_x=nothing, pair_y=nothing,
        pair_c=nothing, state_s=state, increment_t=increments, discontinuities=np.zeros((n, 2)),
        own_t=np.nansum(flow, axis=1) / 3600.0, plc_own_t=np.nansum(plc, axis=1) / 3600.0,
        measured_s=np.isfinite(flow).sum(axis=1).astype(float), plc_measured_s=np.isfinite(plc).sum(axis=1).astype(float),
        run_longest=np.zeros((n, len(RUNS))), run_head=np.zeros((n, len(RUNS))), run_tail=np.zeros((n, len(RUNS))),
    )  # fmt: skip


def _least(stack: Floats, good: NDArray[np.bool_]) -> Floats:
    out = np.where(good, stack, np.inf).min(axis=2)
    return np.where(np.isfinite(out), out, np.nan)
