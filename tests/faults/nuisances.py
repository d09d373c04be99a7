"""What honest plants do: nothing here may be called a fault.

Each nuisance is a run of a sound plant with something ordinary happening to it, over and over. A finding that names a cause or
says "differs" (verdict fault) is false; a doubt (suspect) is not counted, for it alerts nobody to a fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.result import Verdict
from checks.samples import BAD, Samples
from config.roles import ROLES, Side
from deploy.plant.field import decay
from tests.faults.draws import BEGIN, draw
from tests.faults.grade import in_words
from tests.faults.run import Bench, bench

DAY_S = 86400
HOUR_S = 3600
SPRING_FORWARD = 1_806_192_000
"""2027-03-28 00:00 UTC, the day on which clocks in central Europe go forward at 01:00 UTC."""

Play = Callable[[Bench, int], None]
"""Lets so many seconds pass on a bench, with the nuisance."""


@dataclass(frozen=True, slots=True)
class Nuisance:
    """A scene, what happens in it, and when the run begins. `away`: a device really is away, and saying so is right."""

    scene: str
    play: Play
    away: bool = False
    begin: int = BEGIN
    zone: str = "UTC"
    read: tuple[str, ...] = ()
    """Bits without which nobody can know that this is honest work; a draw that lacks one gets it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What was told in an honest run; `doubts` are suspects, which are not counted."""

    name: str
    draw: int
    read: str
    hours: float
    told: tuple[str, ...]
    worked_s: float
    doubts: tuple[str, ...] = ()

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return asdict(self)


HONEST_CHUNK_S = 6 * 3600
"""An honest day is judged in such pieces, as a replay does [s]."""


def run_nuisance(name: str, number: int, day: int = 0, seconds: int = DAY_S) -> Quiet:
    """An honest run of one drawn site; the seed goes with the day."""
    nuisance, base = NUISANCES[name], draw(number)
    spec = replace(base.spec, roles=tuple(dict.fromkeys((*base.spec.roles, *nuisance.read))))
    chosen = replace(base, seed=base.seed + 7919 * day, spec=spec)
    rig = bench(chosen, nuisance.scene, nuisance.begin + day * DAY_S)
    if nuisance.zone != "UTC":
        site = rig.engine.site.model_copy(update={"time_zone": nuisance.zone})
        rig.engine, rig.tracker = LoopEngine(site, chosen.spec.loop), EpisodeTracker(site, chosen.spec.loop)
    rig.chunk_s = HONEST_CHUNK_S
    nuisance.play(rig, seconds)
    begin = nuisance.begin + day * DAY_S
    findings = [item for item in rig.tracker.findings() if not (nuisance.away and item.title.endswith("is not read"))]
    words = [(item.verdict, f"{in_words(item)} at {(item.begin - begin) / HOUR_S:.2f} h") for item in findings]
    return Quiet(
        name=name, draw=number, read=chosen.read, hours=seconds / HOUR_S, worked_s=rig.worked_s,
        told=tuple(told for verdict, told in words if verdict is Verdict.FAULT),
        doubts=tuple(told for verdict, told in words if verdict is not Verdict.FAULT),
    )  # fmt: skip


def _plain(rig: Bench, seconds: int) -> None:
    rig.advance(seconds)


def _every(period_s: int, act: Callable[[Bench], None], rig: Bench, seconds: int) -> None:
    """Half a period, the act, and so on until the time is over."""
    end = rig.faulty.model.time_s + seconds
    rig.advance(min(period_s // 2, seconds))
    while rig.faulty.model.time_s < end:
        act(rig)
        rig.advance(min(period_s, end - rig.faulty.model.time_s))


def _for(rig: Bench, fault: str, seconds: int, severity: float | None = None) -> None:
    rig.faulty.set(fault, True, severity)
    rig.advance(seconds)
    rig.faulty.set(fault, False)


def _product(rig: Bench) -> None:
    _for(rig, "product-change", 1800)


def _tare(rig: Bench) -> None:
    """An honest tare on the empty belt: the gauge says so, and takes what it counts for the empty belt."""
    model = rig.faulty.model
    spec = model.spec
    model.spec = spec.with_("gauge", calibrating=True).with_("belt", feed_override=0.0)
    rig.advance(300)
    now = float(model.time_s)
    left = float(decay(spec.source.mass_number, np.array([now - spec.source.tared_s]))[0])
    net = spec.source.empty_net * left
    model.spec = spec.with_("gauge", empty_net=net, tared_s=now)


def _calibration(rig: Bench) -> None:
    """A span run: the gauge says so, currents are simulated, then the belt runs empty for a while."""
    model, sound = rig.faulty.model, rig.faulty.model.spec
    for current in (4.0, 12.0, 20.0):
        model.spec = sound.with_("gauge", calibrating=True, fixed_current=current, output_mode=1.0)
        rig.advance(120)
    model.spec = sound


def _bypass(rig: Bench) -> None:
    """The loop is bypassed while somebody forces the PLC flow and injects currents."""
    model, sound = rig.faulty.model, rig.faulty.model.spec
    held = sound.with_("block", maintenance=True)
    for changed in (held, held.with_("block", forced=0.3 * sound.span, force_bit=True), held.with_("wire", held=8.0), held):
        model.spec = changed
        rig.advance(240)
    model.spec = sound


def _rollover(rig: Bench, seconds: int) -> None:
    """Both totals roll over within the first hour."""
    model = rig.faulty.model
    model.gauge.total.reset(model.spec.gauge.total_rollover - 30.0)
    model.far_end.total.reset(model.spec.plc_total.rollover - 45.0)
    rig.advance(seconds)


def _plc_restart(rig: Bench) -> None:
    """The PLC is away for a minute and comes back with its total."""
    rig.advance(60, partial(_bad, Side.PLC))


def _gauge_restart(rig: Bench) -> None:
    """The gauge is away for half a minute and comes back with its total."""
    rig.advance(30, partial(_bad, Side.GAUGE))
    model = rig.faulty.model
    model.spec = model.spec.with_("gauge", started_s=float(model.time_s))


def _bad(side: Side, samples: Samples) -> Samples:
    roles = [role for role in samples.values if ROLES[role].side is side]
    return replace(
        samples,
        values=dict(samples.values) | {role: np.full(len(samples), np.nan) for role in roles},
        quality=dict(samples.quality) | {role: np.full(len(samples), BAD, np.uint8) for role in roles},
    )


def _blips(rig: Bench, seconds: int) -> None:
    """Now and then some readings are bad, and some rows are not there at all."""
    rng = np.random.default_rng([rig.draw.seed, rig.draw.number])
    rig.advance(seconds, partial(_torn, rng))


def _torn(rng: np.random.Generator, samples: Samples) -> Samples:
    n = len(samples)
    values, quality = dict(samples.values), dict(samples.quality)
    side = (Side.GAUGE, Side.PLC, Side.DRIVE)[int(rng.integers(3))]
    roles = [role for role in values if ROLES[role].side is side] if rng.random() < 0.4 else []
    if rng.random() < 0.2:
        roles.append(str(rng.choice(sorted(values))))
    first = int(rng.integers(n))
    hit = slice(first, first + int(rng.integers(1, 12)))
    for role in roles:
        values[role], quality[role] = values[role].copy(), quality[role].copy()
        values[role][hit], quality[role][hit] = np.nan, BAD
    torn = replace(samples, values=values, quality=quality)
    if rng.random() < 0.7:
        return torn
    keep = np.ones(n, np.bool_)
    first = int(rng.integers(n))
    keep[first : first + int(rng.integers(2, 90))] = False
    return replace(
        torn, time_s=torn.time_s[keep], flags=torn.flags[keep],
        values={role: column[keep] for role, column in values.items()},
        quality={role: column[keep] for role, column in quality.items()},
    )  # fmt: skip


def _radiography(rig: Bench) -> None:
    """Radiography nearby: for a quarter of an hour the background is higher, by what stays below the limit of the zero."""
    model, sound = rig.faulty.model, rig.faulty.model.spec
    model.spec = sound.with_("source", background=sound.source.background + 0.002 * sound.source.empty_net)
    rig.advance(900)
    model.spec = sound


NUISANCES: dict[str, Nuisance] = {
    "nothing": Nuisance("swings", _plain),
    "shifts": Nuisance("shifts", _plain),
    "steady": Nuisance("steady", _plain),
    "belt-stops": Nuisance("stops", _plain),
    "near-limit": Nuisance("near-limit", _plain),
    "product-change": Nuisance("swings", partial(_every, 2 * HOUR_S, _product)),
    "tare": Nuisance("swings", partial(_every, 6 * HOUR_S, _tare), read=("calibrating", "empty_belt_rate")),
    "calibration": Nuisance("swings", partial(_every, 3 * HOUR_S, _calibration), read=("calibrating",)),
    "bypass": Nuisance("swings", partial(_every, 3 * HOUR_S, _bypass), read=("maintenance",)),
    "rollover": Nuisance("swings", _rollover),
    "plc-restart": Nuisance("swings", partial(_every, 2 * HOUR_S, _plc_restart), away=True),
    "gauge-restart": Nuisance("swings", partial(_every, 2 * HOUR_S, _gauge_restart), away=True),
    "comms-blips": Nuisance("swings", _blips),
    "daylight-saving": Nuisance("swings", _plain, begin=SPRING_FORWARD, zone="Europe/Berlin"),
    "radiography": Nuisance("swings", partial(_every, 4 * HOUR_S, _radiography)),
}
"""What happens, by name."""
