from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from checks.episodes import NAME_AFTER_S, REFINE_AFTER_S, STALE_S, EpisodeChange, EpisodeTracker
from checks.evaluation import BeltState, Evaluation, Totals
from checks.finding import UNKNOWN, Alternative, Finding, Implied
from checks.plain import finding_dict, finding_from
from checks.result import CheckResult, Evidence, Link, Verdict
from config.limits import AlertLimit, Limits
from config.model import FlowRange, Gauge, Loop, Plc, RecordedTag, Site

T0 = 1_790_000_000
STEP = 10
TOTALS = Totals(gauge_t=None, plc_t=None, own_t=None, best_t=None, best_u_t=None, not_measured_s=0.0)


def site(on_delay: float = 20.0, off_delay: float = 120.0) -> Site:
    loop = Loop(
        gauge=Gauge(range=FlowRange(low=0, high=500)), plc=Plc(range=FlowRange(low=0, high=500)),
        tags={"flow": RecordedTag()}, limits=Limits(alerts=AlertLimit(on_delay=on_delay, off_delay=off_delay)),
    )  # fmt: skip
    return Site(schema_=1, site="potash-terminal", loops={"TB-07": loop})


def found(cause: str = "range-mismatch", link: Link = Link.SCALING_BLOCK, **changes: object) -> Finding:
    made = Finding(
        loop="TB-07", link=link, cause=cause, title="ends differ", verdict=Verdict.FAULT, odds=30.0, begin=T0 - 100,
        begin_interval=(T0 - 110, T0 - 90),
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def evaluation(at: int, *findings: Finding, suppressed: str = "", results: tuple[CheckResult, ...] = ()) -> Evaluation:
    return Evaluation(
        loop="TB-07", time_s=at, state=BeltState.LOADED, suppressed=suppressed, results=results, findings=findings, chain=(),
        totals=TOTALS, verdict=Verdict.OK, site_sha256="",
    )  # fmt: skip


class Run:
    """Drives a tracker in steps of 10 s and notes what changed, as (seconds since T0, kind, cause)."""

    def __init__(self, tracker: EpisodeTracker | None = None) -> None:
        self.tracker = tracker or EpisodeTracker(site(), "TB-07")
        self.now = T0
        self.changes: list[EpisodeChange] = []

    def go(self, seconds: int, *findings: Finding, suppressed: str = "", results: tuple[CheckResult, ...] = ()) -> Run:
        for _ in range(seconds // STEP):
            made = evaluation(self.now, *findings, suppressed=suppressed, results=results)
            self.changes += self.tracker.update(made)
            self.now += STEP
        return self

    @property
    def told(self) -> list[tuple[int, str, str]]:
        return [(change.time_s - T0, change.kind, change.episode.finding.cause) for change in self.changes]


def test_finding_is_raised_once_when_it_has_stood_for_the_on_delay() -> None:
    run = Run().go(600, found())
    assert run.told == [(20, "raised", "range-mismatch")]
    (episode,) = run.tracker.open
    assert episode.id == f"TB-07-scaling-block-{T0}"
    assert (episode.raised_s, episode.ended_s) == (T0 + 20, None)


def test_finding_shorter_than_the_on_delay_is_never_raised() -> None:
    run = Run()
    for _ in range(20):
        run.go(20, found()).go(10)
    assert run.told == []
    assert run.tracker.findings() == ()


@pytest.mark.parametrize(("on_delay", "raised"), [(0.0, 10), (10.0, 10), (25.0, 30), (60.0, 60)])
def test_on_delay_is_that_of_the_loop(on_delay: float, raised: int) -> None:
    run = Run(EpisodeTracker(site(on_delay=on_delay), "TB-07")).go(100, found())
    assert run.told == [(raised, "raised", "range-mismatch")]


def test_episode_returns_when_it_has_been_gone_for_the_off_delay() -> None:
    run = Run().go(60, found()).go(300)
    assert run.told == [(20, "raised", "range-mismatch"), (170, "returned", "range-mismatch")]
    ended = run.changes[-1].episode
    assert ended.ended_s == ended.finding.end == T0 + 50  # seen last, not when the delay was over
    assert run.tracker.open == ()


@pytest.mark.parametrize(
    ("verdict", "facts", "gone"),
    [
        (Verdict.NOT_EVALUATED, {}, False),
        (Verdict.OK, {"recent_rows": 0.0, "limit_span": 0.5}, False),
        (Verdict.OK, {"recent_rows": 6.0, "deviation_span": -1.9, "limit_span": 0.5}, False),
        (Verdict.OK, {"recent_rows": 6.0, "deviation_span": 0.1, "limit_span": 0.5}, True),
        (Verdict.SUSPECT, {"recent_rows": 6.0, "deviation_span": 0.45, "limit_span": 0.5}, False),
        (Verdict.SUSPECT, {"recent_rows": 6.0, "deviation_span": 0.28, "limit_span": 0.5}, True),
        (Verdict.SUSPECT, {}, True),
    ],
)
def test_episode_of_a_line_returns_only_when_the_line_was_seen_to_agree(
    verdict: Verdict, facts: dict[str, float], gone: bool
) -> None:
    result = CheckResult(check="scaling", link=Link.SCALING_BLOCK, verdict=verdict, reason="x", facts=facts)
    run = Run().go(60, found(check="scaling")).go(7200, results=(result,))
    assert ("returned" in {kind for _, kind, _ in run.told}) is gone
    agrees = replace(result, verdict=Verdict.OK, facts={"recent_rows": 6.0, "deviation_span": 0.0, "limit_span": 0.5})
    run.go(180, results=(agrees,))
    assert run.told[-1][1] == "returned"
    assert run.changes[-1].episode.ended_s == T0 + 50


def test_gap_shorter_than_the_off_delay_keeps_one_episode() -> None:
    run = Run()
    for _ in range(10):
        run.go(60, found()).go(110)
    assert [kind for _, kind, _ in run.told] == ["raised"]


def test_what_comes_again_after_its_return_is_another_episode() -> None:
    run = Run().go(60, found()).go(200).go(60, found())
    assert [kind for _, kind, _ in run.told] == ["raised", "returned", "raised"]
    assert run.changes[0].episode.id != run.changes[2].episode.id


def test_links_have_episodes_of_their_own() -> None:
    run = Run().go(60, found(), found("ai-offset", Link.INPUT_CARD)).go(200, found())
    assert run.told == [(20, "raised", "range-mismatch"), (20, "raised", "ai-offset"), (170, "returned", "ai-offset")]


def test_first_of_two_findings_at_a_link_counts() -> None:
    run = Run().go(60, found("range-mismatch"), found("clamped"))
    assert run.told == [(20, "raised", "range-mismatch")]


def test_belt_standstill_holds_back_what_depends_on_the_process() -> None:
    run = Run().go(300, found(), found("zero-counts", Link.COUNTS), suppressed="belt stopped")
    assert run.told == [(20, "raised", "zero-counts")]


@pytest.mark.parametrize("reason", ["maintenance", "calibrating"])
def test_maintenance_holds_back_everything(reason: str) -> None:
    every = tuple(found("x", link) for link in Link)
    assert Run().go(300, *every, suppressed=reason).told == []


def test_time_while_held_back_adds_to_no_delay() -> None:
    run = Run().go(20, found()).go(300, found(), suppressed="belt stopped").go(60, found())
    assert run.told == [(340, "raised", "range-mismatch")]


def test_episode_stands_through_a_standstill_and_returns_only_afterwards() -> None:
    run = Run().go(60, found()).go(3600, suppressed="belt stopped")
    assert [kind for _, kind, _ in run.told] == ["raised"]
    run.go(110)
    assert len(run.told) == 1
    run.go(60)
    assert run.told[1] == (60 + 3600 - 10 + 120, "returned", "range-mismatch")


def test_unknown_takes_a_first_name_after_a_minute() -> None:
    run = Run().go(100, found(UNKNOWN, odds=None)).go(200, found("range-mismatch", odds=1.5))
    assert run.told == [(20, "raised", UNKNOWN), (100 + NAME_AFTER_S, "refined", "range-mismatch")]


def test_name_that_does_not_stand_for_a_minute_is_not_taken() -> None:
    run = Run().go(100, found(UNKNOWN, odds=None))
    for _ in range(10):
        run.go(60, found("range-mismatch")).go(10, found(UNKNOWN, odds=None))
    assert [kind for _, kind, _ in run.told] == ["raised"]


def test_other_cause_takes_the_name_after_five_minutes_at_three_to_one() -> None:
    run = Run().go(100, found("range-mismatch")).go(600, found("ai-gain", odds=3.0))
    assert run.told == [(20, "raised", "range-mismatch"), (100 + REFINE_AFTER_S, "refined", "ai-gain")]
    assert run.changes[0].episode.id == run.changes[1].episode.id


def test_weak_odds_take_no_name_and_their_time_does_not_count() -> None:
    run = Run().go(100, found("range-mismatch")).go(1000, found("ai-gain", odds=2.9))
    assert len(run.told) == 1
    run.go(290, found("ai-gain", odds=3.5)).go(20, found("ai-gain", odds=2.0))
    assert len(run.told) == 1
    run.go(310, found("ai-gain", odds=3.5))
    assert run.told[1][1:] == ("refined", "ai-gain")


def test_named_cause_never_goes_back_to_unknown() -> None:
    run = Run().go(100, found("range-mismatch")).go(2000, found(UNKNOWN, odds=None))
    assert len(run.told) == 1
    assert run.tracker.open[0].finding.cause == "range-mismatch"


def test_numbers_follow_at_once_while_another_cause_leads() -> None:
    run = Run().go(100, found("range-mismatch", tonnes=1.0)).go(20, found("ai-gain", tonnes=7.0, rate_error_t_h=3.0))
    shown = run.tracker.open[0].finding
    assert (shown.cause, shown.tonnes, shown.rate_error_t_h) == ("range-mismatch", 7.0, 3.0)


def test_begin_may_move_earlier_and_never_later() -> None:
    run = Run().go(100, found())
    for begin, cause, shown in (
        (T0 - 50, "range-mismatch", T0 - 100),
        (T0 - 300, "range-mismatch", T0 - 300),
        (T0, "ai-gain", T0 - 300),
        (T0 - 400, "ai-gain", T0 - 400),
    ):
        run.go(10, found(cause, begin=begin, begin_interval=(begin - 5, begin + 5)))
        known = run.tracker.open[0].finding
        assert (known.begin, known.begin_interval) == (
            shown,
            (shown - (10 if shown == T0 - 100 else 5), shown + (10 if shown == T0 - 100 else 5)),
        )
    run.go(400, found("ai-gain", begin=T0))
    assert run.told[-1][1:] == ("refined", "ai-gain")
    assert run.tracker.open[0].finding.begin == T0 - 400


def test_begin_that_was_known_badly_gives_way_to_one_inside_it_that_is_known_well() -> None:
    run = Run().go(100, found(begin=T0 - 1200, begin_interval=(T0 - 1200, T0)))
    run.go(10, found(begin=T0 - 20, begin_interval=(T0 - 30, T0 - 10)))
    assert run.tracker.open[0].finding.begin == T0 - 20
    run.go(10, found(begin=T0 - 1200, begin_interval=(T0 - 1200, T0)))
    assert run.tracker.open[0].finding.begin_interval == (T0 - 30, T0 - 10)
    run.go(10, found(begin=T0 + 300, begin_interval=(T0 + 299, T0 + 301)))
    assert run.tracker.open[0].finding.begin == T0 - 20


def test_silence_of_the_service_adds_to_no_delay() -> None:
    run = Run().go(20, found())
    run.now += STALE_S + STEP
    begun = run.now - T0
    run.go(30, found())
    assert run.told == [(begun + 20, "raised", "range-mismatch")]
    run.now += 10 * STALE_S
    gone = run.now - T0
    run.go(300)
    assert run.told[1] == (gone + 120, "returned", "range-mismatch")
    assert run.changes[1].episode.ended_s == T0 + begun + 20


def test_findings_for_a_report_are_the_largest_first_with_their_end() -> None:
    run = Run().go(60, found(tonnes=2.0)).go(200).go(60, found("ai-offset", Link.INPUT_CARD, tonnes=-9.0), found(tonnes=5.0))
    findings = run.tracker.findings()
    assert [(finding.cause, finding.tonnes) for finding in findings] == [
        ("ai-offset", -9.0), ("range-mismatch", 5.0), ("range-mismatch", 2.0),
    ]  # fmt: skip
    assert [finding.end for finding in findings] == [None, None, T0 + 50]


def random_walk(seed: int, steps: int) -> list[Evaluation]:
    """Evaluations with causes, odds, begins, suppression and gaps as they fall."""
    rng = np.random.default_rng(seed)
    out, now = [], T0
    causes = [UNKNOWN, "range-mismatch", "ai-gain"]
    cause, suppressed = UNKNOWN, ""
    for _ in range(steps):
        now += STEP if rng.random() < 0.99 else int(rng.integers(10, 3000))
        if rng.random() < 0.04:
            cause = str(rng.choice(causes))
        if rng.random() < 0.03:
            suppressed = str(rng.choice(["", "", "belt stopped", "maintenance"]))
        links = [link for link in (Link.COUNTS, Link.SCALING_BLOCK, Link.TOTALS) if (now // 400 + len(link)) % 3]
        out.append(
            evaluation(
                now,
                *(found(cause, link, odds=float(rng.uniform(1, 9)), begin=now - int(rng.integers(0, 500))) for link in links),
                suppressed=suppressed,
            )
        )
    return out


@pytest.mark.parametrize("seed", range(5))
def test_going_on_from_a_stored_state_equals_going_on(seed: int) -> None:
    print(f"seed {seed}")
    whole, restarted = EpisodeTracker(site(), "TB-07"), EpisodeTracker(site(), "TB-07")
    told = 0
    for number, given in enumerate(random_walk(seed, 800)):
        if number % 7 == 0:
            kept = json.dumps(restarted.state(), allow_nan=False)
            restarted = EpisodeTracker(site(), "TB-07")
            restarted.restore(json.loads(kept))
        one, other = whole.update(given), restarted.update(given)
        assert one == other
        assert whole.open == restarted.open
        assert whole.state() == restarted.state()
        told += len(one)
    assert told > 10


@pytest.mark.parametrize("seed", range(5))
def test_any_walk_raises_before_it_refines_or_returns_and_names_every_episode_once(seed: int) -> None:
    print(f"seed {seed}")
    tracker = EpisodeTracker(site(), "TB-07")
    standing: dict[str, Finding] = {}
    ended: set[str] = set()
    for given in random_walk(100 + seed, 1500):
        for change in tracker.update(given):
            episode = change.episode
            assert (episode.id in standing) is (change.kind != "raised")
            assert episode.id not in ended
            if change.kind != "raised":
                assert episode.finding.begin <= standing[episode.id].begin
            standing[episode.id] = episode.finding
            if change.kind == "returned":
                del standing[episode.id]
                ended.add(episode.id)
        assert {episode.id for episode in tracker.open} == set(standing)


def full() -> Finding:
    return found(
        alternatives=(Alternative(cause="ai-gain", odds=0.2, separated_by="force 4 and 20 mA"),), end=T0, tonnes=-1.5,
        tonnes_uncertainty=0.25, rate_error_t_h=3.25, implied=Implied(range_low=0.0, range_high=420.0), advice=("a", "b"),
        cautions=("c",), evidence=(Evidence(name="é <b>", value=None, unit="mA", limit=0.1),), gate=("g",), sentence="s",
    )  # fmt: skip


@pytest.mark.parametrize("finding", [found(), full()], ids=["short", "full"])
def test_finding_survives_its_plain_values(finding: Finding) -> None:
    assert finding_from(json.loads(json.dumps(finding_dict(finding), allow_nan=False))) == finding


def test_number_that_is_not_finite_is_none_in_plain_values() -> None:
    odd = found(tonnes=float("nan"), rate_error_t_h=float("inf"), evidence=(Evidence(name="x", value=float("nan"), unit=""),))
    plain = finding_from(json.loads(json.dumps(finding_dict(odd), allow_nan=False)))
    assert (plain.tonnes, plain.rate_error_t_h, plain.evidence[0].value) == (None, None, None)


def test_fault_takes_the_name_from_an_older_doubt_after_a_minute_and_has_its_own_begin() -> None:
    doubt = found("zero-clamp", verdict=Verdict.SUSPECT, begin=T0 - 1000, begin_interval=(T0 - 1010, T0 - 990))
    fault = found("ton-unit", begin=T0 + 90, begin_interval=(T0 + 80, T0 + 100))
    run = Run().go(100, doubt).go(100, fault)
    assert run.told == [(20, "raised", "zero-clamp"), (160, "refined", "ton-unit")]
    assert run.changes[-1].episode.finding.begin == T0 + 90


def test_unnamed_fault_takes_the_place_of_a_named_doubt() -> None:
    doubt = found("zero-clamp", verdict=Verdict.SUSPECT)
    run = Run().go(100, doubt).go(100, found(UNKNOWN))
    assert [kind for _, kind, _ in run.told] == ["raised", "refined"]
    assert run.changes[-1].episode.finding.verdict is Verdict.FAULT


def test_cause_that_may_have_begun_before_it_could_be_seen_widens_the_interval() -> None:
    run = Run().go(100, found("raw-span", begin=T0 - 10, begin_interval=(T0 - 20, T0)))
    run.go(400, found("low-cutoff", begin=T0 - 5, begin_interval=(T0 - 500, T0 - 5)))
    shown = run.tracker.open[0].finding
    assert (shown.cause, shown.begin_interval) == ("low-cutoff", (T0 - 500, T0 - 5))
