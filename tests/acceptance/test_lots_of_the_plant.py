"""What really passed on the invented plant, weighed as lots, against what its gauge booked: the truth behind an agreeing chain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.engine import LoopEngine
from checks.finding import Finding
from checks.references import MaterialTest
from checks.result import Link, Verdict
from checks.samples import Samples
from checks.truth import check
from checks.window import Window
from config.model import Site
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from deploy.plant.site import scenario_of
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, terminal

HOURS, LOT_S, SEED = 4, 2400, 11


def site_with(factor: float) -> Site:
    """The site as it would be declared by whoever entered the wrong factor: gauge and file agree."""
    site = terminal()
    loop = site.loops["TB-07"]
    known = loop.gauge.load_per_attenuation
    assert known is not None
    gauge = loop.gauge.model_copy(update={"load_per_attenuation": known * factor, "speed_sensor_at": "tail"})
    return site.model_copy(update={"loops": {**site.loops, "TB-07": loop.model_copy(update={"gauge": gauge})}})


def weighed(factor: float) -> Window:
    """Four hours of the plant with a wrong calibration factor, and six lots of forty minutes weighed to 0.2 % (k = 2)."""
    faulty = Faulty(LoopModel(specs_at(fresh(BEGIN))["TB-07"], SEED, scenario=scenario_of("TB-07", SEED), start=BEGIN))
    if factor != 1.0:
        faulty.set("calibration-factor", True, factor)
    values = faulty.model.advance(HOURS * 3600)
    real = faulty.model.truth["flow"]
    engine = LoopEngine(site_with(factor), "TB-07")
    n = HOURS * 3600
    engine.push(
        Samples(
            loop="TB-07", time_s=np.arange(BEGIN, BEGIN + n, dtype=np.int64), values=values,
            quality={role: np.zeros(n, np.uint8) for role in values}, flags=np.zeros(n, np.uint8),
        ),
        evaluate=False,
    )  # fmt: skip
    rng = np.random.default_rng(SEED)
    lots = []
    for first in range(0, n, LOT_S):
        tonnes = float(real[first : first + LOT_S].sum()) / 3600.0
        lots.append(
            MaterialTest(
                begin_s=BEGIN + first, end_s=BEGIN + first + LOT_S, reference_t=tonnes * (1.0 + 0.001 * rng.standard_normal()),
                reference_u_t=0.002 * tonnes, moisture=1.0, source=f"lot {first // LOT_S}",
            )
        )  # fmt: skip
    return replace(engine.window(BEGIN + n), references=tuple(lots))


def told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for entry in CHECKS for result in entry.check(window)])


def test_sound_plant_is_proven_by_its_lots() -> None:
    window = weighed(1.0)
    (result,) = check(window)
    assert result.verdict is Verdict.OK, result.reason
    assert result.used == 6
    assert told(window) == ()


@pytest.mark.parametrize("factor", [0.97, 1.05])
def test_wrong_factor_that_no_link_shows_is_found_by_lots_and_the_right_one_is_given(factor: float) -> None:
    """The plant is right with its own load per attenuation; the site file and the gauge carry `factor` times that."""
    window = weighed(factor)
    (finding,) = told(window)
    assert finding.link is Link.LOAD
    assert finding.cause in ("calibration-factor", "unknown")
    (result,) = check(window)
    assert result.value("mean") == pytest.approx(100.0 * (factor - 1.0), abs=0.4)
    assert finding.tonnes is not None
    real = sum(lot.reference_t for lot in window.references if isinstance(lot, MaterialTest))
    assert finding.tonnes == pytest.approx((factor - 1.0) * real, rel=0.15)
    true = site_with(1.0).loops["TB-07"].gauge.load_per_attenuation
    assert true is not None
    if finding.correction is not None:
        assert finding.correction.enter == pytest.approx(true, rel=0.004)
