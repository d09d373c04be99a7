"""Shifts on the clock of the site, and tonnes in each."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from checks.hypotheses import Measured
from checks.shifts import by_shift, shifts_between
from checks.tonnes import of_line
from config.model import Site
from tests.checks.simulation import START, Chain


def site(zone: str = "UTC", shifts: tuple[str, ...] = ("06:00", "14:00", "22:00")) -> Site:
    known = Chain(load=np.full(60, 260.0)).window().site
    return known.model_copy(update={"time_zone": zone, "shifts": shifts})


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def test_night_shift_goes_over_midnight_and_the_stretch_cuts_its_ends() -> None:
    found = list(shifts_between(site(), at("2026-03-02T21:00"), at("2026-03-03T07:00")))
    assert found == [
        ("14:00", at("2026-03-02T21:00"), at("2026-03-02T22:00")),
        ("22:00", at("2026-03-02T22:00"), at("2026-03-03T06:00")),
        ("06:00", at("2026-03-03T06:00"), at("2026-03-03T07:00")),
    ]


@pytest.mark.parametrize(("begin", "hours"), [("2026-03-28T23:00", 7), ("2026-10-24T23:00", 9)])
def test_night_of_a_clock_change_is_an_hour_shorter_or_longer(begin: str, hours: int) -> None:
    """Clocks of the European Union change at 01:00 UTC on the last Sunday of March and October (Directive 2000/84/EC)."""
    lisbon = site("Europe/Lisbon")
    night = next(
        (first, until)
        for shift, first, until in shifts_between(lisbon, at(begin) - 7200, at(begin) + 86400)
        if shift == "22:00"
    )
    assert night[1] - night[0] == hours * 3600


def test_one_shift_a_day_and_an_empty_stretch() -> None:
    assert len(list(shifts_between(site(shifts=("06:00",)), at("2026-03-02T00:00"), at("2026-03-04T00:00")))) == 3
    assert list(shifts_between(site(), 10, 10)) == []


def test_tonnes_of_the_shifts_add_up_to_the_tonnes_since_the_begin() -> None:
    """(400/420 - 1) x 260 t/h: 0.5 h before and 0.5 h behind the change of shift are -6.19 t each."""
    window = Chain(load=np.full(7200, 260.0)).window()
    change = datetime.fromtimestamp(START + 3600, UTC).strftime("%H:%M")
    shifts = tuple(sorted(["03:00", change]))
    measured = Measured(offset=0.0, gain=400 / 420 - 1, covariance=np.diag([0.01, 1e-8]))
    whole = of_line(window.blocks, measured, START + 1800, (START + 1740, START + 1860))
    assert whole.part is not None
    parts = by_shift(site(shifts=shifts), window.blocks, START + 1800, START + 5400, whole.part)
    assert [(part.begin, part.end) for part in parts] == [(START + 1800, START + 3600), (START + 3600, START + 5400)]
    assert parts[0].tonnes == pytest.approx(-6.19, abs=0.05)
    assert parts[1].tonnes == pytest.approx(-6.19, abs=0.05)
    assert parts[0].tonnes_uncertainty > parts[1].tonnes_uncertainty > 0.0
    every = by_shift(site(shifts=shifts), window.blocks, START + 1800, START + 7200, whole.part)
    assert sum(part.tonnes for part in every) == pytest.approx(whole.tonnes)
