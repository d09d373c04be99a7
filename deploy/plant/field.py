"""The field: belt, product, source, detector. Everything before the gauge computes anything.

Physics: counts n = b + N0 exp(-ln 2 t / T) s exp(-mu m) + g w m, observed n / (1 + n tau_d) in a non-paralysable detector
(Knoll, Radiation Detection and Measurement, ch. 4), drawn as a Poisson number a second.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from deploy.plant.scenario import Plan
from deploy.plant.spec import HALF_LIFE_Y, YEAR_S, Belt, LoopSpec
from deploy.plant.stages import Damping, Floats, Hold, Position

RAMP_S = 3.0
STILL = 0.02
TEXTURE_S, TEXTURE_SD = 20.0, 0.05
CHUTE_S = 6.0
DETECTOR_S = 15.0
NEIGHBOUR_S = 5400
"""A neighbouring source is open for half of so long [s]."""


def decay(mass_number: int, age_s: NDArray[np.floating]) -> Floats:
    """Part of the activity left after `age_s` [s]."""
    half_life = HALF_LIFE_Y[mass_number] * YEAR_S
    left: Floats = np.exp(-math.log(2.0) / half_life * age_s)
    return left


def daily(time_s: NDArray[np.int64], mean: float, swing: float, hottest_h: float) -> Floats:
    """Daily course of a temperature [degC], hottest at `hottest_h` UTC."""
    wave: Floats = mean + swing * np.cos(2.0 * np.pi * (time_s / 3600.0 - hottest_h) / 24.0)
    return wave


class FieldState:
    """Memory of belt and detector of one loop."""

    def __init__(self, rng: np.random.Generator) -> None:
        texture, poisson, bursts, thickness, temperature = rng.spawn(5)
        self._texture, self._poisson, self._bursts, self._temperature = texture, poisson, bursts, temperature
        self._texture_zi = np.zeros(1)
        self._speed, self._feed = Damping(), Damping()
        self._load, self._order = Hold(), Hold()
        self._way = Position()
        self._counts = Hold()
        self._detector = Damping()
        phases = thickness.uniform(0.0, 2.0 * np.pi, 4)
        self._profile = list(zip((1, 2, 3, 7), phases, strict=True))

    def advance(
        self, spec: LoopSpec, plan: Plan, time_s: NDArray[np.int64], trickle: Floats | None = None
    ) -> dict[str, Floats]:
        """Belt speed, load, counts and temperatures of these seconds, and what the drive says."""
        belt, n = spec.belt, len(time_s)
        running = plan.running if belt.running_override is None else np.full(n, float(belt.running_override))
        feed = plan.feed if belt.feed_override is None else np.full(n, belt.feed_override)
        feed = feed * belt.feed_factor
        part = plan.speed_part if belt.variable else np.ones(n)
        drive = self._speed(running * part * belt.speed, RAMP_S)
        drive = np.where(drive < STILL, 0.0, drive)
        speed = drive * (1.0 - belt.slip)
        ordered = running > 0.0
        load = self._load_at_gauge(self._order.where(feed, ordered), belt.speed * part * (1.0 - belt.slip), ordered)
        if trickle is not None:
            load = load + trickle / (3.6 * belt.speed)
        temperature = self._temperature_of(spec, time_s)
        counts = self._counts_of(spec, time_s, load, speed, temperature)
        frequency = np.round(drive / belt.speed * belt.nominal_frequency, 2)
        return {
            "true_speed": speed,
            "true_load": load,
            "raw_counts": counts,
            "drive_running": ordered.astype(np.float64),
            "feed_running": ((feed > 0.0) & ordered).astype(np.float64),
            "drive_speed": frequency,
            "product": plan.product if belt.product is None else np.full(n, belt.product),
            "detector_temperature": np.round(temperature, 1),
        }

    def _load_at_gauge(self, feed: Floats, speed: Floats, running: NDArray[np.bool_]) -> Floats:
        """Load at the gauge [kg/m]; a belt that runs down or stands keeps what lies on it."""
        keep = math.exp(-1.0 / TEXTURE_S)
        white = self._texture.standard_normal(len(feed)) * math.sqrt(1.0 - keep * keep)
        rough, self._texture_zi = lfilter([1.0], [1.0, -keep], white, zi=self._texture_zi)
        level = self._feed(feed, CHUTE_S)
        level = np.where(level < 0.5, 0.0, level)
        load = np.maximum(level * (1.0 + TEXTURE_SD * rough), 0.0) / (3.6 * speed)
        return self._load.where(load, running)

    def _temperature_of(self, spec: LoopSpec, time_s: NDArray[np.int64]) -> Floats:
        air = spec.surroundings
        inside = daily(time_s, air.mean + air.detector_rise, air.swing * 0.7, 15.0) + spec.source.temperature_step
        return self._detector(inside, DETECTOR_S) + 0.05 * self._temperature.standard_normal(len(time_s))

    def _counts_of(self, spec: LoopSpec, time_s: NDArray[np.int64], load: Floats, speed: Floats, temperature: Floats) -> Floats:
        belt, source, air = spec.belt, spec.source, spec.surroundings
        gain = 1.0 + source.temperature_coefficient * (temperature - air.mean - air.detector_rise)
        way = self._way(speed)
        if belt.wander:
            load = load * (1.0 - 0.5 * belt.wander * (1.0 + np.cos(2.0 * np.pi * way / belt.length)))
        bare = belt.build_up - belt.wear + self._unevenness(belt, way)
        per_area = load / belt.width + bare
        net = source.empty_net * decay(source.mass_number, time_s - source.tared_s) * source.shutter * gain
        expected = source.background + net * np.exp(-source.attenuation * per_area) + source.product_gamma * load
        if belt.covered < 1.0:
            heap = np.exp(-source.attenuation * load / (belt.width * belt.covered))
            through = np.exp(-source.attenuation * bare) * (1.0 - belt.covered + belt.covered * heap)
            expected = source.background + net * through + source.product_gamma * load
        if source.daylight:
            expected = expected + source.daylight * np.maximum(np.cos(2.0 * np.pi * (time_s / 3600.0 - 12.0) / 24.0), 0.0)
        if source.neighbour:
            expected = expected + source.neighbour * (time_s % NEIGHBOUR_S >= NEIGHBOUR_S // 2)
        expected = expected / (1.0 + expected * source.dead_time)
        counts = self._poisson.poisson(expected).astype(np.float64)
        burst = self._bursts.standard_normal(len(time_s))
        if source.noise_bursts:
            counts += np.round(np.where(burst > 0.8, source.noise_bursts * (burst - 0.8), 0.0))
        if not source.alive:
            counts[:] = 0.0
        return self._counts(counts, source.frozen)

    def _unevenness(self, belt: Belt, way: Floats) -> Floats:
        place = way % belt.length
        turn = 2.0 * np.pi * place / belt.length
        wave = sum((np.cos(k * turn + phase) for k, phase in self._profile), np.zeros(len(way)))
        out: Floats = belt.thickness_sd / math.sqrt(2.0) * wave + np.where(place < belt.splice_length, belt.splice, 0.0)
        return out
