"""Every page as pictures: light and dark, on a desk and on a phone, from a terminal with a past.

    .venv/bin/python -P tests/browser/screenshots.py OUT [--data FOLDER] [--only NAME ...]

OUT gets NAME-WIDTH-SCHEME.png. Making the past takes some minutes of processor time; `--data` keeps it for the next time.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Literal

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from playwright.sync_api import Browser, sync_playwright

from collector.access.roles import Role, Scope
from config.web import Web
from tests.browser import places
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from tests.browser.populated import populate
from tests.browser.served import served
from tests.collector.web.locked import CONSOLE, locked_app

SIZES = ((1280, 800), (360, 780))
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def take(browser: Browser, base: str, name: str, address: str, out: Path, session: str = "") -> None:
    """The pictures of one page, as whoever is signed in with a session sees it."""
    for width, height in SIZES:
        for scheme in SCHEMES:
            context = browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce"
            )
            if session:
                context.add_cookies([{"name": "tallywire", "value": session, "url": base}])
            page = context.new_page()
            page.goto(base + address)
            page.wait_for_load_state("load")
            if page.locator("[data-panel]").count():
                page.locator(".plot canvas").first.wait_for()
            page.screenshot(path=out / f"{name}-{width}-{scheme}.png", full_page=True)
            context.close()
    print(name, address)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--data", type=Path, metavar="FOLDER", help="where the past is kept, or lies already")
    parser.add_argument("--only", nargs="*", metavar="NAME", help=f"of {', '.join((*places.EVERY, *places.LOCKED, 'error'))}")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    take_locked(args.out, args.only)
    if args.only and not set(args.only) - places.LOCKED.keys():
        return
    with tempfile.TemporaryDirectory() as made:
        past = populate(args.data or Path(made))
        wanted = {**places.EVERY, "error": places.UNKNOWN}
        with served(past.app()) as base, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            for name in args.only or wanted:
                if name in wanted:
                    take(browser, base, name, wanted[name], args.out)
            browser.close()
        past.store.close()


def take_locked(out: Path, only: list[str] | None) -> None:
    """The pages that need accounts, as an admin sees them."""
    with tempfile.TemporaryDirectory() as made:
        locked = locked_app(Path(made), Web())
        locked.access.tokens.add("scraper", [Scope.METRICS], 90.0, by=CONSOLE)
        with served(locked.app) as base, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            for name in only or places.LOCKED:
                if name in places.LOCKED:
                    take(browser, base, name, places.LOCKED[name], out, "" if name == "login" else locked.session(Role.ADMIN))
            browser.close()
        locked.state.close()


if __name__ == "__main__":
    main()
