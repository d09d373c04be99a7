"""A reduced matrix for every run of the tests: quick causes on one drawn site, causes that take weeks, honest hours.

The whole matrix is `tests/bench/diagnosis.py`. All seeds are those of the draws, which each failure prints.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.causes import registry
from deploy.plant.faults import FAULTS
from tests import FULL
from tests.faults.cases import CASES, Case
from tests.faults.draws import ROLE_SETS, draw
from tests.faults.grade import FIRST, MISSING, SET, SILENT, WRONG, company
from tests.faults.ledger import is_slow
from tests.faults.lots import LOTS
from tests.faults.nuisances import NUISANCES, run_nuisance
from tests.faults.run import Prefixes, can_have, levels, run_case

DRAW = 1
"""Measured speed, filtered counts, no setting read back: the flow alone must tell."""
ROLES = frozenset(ROLE_SETS["blind"])
OPEN: dict[str, str] = {
    "belt-wander": "the texture of the load swings too much at other ways than a turn",
    "source-weak": "unfiltered counts put through the declared damping differ from a flow behind a shorter one",
    "neighbour-source": "days of the neighbour's shutter",
    "undocumented-change": "no second setting shows in the numbers of this site",
}
"""Causes that this site does not name yet, each with the reason; they may not be given another name either."""


def _quick(case: Case) -> bool:
    long = is_slow(case) or case.slow or case.before_s > 3600
    return not long and case.with_roles <= ROLES and can_have(case, draw(DRAW))


QUICK = [case for case in CASES if _quick(case)]
TRIED = QUICK if FULL else QUICK[::2]
"""Every second quick cause in an ordinary run, all of them in the full one."""
SLOW = [case for case in CASES if is_slow(case)]


@pytest.fixture(scope="module")
def prefixes() -> Prefixes:
    print(draw(DRAW).words)
    return Prefixes(draw(DRAW))


def test_every_cause_of_the_catalogue_is_a_case() -> None:
    assert {case.cause for case in CASES} == set(registry())


def test_sizes_are_three_or_the_fault_is_on_or_off() -> None:
    assert {case.plant_fault for case in CASES if len(case.sizes) not in (0, 1, 3)} == set()


def test_company_of_a_cause_is_what_the_catalogue_cannot_part_with_these_tags() -> None:
    assert company("upper-range", ROLES) >= {"upper-range", "raw-span"}
    assert company("upper-range", frozenset(ROLE_SETS["full"]) | {"varied-speed"}) == {"upper-range"}
    assert company("open-loop", ROLES) == {"open-loop"}


def test_plant_can_make_every_cause_that_is_not_made_on_ledgers() -> None:
    missing = {case.plant_fault for case in CASES if not is_slow(case) and case.plant_fault not in FAULTS}
    assert missing == set()


@pytest.mark.parametrize("case", TRIED, ids=lambda case: case.plant_fault)
def test_quick_cause_of_moderate_size_is_named_right(case: Case, prefixes: Prefixes) -> None:
    size, level = next(item for item in levels(case) if item[0] == "moderate")
    outcome = run_case(case, size, level, prefixes)
    print(outcome.told, outcome.changes)
    if case.plant_fault in OPEN:
        assert outcome.grade != WRONG
        return
    alone = company(case.cause, ROLES) == {case.cause}
    assert outcome.grade in ((FIRST,) if alone else (FIRST, SET))
    assert outcome.right_link


@pytest.mark.parametrize("case", SLOW, ids=lambda case: case.cause)
def test_slow_cause_of_moderate_size_is_named_or_its_set_is_told(case: Case, prefixes: Prefixes) -> None:
    size, level = next(item for item in levels(case) if item[0] == "moderate")
    outcome = run_case(case, size, level, prefixes)
    print(outcome.told)
    assert outcome.grade in (FIRST, SET)


@pytest.mark.parametrize("case", [case for case in CASES if case.plant_fault in LOTS], ids=lambda case: case.plant_fault)
def test_what_only_the_truth_tells_is_named_by_lots_of_several_loads_and_moistures(case: Case, prefixes: Prefixes) -> None:
    size, level = next(item for item in levels(case) if item[0] == "moderate")
    outcome = run_case(case, size, level, prefixes)
    print(outcome.told, outcome.changes)
    assert outcome.grade == FIRST
    assert outcome.right_link


@pytest.mark.parametrize("name", ["shifts", "belt-stops", "near-limit", "rollover", "comms-blips", "daylight-saving"])
def test_honest_hours_are_silent(name: str) -> None:
    quiet = run_nuisance(name, 2, seconds=3600)
    assert quiet.told == ()


@pytest.mark.parametrize("name", ["product-change", "plc-restart", "gauge-restart", "radiography"])
def test_honest_events_are_silent(name: str) -> None:
    quiet = run_nuisance(name, DRAW, seconds=2 * 3600)
    assert quiet.told == ()


def test_every_nuisance_is_in_the_catalogue_of_the_bench() -> None:
    assert len(NUISANCES) >= 14


def test_branch_is_the_same_whether_its_sound_stretch_was_run_or_copied() -> None:
    case = next(case for case in CASES if case.plant_fault == "current-leak")
    kept = Prefixes(draw(DRAW))
    first, again = (run_case(case, "moderate", 4.0, kept) for _ in range(2))
    fresh = run_case(case, "moderate", 4.0, Prefixes(draw(DRAW)))
    assert (first.grade, first.told, first.changes) == (again.grade, again.told, again.changes)
    assert (first.grade, first.told, first.changes) == (fresh.grade, fresh.told, fresh.changes)


def test_fault_that_the_plant_lacks_is_shown_and_not_skipped(prefixes: Prefixes) -> None:
    case = replace(next(case for case in CASES if case.plant_fault == "open-loop"), fault="no-such-fault")
    assert run_case(case, "moderate", None, prefixes).grade == MISSING


def test_small_fault_below_every_limit_may_be_silent_and_is_never_named_wrongly(prefixes: Prefixes) -> None:
    case = next(case for case in CASES if case.plant_fault == "upper-range")
    outcome = run_case(case, "small", 0.1, prefixes)
    assert outcome.grade in (SILENT, FIRST)
