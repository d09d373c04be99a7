"""Signing in, acting, being refused and signing out, in a browser; the pages of accounts looked at."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from collector.access.roles import Role
from config.web import Web
from tests.browser import places
from tests.browser.axe import violations
from tests.browser.conftest import Open
from tests.browser.served import served
from tests.collector.web import plant
from tests.collector.web.locked import CONSOLE, NAMES, Locked, locked_app, password_of

pytestmark = pytest.mark.browser

ALERT = plant.alert().id


@pytest.fixture
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    made = locked_app(tmp_path_factory.mktemp("locked"), Web())
    with served(made.app) as base:
        made.base = base
        yield made
    made.state.close()


def sign_in(page: Page, role: Role) -> None:
    page.get_by_label("name").fill(NAMES[role])
    page.get_by_label("password").fill(password_of(role))
    page.get_by_role("button", name="Sign in").click()


def sign_out(page: Page, role: Role) -> None:
    page.get_by_role("link", name=f"{NAMES[role]} ({role.value})").click()
    expect(page.locator(".lead")).to_contain_text(f"Signed in as {role.value}")
    page.get_by_role("button", name="Sign out", exact=True).click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_sign_in_act_as_operator_be_refused_as_viewer_sign_out(locked: Locked, visit: Open) -> None:
    seen = visit(f"{locked.base}/alerts")
    page = seen.page
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.get_by_label("name").fill(NAMES[Role.VIEWER])
    page.get_by_label("password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("do not belong together")
    sign_in(page, Role.VIEWER)
    expect(page).to_have_url(f"{locked.base}/alerts")
    expect(page.get_by_text("as weber").first).to_be_visible()
    expect(page.get_by_label("your name")).to_have_count(0)
    expect(page.get_by_role("button", name="Acknowledge").first).to_be_disabled()
    expect(page.get_by_text("for the role operator").first).to_be_visible()
    # in one go: the page that asks anew would lock it again
    page.get_by_role("button", name="Acknowledge").first.evaluate(
        "(button) => { button.closest('fieldset').disabled = false; button.click(); }"
    )
    expect(page.locator(".lead")).to_contain_text("This needs the role operator (acknowledges, shelves")
    expect(page.locator(".lead")).to_contain_text("weber is a viewer")
    expect(page.locator("main")).to_contain_text("What to do: ask ortega for it.")
    assert locked.desk.alerts[ALERT].acknowledged is None
    page.goto(locked.base)
    sign_out(page, Role.VIEWER)
    sign_in(page, Role.OPERATOR)
    expect(page.locator(".step")).to_be_visible()
    page.goto(f"{locked.base}/alerts")
    page.get_by_role("button", name="Acknowledge").first.click()
    expect(page.get_by_text("Acknowledged by sandhu").first).to_be_visible()
    assert locked.desk.alerts[ALERT].acknowledged_by == "sandhu"
    expect(page.get_by_role("link", name="Accounts")).to_have_count(0)
    sign_out(page, Role.OPERATOR)
    page.go_back()
    page.reload()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert {host for host in seen.hosts if host} == {locked.base.removeprefix("http://")}


def test_admin_adds_an_account_and_a_token_by_the_keyboard(locked: Locked, visit: Open) -> None:
    seen = visit(f"{locked.base}/accounts")
    page = seen.page
    sign_in(page, Role.ADMIN)
    expect(page.get_by_role("heading", name="Accounts", exact=True)).to_be_visible()
    form = page.locator("form[action='/accounts']")
    form.get_by_label("name").focus()
    for text in ("diallo", "e", "quiet belt at night", "quiet belt at night"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_role("row", name="diallo engineer")).to_be_visible()
    made = locked.access.accounts.find("diallo")
    assert made is not None
    assert made.role is Role.ENGINEER
    page.get_by_label("name of the program").fill("scraper")
    page.get_by_label("metrics").check()
    page.get_by_role("button", name="Make the token").click()
    secret = page.locator("code.secret").inner_text()
    assert locked.access.by_token(secret, "") is not None
    assert seen.errors == []


ASKED = 120
"""How often something changes until the page has to have asked anew."""


def test_live_page_says_that_the_session_is_over_and_asks_no_more(locked: Locked, visit: Open) -> None:
    page = visit(locked.base).page
    sign_in(page, Role.VIEWER)
    expect(page.locator("#live")).to_be_visible()
    locked.access.accounts.set_disabled(NAMES[Role.VIEWER], True, by=CONSOLE)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    for _ in range(ASKED):  # a stream that is not open yet misses a change
        locked.app.state.loop.call_soon_threadsafe(locked.live.touch)
        if "Signed out at" in page.locator("#link-state").inner_text():
            break
        page.wait_for_timeout(500)
    expect(page.locator("#link-state")).to_contain_text("Signed out at")
    expect(page.locator("#link-state")).to_contain_text("reload the page and sign in")


@pytest.mark.parametrize("name", places.LOCKED)
def test_page_of_accounts_breaks_no_rule_and_fits_a_phone(locked: Locked, visit: Open, name: str) -> None:
    seen = visit(f"{locked.base}/login")
    page = seen.page
    if name != "login":
        sign_in(page, Role.ADMIN)
        expect(page.locator("#live")).to_be_visible()
        page.goto(locked.base + places.LOCKED[name])
    page.evaluate("document.querySelectorAll('details').forEach((item) => { item.open = true })")
    for width, scheme in ((1280, "light"), (360, "dark")):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert violations(page) == [], f"{width} px, {scheme}"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert seen.errors == []
