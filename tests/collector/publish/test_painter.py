"""What is published of each state that a loop can be in; above all, when it is not fit for control."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.result import CheckResult, Link, Verdict
from collector.clock import ManualClock
from collector.live import LiveState
from collector.publish.painter import Painter
from collector.publish.picture import LINKS, STATUSES, VERDICTS, Picture, Quality, from_line, silenced, to_line
from config.publish import Publish
from tests.collector.web import plant

NOW = plant.NOW


def at_once(live: LiveState) -> LiveState:
    """A site on which a flow is fit as soon as nothing is in doubt."""
    live.site = live.site.model_copy(update={"publish": Publish(fit_after=0.0)})
    return live


def painted(live: LiveState, clock: ManualClock | None = None) -> dict[str, Picture]:
    at_once(live)
    return {picture.loop: picture for picture in Painter(live, clock or ManualClock(NOW)).paint()}


def test_a_loop_that_agrees_is_fit() -> None:
    found = painted(plant.healthy())["TB-07"]
    assert (found.quality, found.verdict, found.status, found.link, found.cause) == (Quality.GOOD, 1, 1, 0, "")
    assert found.fit
    assert found.reason == ""
    assert found.deviation_t_h == pytest.approx(0.1)  # 260.1 against 260.0 t/h at the scaling block
    assert found.deviation_span == pytest.approx(100 * 0.1 / 420)
    assert found.agrees_since == found.time == int(NOW) - 4


def test_a_loop_that_differs_tells_link_cause_and_rate() -> None:
    found = painted(plant.faulty())["TB-07"]
    assert (found.quality, found.verdict, found.status, found.link) == (Quality.GOOD, 3, 3, LINKS[Link.SCALING_BLOCK])
    assert found.cause == "upper-range"
    assert found.deviation_t_h == pytest.approx(-41.6)
    assert found.deviation_span == pytest.approx(-100 * 41.6 / 420)
    assert not found.fit
    assert found.agrees_since is None
    assert found.reason == "differs: ends differ"


def changed(**fields: object) -> Picture:
    live = plant.healthy()
    live.take_evaluation(replace(live.evaluations["TB-07"], **fields))  # type: ignore[arg-type]
    return painted(live)["TB-07"]


def test_what_is_doubtful_or_not_evaluated_is_uncertain_and_not_fit() -> None:
    for verdict, number in ((Verdict.SUSPECT, 2), (Verdict.NOT_EVALUATED, 0)):
        found = changed(verdict=verdict)
        assert (found.quality, found.verdict, found.fit) == (Quality.UNCERTAIN, number, False)
        assert found.reason.startswith(verdict.words)


@pytest.mark.parametrize("reason", ["belt stopped", "maintenance", "calibrating", "start-up"])
def test_what_is_held_back_is_not_fit(reason: str) -> None:
    found = changed(suppressed=reason)
    assert (found.fit, found.reason) == (False, reason)


def test_two_ends_that_nothing_compares_are_not_fit_though_nothing_differs() -> None:
    assert changed(results=()).reason == "nothing compares the two ends of this loop"
    gate = CheckResult(
        check="scaling",
        link=Link.CURRENT,
        verdict=Verdict.NOT_EVALUATED,
        reason="too little load",
        needs=("4 minutes of load",),
    )
    found = changed(results=(*plant.evaluation("TB-07", Verdict.OK).results, gate))
    assert not found.fit
    assert found.reason == "the two ends are not compared yet: 4 minutes of load"


def test_a_standing_alert_keeps_a_loop_from_being_fit_while_nothing_shows_it() -> None:
    live = plant.healthy()
    live.standing["TB-07"] = (plant.finding("TB-07"),)
    found = painted(live)["TB-07"]
    assert (found.fit, found.verdict, found.cause) == (False, 3, "upper-range")


def test_before_the_first_evaluation_and_on_old_data_nothing_is_claimed() -> None:
    for live, quality in ((plant.live(), Quality.WAITING), (plant.stale(), Quality.STALE)):
        for found in painted(live).values():
            assert (found.quality, found.fit) == (quality, False)
            assert (found.verdict, found.status, found.link, found.cause) == (0, 0, 0, "")
            assert (found.deviation_t_h, found.deviation_span, found.agrees_since) == (None, None, None)
            assert found.reason


async def test_an_evaluation_that_no_longer_changes_is_old_even_where_the_wall_clock_stands_still() -> None:
    clock, live = ManualClock(NOW), at_once(plant.healthy())
    painter = Painter(live, clock)
    assert painter.paint()[0].fit
    await clock.advance(31)
    clock.step_wall(-31)
    assert painter.paint()[0].quality is Quality.STALE


def test_a_clock_that_is_set_back_makes_nothing_fresh() -> None:
    clock, live = ManualClock(NOW), at_once(plant.healthy())
    clock.step_wall(-3600)
    assert painted(live, clock)["TB-07"].quality is Quality.STALE


async def test_since_when_it_agrees_begins_anew_after_every_interruption() -> None:
    clock, live = ManualClock(NOW), at_once(plant.healthy())
    painter = Painter(live, clock)
    first = painter.paint()[0].agrees_since
    await clock.advance(10)
    live.take_evaluation(plant.evaluation("TB-07", Verdict.OK, int(clock.now()) - 4))
    assert painter.paint()[0].agrees_since == first
    live.take_evaluation(plant.evaluation("TB-07", Verdict.SUSPECT, int(clock.now()) - 3))
    assert painter.paint()[0].agrees_since is None
    live.take_evaluation(plant.evaluation("TB-07", Verdict.OK, int(clock.now()) - 2))
    assert painter.paint()[0].agrees_since == int(clock.now()) - 2


async def test_it_is_fit_only_when_nothing_has_been_in_doubt_for_a_minute() -> None:
    clock, live = ManualClock(NOW), plant.healthy()
    painter, seen = Painter(live, clock), []
    for step in range(16):
        verdict = Verdict.SUSPECT if step == 8 else Verdict.OK
        live.take_evaluation(plant.evaluation("TB-07", verdict, int(clock.now()) - 4))
        seen.append(painter.paint()[0])
        await clock.advance(10)
    assert [picture.fit for picture in seen] == [False] * 6 + [True] * 2 + [False] * 7 + [True]
    assert seen[0].reason == seen[14].reason == "nothing has been in doubt for less than 60 s"


def test_numbers_of_the_interface_cover_every_word_and_stand_fast() -> None:
    """The numbers are wired into controllers: a change of one of these lines breaks a plant."""
    assert {verdict.value: number for verdict, number in VERDICTS.items()} == {
        "not_evaluated": 0, "ok": 1, "suspect": 2, "fault": 3,
    }  # fmt: skip
    assert {status.value if status is not None else None: number for status, number in STATUSES.items()} == {
        None: 0, "": 1, "M": 2, "S": 3, "C": 4, "F": 5,
    }  # fmt: skip
    assert {link.value if link is not None else None: number for link, number in LINKS.items()} == {
        None: 0, "counts": 1, "load": 2, "drive": 3, "gauge-output": 4, "current": 5, "input-card": 6, "scaling-block": 7,
        "totals": 8, "communication": 9, "setup": 10,
    }  # fmt: skip
    assert set(LINKS) == {None, *Link}


def test_a_line_for_the_child_comes_back_as_it_was_and_silence_leaves_no_verdict() -> None:
    pictures = list(painted(plant.faulty()).values())
    assert from_line(to_line(7, NOW, pictures)) == (7, NOW, pictures)
    for picture in pictures:
        mute = silenced(picture, "silent")
        assert (mute.fit, mute.quality, mute.verdict, mute.cause) == (False, Quality.STALE, 0, "")
        assert mute.time == picture.time
