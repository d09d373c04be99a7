"""The answers of the checks: asked anew where they are due, held in between; a check that breaks is an answer too."""

from __future__ import annotations

from collections.abc import Hashable

from checks.catalogue import CHECKS, Check
from checks.result import CheckResult, Verdict
from checks.window import Window

SHOWN_UP_TO_S = 60
"""What is asked less often than this is not asked anew only to be shown [s]."""

Results = tuple[CheckResult, ...]


class Answers:
    """Asks the checks of one loop and holds what they said. `errors` counts the checks that broke, by name."""

    def __init__(self) -> None:
        self.errors: dict[str, int] = {}
        self._held: dict[str, tuple[int, list[CheckResult]]] = {}
        self._followed: dict[str, Hashable] = {}
        self._seen: dict[str, tuple[int, list[CheckResult]]] = {}

    def due(self, window: Window, *, calm: bool, pressing: bool, upright: bool = False) -> Results:
        """Every answer at a block that is judged: new where a check is due, else the one that was held.

        Where all is `calm`, lines and totals are asked seldom, and less often where nothing leans and nothing is told, `upright`;
        where a line has just begun to lean, `pressing`, the lines are asked anew.
        """
        if pressing:
            self._held.pop("scaling", None)
        return tuple(result for check in CHECKS for result in self._answer(check, window, calm=calm, upright=upright))

    def shown(self, window: Window) -> Results:
        """Every answer for people to look at; what is asked seldom is held since the last block that was judged."""
        return tuple(result for check in CHECKS for result in self._shown(check, window))

    def standing(self, window: Window) -> Results:
        """Every answer as it was given last, for nobody in particular; only what was never asked is asked now."""
        return tuple(result for check in CHECKS for result in self._newest(check, window))

    def asked(self, window: Window) -> Results:
        """Every answer, asked anew; none is held."""
        return tuple(result for check in CHECKS for result in self._asked(check, window))

    def _answer(self, check: Check, window: Window, *, calm: bool, upright: bool) -> list[CheckResult]:
        every_s = max(check.calm_s if calm else 0, check.upright_s if upright else 0, check.every_s, 1)
        held = self._held.get(check.name)
        if held is None or held[0] // every_s != window.end_s // every_s:
            followed = check.follows(window) if check.follows is not None else None
            same = held is not None and followed is not None and followed == self._followed.get(check.name)
            self._followed[check.name] = followed
            held = self._held[check.name] = (window.end_s, held[1] if held is not None and same else self._asked(check, window))
        return held[1]

    def _shown(self, check: Check, window: Window) -> list[CheckResult]:
        held, every_s = self._held.get(check.name), max(check.every_s, 1)
        if held is not None and (held[0] // every_s == window.end_s // every_s or check.every_s > SHOWN_UP_TO_S):
            return held[1]
        seen = self._seen.get(check.name)
        if seen is None or seen[0] // every_s != window.end_s // every_s:
            seen = self._seen[check.name] = (window.end_s, self._asked(check, window))
        return seen[1]

    def _newest(self, check: Check, window: Window) -> list[CheckResult]:
        known = [one for one in (self._held.get(check.name), self._seen.get(check.name)) if one is not None]
        return max(known, key=lambda one: one[0])[1] if known else self._shown(check, window)

    def _asked(self, check: Check, window: Window) -> list[CheckResult]:
        try:
            found = check.check(window)
        except Exception as error:  # noqa: BLE001 - a check that breaks is an answer too: counted, shown, never gone
            self.errors[check.name] = self.errors.get(check.name, 0) + 1
            return [_nothing(check, f"check failed: {type(error).__name__}: {error}", ())]
        return found or [_nothing(check, "the loop lacks the tags that this check compares", check.needs)]


def _nothing(check: Check, reason: str, needs: tuple[str, ...]) -> CheckResult:
    return CheckResult(check=check.name, link=check.link, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=needs)
