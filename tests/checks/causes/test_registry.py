"""The catalogue is complete, consistent and in words of its own."""

from __future__ import annotations

import pytest

from checks.causes import registry
from checks.causes.cause import Cause
from config.roles import ROLES

CAUSES = list(registry().values())


def test_catalogue_holds_76_causes_under_their_own_ids() -> None:
    assert len(CAUSES) == 76
    assert all(key == cause.id for key, cause in registry().items())


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.id)
def test_cause_names_known_roles_links_look_alikes_and_three_checks(cause: Cause) -> None:
    assert cause.title
    assert cause.links
    assert set(cause.roles) <= set(ROLES)
    assert {item.cause for item in cause.look_alikes} <= set(registry()) - {cause.id}
    assert all(item.separated_by for item in cause.look_alikes)
    assert len(set(cause.checks)) == 3
    assert cause.weight > 0.0


def test_every_cause_in_the_beam_sends_to_the_gauge_with_cautions() -> None:
    for name in ("zero-counts", "shutter-closed", "shutter-contradiction", "counts-frozen", "detector-temperature", "build-up"):
        assert registry()[name].at_gauge


def test_only_stepwise_decay_is_innocent() -> None:
    assert [cause.id for cause in CAUSES if cause.innocent] == ["decay-in-steps"]
