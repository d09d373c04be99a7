"""What a loop can say in plain words, and which further tag is worth most: held against the table of what parts which causes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import config
from checks.causes.naming import naming, tags_of
from checks.causes.separability import REFERENCES
from checks.result import Link
from collector.commissioning.abilities import ABILITIES, meaning, missing
from collector.commissioning.coverage import plain, summary
from collector.commissioning.unlock import Cost, unlocks
from config.load import LoadedSite, load_site
from config.model import ModbusTag, OpcUaTag, Site
from config.roles import ROLES

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"


def loaded() -> LoadedSite:
    return load_site(EXAMPLE)


def with_tags(site: Site, loop_id: str, *roles: str) -> Site:
    """The loop with these roles only, as its own file has them, or read from the gauge or the PLC."""
    loop = site.loops[loop_id]
    gauge, plc = ModbusTag(endpoint="gauge-07", address=90), OpcUaTag(endpoint="plc", node="ns=2;s=x")
    made = {role: loop.tags.get(role, gauge if ROLES[role].side.value == "gauge" else plc) for role in roles}
    return site.model_copy(update={"loops": {loop_id: loop.model_copy(update={"tags": made})}})


def answers(site: Site, loop_id: str) -> dict[str, str]:
    return dict(plain(site.loops[loop_id], tags_of(site, loop_id)))


def test_every_link_has_something_that_can_be_verified_and_every_need_has_words() -> None:
    assert {ability.link for ability in ABILITIES} == set(Link)
    needed = {role for ability in ABILITIES for role in ability.roles}
    assert needed <= {*ROLES, REFERENCES}
    assert all(meaning(role) for role in needed)


def test_a_full_loop_is_told_that_only_the_weight_is_open() -> None:
    said = answers(loaded().site, "TB-07")
    assert said["Does the screen show what the gauge weighs?"].startswith("Yes")
    assert (
        said["If not, where does it break?"]
        == "It can be pinned to the gauge output, the wire, the input card or the scaling block."
    )
    assert said["Is the weight true?"].startswith("No: a chain that agrees does not prove it")


@pytest.mark.parametrize(
    ("roles", "question", "says"),
    [
        (("flow",), "Does the screen show what the gauge weighs?", "No: neither plc_flow nor ai_raw"),
        (("flow", "ai_raw"), "Does the screen show what the gauge weighs?", "In part: as far as the input card"),
        (
            ("flow", "plc_flow"),
            "If not, where does it break?",
            "only as finely as scaling block is read; not read: gauge output",
        ),
        (("flow", "count_rate"), "Is the gauge's flow what its detector counts say?", "No: speed would be needed."),
        (("flow", "gauge_total"), "Do the totals add up?", "Only the gauge's: not read: plc_total, plc_flow."),
    ],
)
def test_what_lacks_is_said_in_plain_words(roles: tuple[str, ...], question: str, says: str) -> None:
    assert says in answers(with_tags(loaded().site, "TB-07", *roles), "TB-07")[question]


@pytest.mark.parametrize("loop_id", ["TB-07", "TB-08", "TB-09"])
def test_what_is_promised_of_a_tag_is_true_once_it_is_there(loop_id: str) -> None:
    site = loaded().site
    has = tags_of(site, loop_id)
    now = naming(has)
    found = unlocks(site, loop_id)
    assert found == sorted(found, key=lambda item: item.cost)
    assert found
    for item in found:
        assert not set(item.needs) & has
        then = has | set(item.needs)
        after = naming(then)
        loop = site.loops[loop_id]
        for what in item.verifies:
            ability = next(ability for ability in ABILITIES if ability.what == what)
            assert missing(ability, loop, has)
            assert not [need for need in missing(ability, loop, then) if need not in item.needs]
        assert set(item.names) == set(now.missing) - set(after.missing)
        for one, other in item.parts:
            assert other in now.sets[one]
            assert other not in after.sets.get(one, ())


def test_the_free_comes_before_what_must_be_wired_and_two_together_where_one_gives_less() -> None:
    found = unlocks(loaded().site, "TB-08")
    assert found[0].needs == ("speed", "drive_speed")
    assert found[0].cost is Cost.FREE
    assert {"belt-slip", "tach-lost"} <= set(found[0].names)
    costs = {item.needs: item.cost for item in found}
    assert costs[(REFERENCES,)] is Cost.WORK
    assert [item.cost for item in found if "loop_current" in item.needs] in ([], [Cost.INSTRUMENT])


def test_a_side_that_is_not_read_yet_costs_a_connection() -> None:
    found = unlocks(with_tags(loaded().site, "TB-07", "flow", "count_rate", "speed"), "TB-07")
    assert {item.cost for item in found if set(item.needs) & {"plc_flow", "ai_raw"}} == {Cost.CONNECTION}


def test_current_that_is_no_measurement_of_its_own_is_told_so() -> None:
    whole = loaded()
    loop = whole.site.loops["TB-07"]
    same = loop.tags["loop_current"].model_copy(update={"independent": False})
    site = whole.site.model_copy(
        update={"loops": {"TB-07": loop.model_copy(update={"tags": {**loop.tags, "loop_current": same}})}}
    )
    said = " ".join(summary(replace(whole, site=site)).split())
    assert "measured current from the flow: needs a loop_current that something else measures" in said


def test_the_text_fits_80_columns_and_names_what_would_help() -> None:
    said = summary(loaded())
    assert max(map(len, said.splitlines()[1:])) <= 80
    flat = " ".join(said.split())
    assert "what would help most, the cheapest first: 1. speed (belt speed the gauge uses) and drive_speed" in flat
    assert "free: one more line, the device is read already" in flat
