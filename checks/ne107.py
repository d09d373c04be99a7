"""NAMUR NE 107: the four status signals, from verdicts. Letters by the publisher's abstract; wording second-hand."""

from __future__ import annotations

from enum import StrEnum

from checks.result import Verdict


class Status(StrEnum):
    """Status signal of NE 107; the letter is its value, GOOD has none."""

    FAILURE = "F"
    FUNCTION_CHECK = "C"
    OUT_OF_SPECIFICATION = "S"
    MAINTENANCE_REQUIRED = "M"
    GOOD = ""

    @property
    def words(self) -> str:
        """The name of the signal."""
        return _WORDS[self]


_WORDS = {
    Status.FAILURE: "Failure",
    Status.FUNCTION_CHECK: "Function check",
    Status.OUT_OF_SPECIFICATION: "Out of specification",
    Status.MAINTENANCE_REQUIRED: "Maintenance required",
    Status.GOOD: "Good",
}


def status(verdict: Verdict, *, unusable: bool = False, working: bool = False) -> Status | None:
    """Status of a verdict; None where nothing can be said.

    `unusable`: the signal carries nothing (dead detector, open loop). `working`: calibration or maintenance is going on.

    ============== ======== ==========================
    verdict        working  status
    ============== ======== ==========================
    any            yes      function check
    fault          no       failure if unusable, else out of specification
    suspect        no       maintenance required
    ok             no       good
    not evaluated  no       none
    ============== ======== ==========================
    """
    if working:
        return Status.FUNCTION_CHECK
    if verdict is Verdict.FAULT:
        return Status.FAILURE if unusable else Status.OUT_OF_SPECIFICATION
    return {Verdict.SUSPECT: Status.MAINTENANCE_REQUIRED, Verdict.OK: Status.GOOD}.get(verdict)
