"""Findings and episode changes of one invented loop."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from checks.episodes import Episode, EpisodeChange
from checks.finding import Finding
from checks.result import Evidence, Link, Verdict

T0 = 1_795_600_000
"""2026-11-25 09:46:40 UTC."""


def finding(**changes: object) -> Finding:
    """A range changed on one side only, found on TB-07."""
    made = Finding(
        loop="TB-07",
        link=Link.SCALING_BLOCK,
        cause="range-mismatch",
        title="ends differ",
        verdict=Verdict.FAULT,
        odds=40.0,
        begin=T0 - 600,
        begin_interval=(T0 - 900, T0 - 500),
        tonnes=3.4,
        tonnes_uncertainty=0.6,
        rate_error_t_h=20.4,
        advice=("compare both ranges", "force 4, 12 and 20 mA", "read the change log", "a fourth step"),
        evidence=(Evidence(name="output against input", value=0.31, unit="mA", limit=0.08, standard_error=0.01),),
        sentence="The PLC shows 5 % more than the gauge sends.",
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def change(
    kind: Literal["raised", "refined", "returned"] = "raised", found: Finding | None = None, *, number: int = 1, at: int = T0
) -> EpisodeChange:
    """A change of the episode `number` of the loop of a finding."""
    shown = found or finding()
    episode = Episode(
        id=f"{shown.loop}-{shown.link.value}-{number}", loop=shown.loop, link=shown.link, finding=shown, raised_s=at,
        ended_s=at if kind == "returned" else None,
    )  # fmt: skip
    return EpisodeChange(kind=kind, episode=episode, time_s=at)
