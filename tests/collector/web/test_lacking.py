"""Whoever may not send a form sees that before typing into it."""

from __future__ import annotations

import re

import pytest

from collector.access.roles import Role, Who
from collector.web.lacking import disabled
from collector.web.permissions import NEEDS

CHECK = '<form class="correct" method="post" action="/loops/TB-07/check?x=1&amp;y=2">\n<button>Begin</button></form>'
SIGN_OUT = '<form class="correct" method="post" action="/logout"><button>Sign out</button></form>'
SEARCH = '<form method="get" action="/audit"><button>Show</button></form>'


def of(role: Role | None) -> Who:
    return Who(role=role, kind="account", name="olga")


@pytest.mark.parametrize("role", Role)
def test_a_form_is_disabled_for_every_role_below_that_of_its_route(role: Role) -> None:
    page = disabled(f"<p>before</p>{CHECK}{SIGN_OUT}{SEARCH}", of(role))
    assert ("disabled" in page) is (role is Role.VIEWER)
    assert SIGN_OUT + SEARCH in page
    if role is Role.VIEWER:
        assert re.search(r'check\?x=1&amp;y=2"><fieldset class="lacking" disabled><legend>for the role operator</legend>', page)
        assert page.count("<fieldset") == page.count("</fieldset>") == 1


def test_the_first_route_that_matches_is_not_taken_for_another() -> None:
    engineers = '<form method="post" class="act" action="/x"></form><form method="post" action="/records/restate"></form>'
    page = disabled(engineers, of(Role.OPERATOR))
    assert NEEDS["POST", "/records/restate"] is Role.ENGINEER
    assert page == engineers.replace(
        '"/records/restate">',
        '"/records/restate"><fieldset class="lacking" disabled><legend>for the role engineer</legend></fieldset>',
    )
