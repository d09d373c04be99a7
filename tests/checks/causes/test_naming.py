"""What tags can name: alone, as a set, not at all; and the one tag more that parts most pairs."""

from __future__ import annotations

import pytest

from checks.causes import registry
from checks.causes.naming import extra_tags, mates, naming, partners, tags_of
from checks.causes.separability import BY_DATA, DECLARED, REFERENCES, RULES, VARIED, pairs
from config.examples import example_site
from config.ledger import Ledger, MaterialTestEntry
from config.load import parse_site
from config.roles import ROLES

SITE = parse_site(example_site(), "terminal.yaml").site
USUAL = {"flow", "plc_flow", "gauge_total", "plc_total", "count_rate", "speed", "drive_running", "detector_temperature"}


def test_table_speaks_of_every_pair_that_the_catalogue_calls_alike_in_known_roles_and_causes() -> None:
    alike = {frozenset((cause.id, item.cause)) for cause in registry().values() for item in cause.look_alikes}
    assert alike - set(pairs()) == set()
    assert {role for by in pairs().values() for roles in by for role in roles} <= {*ROLES, *DECLARED}
    assert {cause for rule in RULES for cause in (*rule.these, *rule.those)} <= set(registry())


def test_every_cause_is_alone_in_a_set_or_missing_roles_and_sets_are_mutual() -> None:
    found = naming(USUAL)
    assert sorted([*found.alone, *found.sets, *found.missing]) == sorted(registry())
    for cause, others in found.sets.items():
        for other in others:
            assert other in found.missing or cause in found.sets[other]


def test_raw_counts_part_most_where_they_are_missing() -> None:
    (role, parted), *_ = extra_tags(USUAL)
    assert role == "ai_raw"
    assert parted > 12
    assert all(role != "ai_raw" for role, _ in extra_tags(USUAL | {"ai_raw"}))


def test_tag_more_never_takes_a_name_away() -> None:
    before = naming(USUAL)
    after = naming(USUAL | {"ai_raw"})
    assert set(before.alone) <= set(after.alone)
    assert "current-leak" in after.alone
    assert "raw-span" in before.sets["current-leak"]


@pytest.mark.parametrize(("cause", "needs"), [("wet-dry-basis", ("moisture",)), ("shutter-contradiction", ("shutter_closed",))])
def test_missing_roles_are_named(cause: str, needs: tuple[str, ...]) -> None:
    assert naming(USUAL).missing[cause] == needs


def test_everything_read_back_leaves_only_what_hands_part() -> None:
    found = naming({*ROLES, *DECLARED})
    assert not found.missing
    assert not found.extra
    hands = {cause for pair, by in pairs().items() if not by for cause in pair}
    assert set(found.sets) == hands


def test_pairs_that_data_part_need_no_tag() -> None:
    assert pairs()[frozenset(("upper-range", "lower-range"))] is BY_DATA
    assert "lower-range" not in naming({"flow"}).sets.get("upper-range", ())


def test_current_that_is_the_card_itself_and_an_empty_ledger_do_not_count() -> None:
    assert "loop_current" in tags_of(SITE, "TB-07")
    loop = SITE.loops["TB-07"]
    same = loop.tags["loop_current"].model_copy(update={"independent": False})
    changed = loop.model_copy(update={"tags": {**loop.tags, "loop_current": same}})
    site = SITE.model_copy(update={"loops": {**SITE.loops, "TB-07": changed}})
    assert "loop_current" not in tags_of(site, "TB-07")
    assert REFERENCES not in tags_of(SITE, "TB-07")
    entry = MaterialTestEntry.model_validate(
        {"loop": "TB-07", "begin": "2026-05-04T06:00Z", "end": "2026-05-04T08:00Z", "reference": 520.0, "uncertainty": 1.0}
    )
    weighed = SITE.model_copy(update={"ledger": Ledger(material_tests=(entry,))})
    assert REFERENCES in tags_of(weighed, "TB-07")
    assert REFERENCES not in tags_of(weighed, "TB-08")


def test_partners_come_from_both_sides_of_the_catalogue() -> None:
    assert dict(partners("wrong-variable")).keys() >= {"upper-range", "extra-filter", "digital-analogue-differ"}


PAIRS = (
    # roles that are read, causes that stay together under them, what parts them
    ("count_rate", ("shutter-closed", "shutter-contradiction"), "shutter_closed"),
    ("flow plc_flow", ("current-leak", "raw-span"), "ai_raw"),
    ("flow plc_flow ai_raw loop_current", ("current-offset", "output-trim"), ""),
    ("flow plc_flow ai_raw", ("upper-range", "output-trim"), "gauge_output"),
    ("flow plc_flow ai_raw loop_current", ("current-leak-in", "current-offset"), ""),
    ("flow plc_flow speed", ("wrong-variable", "upper-range"), VARIED),
    ("flow plc_flow", ("ton-unit", "upper-range"), "plc_unit"),
    ("flow plc_flow", ("output-frozen", "forced-value"), "plc_forced"),
    ("flow plc_flow", ("stale-tag", "forced-value"), "plc_total"),
    ("flow count_rate", ("detector-drift", "build-up"), ""),
    ("flow count_rate", ("detector-drift", "detector-temperature"), "detector_temperature"),
    ("flow count_rate", ("decay-off", "nuclide-or-clock"), "nuclide_code"),
    ("flow", ("stale-tare", "tare-loaded"), "count_rate"),
    ("flow", ("calibration-factor", "load-shape"), REFERENCES),
    ("flow references", ("calibration-factor", "wet-dry-basis"), "moisture"),
    ("flow count_rate", ("background", "product-gammas"), "background_rate"),
)
"""Pairs that only one role more parts; an empty one: only somebody who goes and looks."""


@pytest.mark.parametrize(
    ("roles", "pair", "parted_by"), PAIRS, ids=lambda item: "-".join(item) if isinstance(item, tuple) else ""
)
def test_pair_stays_together_until_the_role_that_parts_it_is_read(roles: str, pair: tuple[str, str], parted_by: str) -> None:
    tags = set(roles.split())
    one, other = pair
    assert other in mates(one, tags)
    assert one in mates(other, tags)
    if parted_by:
        assert other not in mates(one, tags | {parted_by})
    else:
        assert pairs()[frozenset(pair)] == ()


def test_belt_that_runs_at_several_speeds_is_declared_by_its_drive() -> None:
    assert VARIED in tags_of(SITE, "TB-09")
    assert VARIED not in tags_of(SITE, "TB-07")
