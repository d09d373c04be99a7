"""Is each link's straight line the identity? The residual ladder from the gauge's flow to the PLC's."""

from __future__ import annotations

from checks.result import CheckResult
from checks.window import Window


def check(window: Window) -> list[CheckResult]:
    """One result for each line of the chain that the loop's roles allow (`checks.lines`). (Body to be written.)"""
    del window
    return []
