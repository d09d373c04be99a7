"""The accessibility rules of axe-core run in a page; what they find comes back as lines a person can act on."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from playwright.sync_api import Page

SOURCE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
"""Rule sets: the criteria of WCAG 2.0, 2.1 and 2.2 at levels A and AA, and the habits that the makers of the rules advise."""

RUN = """async (tags) => {
  const found = await axe.run(document, { runOnly: { type: "tag", values: tags }, resultTypes: ["violations"] });
  return found.violations.map(({ id, help, nodes }) => ({ id, help, where: nodes.map((node) => `${node.target} ${node.html.slice(0, 160)}`) }));
}"""


@cache
def rules() -> str:
    """The rules as a script; an error that says how to get them where they are not installed."""
    if not SOURCE.is_file():
        raise RuntimeError("axe-core is not installed: run tests/browser/install.sh (tests/run does)")
    return SOURCE.read_text(encoding="utf-8")


def violations(page: Page) -> list[str]:
    """Every rule that the page breaks, with the elements that break it; empty where it breaks none."""
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(rules())
    found: list[dict[str, Any]] = page.evaluate(RUN, list(TAGS))
    return [f"{item['id']}: {item['help']}: {where}" for item in found for where in item["where"]]
