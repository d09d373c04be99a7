"""Entries of the ledger as the checks see them: epoch seconds, in order, of one loop, and only what has ended."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from checks.engine import LoopEngine
from checks.references import MaterialTest, Span, Tare, references_of
from config.ledger import Ledger
from config.model import Site
from tests.checks.simulation import START, Chain, steady_load

MAY_4TH_8_UTC = 1_777_881_600
"""2026-05-04T08:00:00Z; from `date -u -d 2026-05-04T08:00 +%s`."""


def site(zone: str = "UTC", **lists: list[dict[str, Any]]) -> Site:
    """The site of a small chain with a ledger."""
    known = Chain(load=steady_load(np.random.default_rng(1), 120)).site()
    return known.model_copy(update={"time_zone": zone, "ledger": Ledger.model_validate(lists)})


TEST = {
    "loop": "TB-07",
    "begin": "2026-05-04 06:00",
    "end": "2026-05-04 08:00",
    "reference": 520.0,
    "uncertainty": 1.0,
    "product": 4,
}
TARE = {
    "loop": "TB-07",
    "begin": "2026-05-03T05:00Z",
    "end": "2026-05-03T05:11Z",
    "rate": 5140.0,
    "turns": 5,
    "rate_before": 5160.0,
}
SPAN = {
    "loop": "TB-07",
    "begin": "2026-05-03T05:20Z",
    "end": "2026-05-03T05:30Z",
    "load": 38.0,
    "gauge_load": 37.6,
    "uncertainty": 0.2,
}


def test_entries_come_in_the_order_of_their_ends_with_their_numbers() -> None:
    found = references_of(site(material_tests=[TEST], tares=[TARE], spans=[SPAN]), "TB-07")
    assert [type(entry) for entry in found] == [Tare, Span, MaterialTest]
    tare, span, test = found
    assert isinstance(tare, Tare)
    assert (tare.rate, tare.rate_before, tare.turns, tare.run_s) == (5140.0, 5160.0, 5.0, 660)
    assert isinstance(span, Span)
    assert (span.load_kg_m, span.gauge_load_kg_m, span.uncertainty_percent) == (38.0, 37.6, 0.2)
    assert isinstance(test, MaterialTest)
    assert (test.end_s, test.reference_t, test.reference_u_t, test.product) == (MAY_4TH_8_UTC, 520.0, 1.0, "4")


def test_moment_without_a_zone_is_local_time_of_the_site() -> None:
    """Regina keeps UTC-6 all the year (IANA time zone data base)."""
    (test,) = references_of(site("America/Regina", material_tests=[TEST]), "TB-07")
    assert test.end_s == MAY_4TH_8_UTC + 6 * 3600


def test_other_loops_have_entries_of_their_own() -> None:
    assert references_of(site(material_tests=[{**TEST, "loop": "TB-08"}]), "TB-07") == ()


def test_engine_shows_a_reference_from_the_moment_it_has_ended() -> None:
    def moment(seconds: int) -> str:
        return datetime.fromtimestamp(START + seconds, UTC).isoformat()

    known = site(material_tests=[{**TEST, "begin": moment(0), "end": moment(600)}])
    engine = LoopEngine(known, "TB-07")
    engine.push(Chain(load=steady_load(np.random.default_rng(1), 1200)).samples())
    assert engine.window(START + 590).references == ()
    assert [entry.end_s for entry in engine.window(START + 600).references] == [START + 600]
