from __future__ import annotations

from dataclasses import replace

from checks.ne107 import Status
from checks.result import Link, Verdict
from collector.alerts.model import Alert, AlertState
from collector.live import LiveState
from collector.web import overview
from collector.web.next_step import Step, next_step
from collector.web.overview import Standing
from tests.collector.web import plant

NOW = plant.NOW


def test_loops_stand_worst_first() -> None:
    lines = overview.loop_lines(plant.faulty(), NOW)
    assert [(line.loop, line.words) for line in lines] == [
        ("TB-07", "differs"),
        ("TB-08", "not evaluated"),
        ("TB-09", "agrees"),
    ]


def test_old_data_make_no_claim() -> None:
    for line in overview.loop_lines(plant.stale(), NOW):
        assert line.standing is Standing.NO_DATA
        assert line.verdict is Verdict.NOT_EVALUATED
        assert line.words == "no fresh data"


def test_data_are_old_after_30_s_and_not_before() -> None:
    live = plant.healthy()
    assert overview.loop_line(live, "TB-09", plant.NOW - 4 + 30).standing is Standing.AGREES
    assert overview.loop_line(live, "TB-09", plant.NOW - 4 + 30.5).standing is Standing.NO_DATA


def test_longer_blocks_are_given_their_time() -> None:
    live = plant.healthy()
    live.site = live.site.model_copy(update={"block": 60.0})
    assert overview.stale_after(live) == 127.0


def test_a_service_that_just_started_is_starting_and_later_has_no_data() -> None:
    live = plant.live()
    assert overview.loop_line(live, "TB-07", NOW).standing is Standing.STARTING
    assert overview.loop_line(live, "TB-07", NOW + 60).standing is Standing.NO_DATA


def test_marks_stand_along_the_signal_and_then_beside_it() -> None:
    marks = overview.marks(plant.evaluation("TB-07", Verdict.FAULT))
    assert next(mark.link for mark in marks if not mark.beside) is Link.COUNTS
    assert [mark.link for mark in marks if mark.beside] == [Link.DRIVE, Link.COMMUNICATION, Link.SETUP]
    assert {mark.link for mark in marks} == set(Link)
    by_link = {mark.link: mark for mark in marks}
    assert by_link[Link.SCALING_BLOCK].verdict is Verdict.FAULT
    assert by_link[Link.DRIVE].reason == "no tag tells"


def test_stake_is_tonnes_else_rate_else_nothing() -> None:
    found = plant.evaluation("TB-07", Verdict.FAULT)
    live = plant.faulty()
    assert overview.loop_line(live, "TB-07", NOW).stake.replace("\u00a0", " ") == "−186.2 t ± 4.1 t"
    live.evaluations["TB-07"] = replace(found, findings=(replace(plant.finding(), tonnes=None),))
    assert overview.loop_line(live, "TB-07", NOW).stake.replace("\u00a0", " ") == "−41.6 t/h"
    assert overview.loop_line(live, "TB-09", NOW).stake == ""


def test_ended_findings_do_not_stand() -> None:
    live = plant.faulty()
    ended = replace(plant.finding(), end=int(NOW) - 20)
    live.evaluations["TB-07"] = replace(live.evaluations["TB-07"], findings=(ended,))
    assert overview.loop_line(live, "TB-07", NOW).lead is None


def test_next_step_goes_from_the_network_to_the_chain_to_the_alerts() -> None:
    def step(live: LiveState, *alerts: Alert) -> Step:
        return next_step(live, overview.loop_lines(live, NOW), alerts)

    assert step(plant.lost()).headline == "plc does not answer (no answer within 4 s); it carries TB-07, TB-08, TB-09."
    assert step(plant.stale()).headline == "TB-07 brings no fresh data."
    assert step(plant.faulty()).headline.startswith("Begin with TB-07: The PLC shows 0.840")
    assert step(plant.faulty()).action.startswith("Read the upper range")
    assert step(plant.healthy(), plant.alert()).headline == "1 alert waits for somebody to acknowledge."
    assert step(plant.healthy(), plant.alert(state=AlertState.ACKNOWLEDGED)).headline == "Nothing to do."
    assert step(plant.live()).action == "The first verdict needs 12 s of data."


def test_next_step_is_to_mend_what_tallywire_itself_lacks() -> None:
    live = plant.healthy()
    live.problems["certificate page page.pem"] = "page.pem of page expires on 2027-02-01"
    step = next_step(live, overview.loop_lines(live, NOW), [])
    assert step.headline == "Tallywire itself has a problem with its certificate page page.pem."
    assert step.action == "page.pem of page expires on 2027-02-01."
    live.problems["history"] = "cannot be written (the disk is full); verifying in memory since 2027-01-15 08:00:00 UTC"
    step = next_step(live, overview.loop_lines(live, NOW), [plant.alert()])
    assert step.headline == "The history is not written."
    assert step.action.startswith("Make room on its disk")
    assert next_step(plant.faulty(), overview.loop_lines(plant.faulty(), NOW), []).headline.startswith("Begin with TB-07")


def test_next_step_of_a_loop_without_a_finding_names_the_link() -> None:
    live = plant.faulty()
    live.evaluations["TB-07"] = replace(live.evaluations["TB-07"], findings=())
    step = next_step(live, overview.loop_lines(live, NOW), [])
    assert "scaling block" in step.headline
    nothing = plant.healthy()
    for loop in nothing.site.loops:
        nothing.evaluations[loop] = plant.evaluation(loop, Verdict.NOT_EVALUATED)
    assert next_step(nothing, overview.loop_lines(nothing, NOW), []).headline == "Nothing can be evaluated now."


def test_ne107_status_follows_the_verdict_and_makes_no_claim_on_old_data() -> None:
    live = plant.faulty()
    assert {line.loop: line.status for line in overview.loop_lines(live, NOW)} == {
        "TB-07": Status.OUT_OF_SPECIFICATION,
        "TB-08": None,
        "TB-09": Status.GOOD,
    }
    dead = replace(plant.finding(), cause="zero-counts")
    live.evaluations["TB-07"] = replace(live.evaluations["TB-07"], findings=(dead,))
    assert overview.loop_line(live, "TB-07", NOW).status is Status.FAILURE
    live.evaluations["TB-07"] = replace(live.evaluations["TB-07"], suppressed="maintenance")
    assert overview.loop_line(live, "TB-07", NOW).status is Status.FUNCTION_CHECK
    assert all(line.status is None for line in overview.loop_lines(plant.stale(), NOW))
