"""Any subset of roles: every check gives a verdict, or says what it lacks; none breaks, and none finds a fault in a sound loop.

The samples are made once; each subset is the same run with columns and tags left out. Its last minute is judged as it runs
(which ends at a beat, so that at least one block is due), and looked at once with every check asked anew.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from checks.engine import LoopEngine
from checks.evaluation import Evaluation
from checks.result import Verdict
from checks.samples import Samples
from deploy.plant.model import Switch
from tests import FULL, share
from tests.acceptance.simulated import lacking
from tests.checks.runs_of_terminal import run_of, terminal

LOOP = "TB-07"
SEED = 20_260_601
SUBSETS, OF_BROKEN = (300, 60) if FULL else (50, 30)
BEFORE_S, JUDGED_S = 1140, 60
KEPT = ("flow",)
"""The only role that a loop must have."""
ROLES = tuple(role for role in terminal().loops[LOOP].tags if role not in KEPT)


@cache
def sound() -> Samples:
    return run_of(LOOP, (BEFORE_S + JUDGED_S) / 3600.0, seed=6)


@cache
def broken() -> Samples:
    """A changed range, a hot detector and a slow total at once."""
    names = ("upper-range", "detector-temperature", "total-time-base")
    faults = [Switch(name, at_h=0.15) for name in names]
    return run_of(LOOP, (BEFORE_S + JUDGED_S) / 3600.0, seed=6, faults=faults)


def judged(samples: Samples, without: Iterable[str]) -> list[Evaluation]:
    """The evaluations of the last minute of a run without these roles, and a last look."""
    gone = frozenset(without)
    site = lacking(terminal(), LOOP, tuple(gone))
    kept = replace(
        samples,
        values={role: column for role, column in samples.values.items() if role not in gone},
        quality={role: column for role, column in samples.quality.items() if role not in gone},
    )
    engine = LoopEngine(site, LOOP)
    engine.push(kept[:BEFORE_S], evaluate=False)
    evaluations = engine.push(kept[BEFORE_S:])
    look = engine.look()
    assert evaluations
    assert look is not None
    assert engine.check_errors == {}, (sorted(gone), engine.check_errors)
    return [*evaluations, look]


def assert_answers(evaluation: Evaluation, gone: Iterable[str]) -> None:
    """Each result is a verdict with a reason; one that could not be had says what it needs."""
    for result in evaluation.results:
        assert result.reason, (result.check, sorted(gone))
        assert "check failed" not in result.reason
        if result.verdict is Verdict.NOT_EVALUATED:
            assert result.needs, (result.check, result.link, result.reason, sorted(gone))
            assert all(need.strip() for need in result.needs)


def assert_sound_without(gone: Iterable[str]) -> None:
    gone = tuple(gone)
    evaluations = judged(sound(), gone)
    for evaluation in evaluations[-2:]:
        assert_answers(evaluation, gone)
        faults = [finding.sentence for finding in evaluation.findings if finding.verdict is Verdict.FAULT]
        assert faults == [], (sorted(gone), faults)


def test_every_check_of_the_whole_loop_has_an_answer() -> None:
    evaluations = judged(sound(), ())
    assert {result.check for result in evaluations[-1].results} >= {
        "freshness",
        "counts",
        "speed",
        "scaling",
        "totals",
        "setup",
    }
    assert_sound_without(())


@pytest.mark.parametrize("role", ROLES)
def test_loop_without_one_role(role: str) -> None:
    assert_sound_without((role,))


def test_loop_without_any_two_roles() -> None:
    """Every pair with TALLYWIRE_FULL=1, every fifth in an ordinary run."""
    for pair in share(itertools.combinations(ROLES, 2), of=5):
        assert_sound_without(pair)


@pytest.mark.parametrize(
    "kept", [("plc_flow",), (), ("ai_raw",), ("plc_flow", "plc_total"), ("count_rate",), ("loop_current",)]
)
def test_smallest_loops(kept: tuple[str, ...]) -> None:
    assert_sound_without(role for role in ROLES if role not in kept)


def test_smallest_loop_still_compares_both_ends() -> None:
    evaluations = judged(sound(), (role for role in ROLES if role != "plc_flow"))
    scaling = [result for result in evaluations[-1].results if result.check == "scaling"]
    assert [result.verdict for result in scaling] == [Verdict.OK]
    evaluations = judged(broken(), (role for role in ROLES if role != "plc_flow"))
    assert [finding.cause for finding in evaluations[-1].findings] != []


@pytest.mark.statistical
def test_random_subsets_of_a_sound_loop() -> None:
    print(f"seed {SEED}, {SUBSETS} subsets")
    rng = np.random.default_rng(SEED)
    for _ in range(SUBSETS):
        part = rng.uniform(0.05, 0.95)
        assert_sound_without(role for role in ROLES if rng.random() < part)


@pytest.mark.statistical
def test_random_subsets_of_a_broken_loop_break_no_check_and_name_no_cause_twice() -> None:
    print(f"seed {SEED + 1}, {OF_BROKEN} subsets")
    rng = np.random.default_rng(SEED + 1)
    for _ in range(OF_BROKEN):
        part = rng.uniform(0.05, 0.95)
        gone = [role for role in ROLES if rng.random() < part]
        evaluations = judged(broken(), gone)
        for evaluation in evaluations[-2:]:
            assert_answers(evaluation, gone)
            named = [(finding.cause, finding.link) for finding in evaluation.findings]
            assert len(named) == len(set(named)), named


@pytest.mark.parametrize(
    ("check", "gone", "word"),
    [
        ("counts", ("count_rate",), "count"),
        ("temperature", ("detector_temperature",), "temperature"),
        ("totals", ("plc_total",), "plc_total"),
        ("current", ("loop_current", "ai_raw"), "loop_current"),
        ("scaling", ("plc_flow", "loop_current", "ai_raw", "gauge_output"), "plc_flow"),
    ],
)
def test_check_that_lacks_its_role_names_it(check: str, gone: tuple[str, ...], word: str) -> None:
    evaluations = judged(sound(), gone)
    found = [r for r in evaluations[-1].results if r.check == check and r.verdict is Verdict.NOT_EVALUATED]
    assert found
    assert any(word in need for result in found for need in result.needs)
