"""From check results to findings, in a fixed order of reasoning."""

from __future__ import annotations

from collections.abc import Sequence

from checks.finding import Finding
from checks.result import CheckResult
from checks.window import Window


def diagnose(window: Window, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    """The findings of a loop, largest consequence first. (Body to be written.)"""
    del window, results
    return ()
