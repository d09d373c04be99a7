"""A deadband is a rectangular distribution: JCGM 100:2008, 4.3.7 (half width a: a/sqrt(3)); it enters U and a repeat says nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from checks import kept, totals
from checks.result import Link, Verdict
from config.model import RecordedTag, Site
from tests.checks.runs_of_terminal import BEGIN, one, samples_by_hand, small_site, window_of

ROLES = ("flow", "plc_flow", "gauge_total", "speed", "drive_speed", "loop_current")


def site_with(**tags: RecordedTag) -> Site:
    """The small site with these tags as the recorder kept them."""
    site = small_site(ROLES)
    loop = site.loops["TB-07"]
    return site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"tags": {**loop.tags, **tags}})}})


@pytest.mark.parametrize(
    ("tag", "width"),
    [
        (RecordedTag(), 0.0), (RecordedTag(stored="step"), 0.0), (RecordedTag(deadband=3.0), 0.0),
        (RecordedTag(stored="step", deadband=3.0), 3.0), (RecordedTag(stored="line", deadband=3.0, scale=-2.0), 6.0),
        (RecordedTag(stored="step", deadband=0.5, measured_in="kg/s"), 1.8),
    ],
)  # fmt: skip
def test_deadband_is_in_the_unit_of_the_role_and_its_standard_uncertainty_that_of_a_rectangle(
    tag: RecordedTag, width: float
) -> None:
    loop = site_with(flow=tag).loops["TB-07"]
    assert kept.deadband(loop, "flow") == pytest.approx(width)
    assert kept.standard(loop, "flow") == pytest.approx(width / math.sqrt(3.0))
    drawn = np.random.default_rng(4).uniform(-width, width, 200_000)
    assert kept.standard(loop, "flow") == pytest.approx(float(drawn.std()), rel=0.01, abs=1e-12)


def test_deadband_of_a_temperature_is_a_difference() -> None:
    site = small_site(("flow", "detector_temperature"))
    loop = site.loops["TB-07"]
    tag = RecordedTag(stored="step", deadband=1.8, measured_in="degF")
    loop = loop.model_copy(update={"tags": {**loop.tags, "detector_temperature": tag}})
    assert kept.deadband(loop, "detector_temperature") == pytest.approx(1.0)


def run(n: int = 1800) -> dict[str, np.ndarray]:
    """Half an hour of a moving flow at both ends, with a total that adds it up; seed 2."""
    flow = 210.0 + 120.0 * np.sin(np.arange(n) / 90.0) + np.random.default_rng(2).normal(0.0, 1.0, n)
    return {
        "flow": flow, "plc_flow": flow.copy(), "gauge_total": np.cumsum(flow) / 3600.0, "speed": np.full(n, 1.9),
        "drive_speed": np.full(n, 50.0), "loop_current": 4.0 + 16.0 * flow / 420.0,
    }  # fmt: skip


def uncertainty(site: Site, check: str, link: Link, fact: str) -> float:
    from checks import catalogue

    window = window_of(samples_by_hand(run()), site)
    entry = next(item for item in catalogue.CHECKS if item.name == check)
    found = [result for result in entry.check(window) if result.link is link and fact in result.facts]
    return found[0].facts[fact]


def test_deadband_widens_u_of_line_total_and_speed_by_what_it_can_have_hidden() -> None:
    """U (k = 2): the line by d/sqrt(3) of span, the total by d/sqrt(3) over the hours, the speed by its own part."""
    step, half = RecordedTag(stored="step", deadband=1.5), 1.5 / math.sqrt(3.0)
    wide, narrow = site_with(plc_flow=step), site_with()
    u, plain = (uncertainty(site, "scaling", Link.SCALING_BLOCK, "uncertainty") for site in (wide, narrow))
    assert 2.0 * half < u < plain + 2.0 * half
    assert u > plain + 0.5 * half
    flow = site_with(flow=step)
    assert uncertainty(flow, "totals", Link.TOTALS, "uncertainty_t") > uncertainty(
        narrow, "totals", Link.TOTALS, "uncertainty_t"
    )
    speed = site_with(speed=RecordedTag(stored="step", deadband=0.01))
    assert uncertainty(speed, "speed", Link.DRIVE, "uncertainty") == pytest.approx(2.0 * 0.01 / math.sqrt(3.0), rel=1e-6)


def test_total_over_hours_takes_the_deadband_of_its_flow_as_standing() -> None:
    site = site_with()
    blocks = window_of(samples_by_hand(run()), site).blocks
    rows = totals.usable_rows(blocks, 0)
    plain, wide = (
        totals.balance(blocks, 0, site.loops["TB-07"].gauge.total, rows, 420.0, unknown=(unknown, 0.0))
        for unknown in (0.0, 5.0)
    )
    hours = rows.sum() * 10.0 / 3600.0
    digits = site.loops["TB-07"].gauge.total.resolution
    assert (wide.uncertainty - digits) ** 2 - (plain.uncertainty - digits) ** 2 == pytest.approx(
        (2.0 * 5.0 * hours) ** 2, rel=1e-9
    )


def test_line_that_the_deadband_hides_is_not_evaluated_and_says_why() -> None:
    coarse = RecordedTag(stored="step", deadband=4.0)
    window = window_of(
        samples_by_hand(run()), site_with(flow=coarse, plc_flow=coarse, loop_current=RecordedTag(stored="step", deadband=0.2))
    )
    from checks import scaling

    result = one(scaling.check(window), "scaling", Link.SCALING_BLOCK)
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "above the limit" in result.reason
    assert "smaller deadband" in result.needs[0]


def test_value_that_repeats_is_no_fault_where_only_changes_are_stored() -> None:
    """A current and a PLC flow that stand for ten minutes under a moving flow: told of readings, not of changes."""
    from checks import current, freshness, lateness

    columns = run(1200)
    columns["plc_flow"][600:], columns["loop_current"][600:] = columns["plc_flow"][600], columns["loop_current"][600]
    samples = samples_by_hand(columns, begin=BEGIN)
    step = RecordedTag(stored="step", longest=900.0)
    plain, stored = window_of(samples, site_with()), window_of(samples, site_with(plc_flow=step, loop_current=step))
    for check in (freshness.check, current.check):
        assert Verdict.FAULT in {result.verdict for result in check(plain)}
        assert Verdict.FAULT not in {result.verdict for result in check(stored)}
    (late,) = lateness.check(stored)
    assert late.verdict is Verdict.NOT_EVALUATED
