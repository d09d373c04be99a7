"""Samples, windows and results for tests of the checks: the invented terminal, or columns written by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from checks.result import CheckResult, Link
from checks.samples import Samples
from checks.window import Window
from config.limits import Limits
from config.load import parse_site
from config.model import Drive, FlowRange, Gauge, Loop, Plc, RecordedTag, Site
from deploy.plant.model import Switch, simulate
from deploy.plant.scenario import Scenario
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at

BEGIN = 1_800_000_000
"""2027-01-15 08:00 UTC, a whole hour."""
PLC_URL = "opc.tcp://127.0.0.1:4840"
Floats = NDArray[np.float64]


@cache
def terminal() -> Site:
    """The terminal as its site file declares it."""
    specs = specs_at(fresh(BEGIN))
    return parse_site(site_text(specs, dict.fromkeys(specs, 1502), PLC_URL), "terminal.yaml").site


def run_of(
    loop: str = "TB-07",
    hours: float = 0.5,
    *,
    seed: int = 7,
    faults: Sequence[Switch | str] = (),
    scenario: Scenario | None = None,
) -> Samples:
    """Samples of a loop of the terminal at 1 s."""
    return simulate(specs_at(fresh(BEGIN))[loop], hours, BEGIN, seed, faults, scenario=scenario)


def changed(samples: Samples, **columns: Callable[[Floats], Any]) -> Samples:
    """The same samples with some columns changed; NaN becomes a bad reading."""
    values = dict(samples.values)
    for role, change in columns.items():
        values[role] = np.asarray(change(values[role].copy()), np.float64)
    quality = {role: np.where(np.isfinite(column), 0, 2).astype(np.uint8) for role, column in values.items()}
    return replace(samples, values=values, quality=quality)


def evaluations(samples: Samples, site: Site | None = None, chunks: Sequence[int] = ()) -> list[Evaluation]:
    """What an engine shows at each block of samples that arrive in pieces of these lengths (all at once where none are given)."""
    engine = LoopEngine(site or terminal(), samples.loop)
    out, first = [], 0
    for size in (*chunks, len(samples)):
        out += engine.push(samples[slice(first, first + size)], show=True)
        first += size
    assert engine.check_errors == {}
    return out


def window_of(samples: Samples, site: Site | None = None) -> Window:
    """The window at the end of these samples."""
    engine = LoopEngine(site or terminal(), samples.loop)
    engine.push(samples, evaluate=False)
    return engine.window(int(samples.time_s[-1]) + samples.step_s)


def windows_of(samples: Samples, site: Site, every_s: int) -> list[Window]:
    """The windows at every so many seconds of these samples."""
    engine = LoopEngine(site, samples.loop)
    engine.push(samples, evaluate=False)
    begin = int(samples.time_s[0])
    return [engine.window(end) for end in range(begin + every_s, int(samples.time_s[-1]) + 2, every_s)]


def one(results: Sequence[CheckResult], check: str, link: Link | None = None) -> CheckResult:
    """The only result of a check (at a link)."""
    found = [result for result in results if result.check == check and link in (None, result.link)]
    assert len(found) == 1, [(result.check, result.link) for result in results]
    return found[0]


def small_site(roles: Sequence[str], *, block: float = 10.0, limits: Limits | None = None, **gauge: Any) -> Site:
    """A site of one loop TB-07, 0 to 420 t/h, with these roles."""
    loop = Loop(
        gauge=Gauge(range=FlowRange(high=420.0), **{"background": 60.0, "empty_belt_rate": 5200.0, **gauge}),
        plc=Plc(range=FlowRange(high=420.0)), drive=Drive(speed_at_nominal=1.9),
        tags={role: RecordedTag() for role in roles}, limits=limits or Limits(),
    )  # fmt: skip
    return Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop}, "block": block})


def samples_by_hand(columns: Mapping[str, Any], *, step_s: int = 1, begin: int = BEGIN, times: Any = None) -> Samples:
    """Samples of TB-07 from columns; NaN is a bad reading."""
    values = {role: np.asarray(column, np.float64) for role, column in columns.items()}
    n = len(next(iter(values.values())))
    return Samples(
        loop="TB-07", step_s=step_s,
        time_s=np.asarray(begin + step_s * np.arange(n) if times is None else times, np.int64), values=values,
        quality={role: np.where(np.isfinite(column), 0, 2).astype(np.uint8) for role, column in values.items()},
        flags=np.zeros(n, np.uint8),
    )  # fmt: skip
