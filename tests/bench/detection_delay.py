"""How long a small step stands until it is seen, beside the exact delay of a cumulative sum made for that step.

    .venv/bin/python -P tests/bench/detection_delay.py [--seeds 12] [--beyond]

A loop of the invented terminal under a steady feed of 260 t/h gets a step at a random second: of the slope (output trim) by 1, 2
and 5 %, or of the current by 0.05, 0.1 and 0.2 mA. The product's delays are those of its engine, from the step to the end of
the first block that is called doubtful or differs, and to the first finding. Beside them stands the one-sided cumulative
sum of whitened block residuals that is made for exactly this step (reference value half the shift), cut so that all residuals
of a loop together raise one false alarm a year. Formula and inputs are printed.

What the step must exceed is by design. Below the suspect limit (0.25 % of span) nothing is said, for ever. Below the fault limit
(0.5 %) plus what output and card may honestly be off (0.1 % of gain each, 0.02 % of span, k = 2: the systematic floor, which
no amount of data removes) a difference is doubtful and no fault. So each delay stands beside the sum that, like the
product, lets pass what is allowed: the doubt beside the sum made for the excess over the suspect limit, the finding beside the
one made for the excess over fault limit and floor. A step within its limit says so instead of a delay.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from checks.engine import LoopEngine
from checks.episodes import EpisodeTracker
from checks.lines import chain
from checks.result import Link, Verdict
from checks.samples import Samples
from checks.scaling import check
from deploy.plant.model import Switch, simulate
from deploy.plant.scenario import Steady
from deploy.plant.terminal import fresh, specs_at
from tests.acceptance.simulated import READ_BACK, lacking
from tests.checks.runs_of_terminal import BEGIN, terminal
from tests.reference.cusum import level_for, run_length

LOOP, FEED = "TB-07", 260.0
STEPS: tuple[tuple[str, float], ...] = (
    ("output-trim", 1.01), ("output-trim", 0.98), ("output-trim", 1.05),
    ("current-offset", 0.05), ("current-offset", 0.1), ("current-offset", 0.2),
)  # fmt: skip
WHOLE_PATH = (*READ_BACK, "gauge_output", "loop_current", "ai_raw")
WARM_S, LONGEST_S = 3600, 900
RESIDUALS, SIDES = 11, 2
YEAR_S = 365.2422 * 86400.0


@dataclass(frozen=True, slots=True)
class Delays:
    """Seconds from the step to the first verdict and finding, NaN where there was none in time."""

    doubtful: float
    differs: float
    finding: float
    raised: float


def shift_t_h(fault: str, severity: float, span: float) -> float:
    """What the step moves the far end by at the feed of the bench [t/h]."""
    return (severity - 1.0) * FEED if fault == "output-trim" else severity / 16.0 * span


def read(samples: Samples, without: tuple[str, ...]) -> Samples:
    """The run as a site reads it that lacks these roles."""
    values = {role: column for role, column in samples.values.items() if role not in without}
    return replace(samples, values=values, quality={role: samples.quality[role] for role in values})


def run(fault: str, severity: float, seed: int, without: tuple[str, ...]) -> tuple[Delays, float, float]:
    """Delays of one step, and the standard deviation and lag-one correlation of a row before it [t/h, 1]."""
    at = WARM_S + int(np.random.default_rng(seed).integers(0, 300))
    spec = specs_at(fresh(BEGIN))[LOOP]
    run_ = simulate(
        spec, (at + LONGEST_S) / 3600.0, BEGIN, seed, [Switch(fault, at / 3600.0, severity=severity)], scenario=Steady(FEED)
    )
    samples, site = read(run_, without), lacking(terminal(), LOOP, without)
    engine, tracker = LoopEngine(site, LOOP), EpisodeTracker(site, LOOP)
    first = at // 10 * 10
    engine.push(samples[slice(0, first)], evaluate=False)
    window = engine.window(BEGIN + first)
    facts = {result.link: result.facts for result in check(window)}
    link = Link.SCALING_BLOCK if without == WHOLE_PATH else Link.CURRENT
    seen = dict.fromkeys(("doubtful", "differs", "finding", "raised"), math.nan)
    ends = range(first + 10, len(samples.time_s) + 1, 10)
    for evaluation in (item for end in ends for item in engine.push(samples[slice(end - 10, end)])):
        verdicts = {result.verdict for result in evaluation.results if result.check == "scaling"}
        now = {
            "doubtful": bool(verdicts & {Verdict.SUSPECT, Verdict.FAULT}), "differs": Verdict.FAULT in verdicts,
            "finding": bool(evaluation.findings), "raised": bool(tracker.update(evaluation)),
        }  # fmt: skip
        for name, holds in now.items():
            if holds and math.isnan(seen[name]):
                seen[name] = float(evaluation.time_s - BEGIN - at)
        if not any(math.isnan(value) for value in seen.values()):
            break
    return Delays(**seen), facts[link]["sigma"], facts[link]["rho"]


def exact_s(shift: float, sigma: float, rho: float, length_s: int) -> float:
    """Mean delay [s] of the cumulative sum made for this shift [t/h] of rows with this noise; the step falls into a row."""
    rows = RESIDUALS * SIDES * YEAR_S / length_s
    size = abs(shift) * (1.0 - rho) / (sigma * math.sqrt(1.0 - rho * rho))
    if size <= 0.05:
        return math.inf
    return length_s * (0.5 + run_length(size, size / 2.0, level_for(size / 2.0, rows)))


def shown(values: list[float]) -> str:
    """Mean over the seeds that saw it, and how many did."""
    there = [value for value in values if not math.isnan(value)]
    return f"{np.mean(there):5.0f} s ({len(there)}/{len(values)})" if there else "     - (0)   "


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument(
        "--beyond", action="store_true", help="only steps beyond the fault limit: the others stand for 15 minutes"
    )
    options = parser.parse_args()
    seeds = range(1, options.seeds + 1)
    loop = terminal().loops[LOOP]
    length, limit, span = int(terminal().block), loop.limits.link, chain(loop)[0].span
    floor = 2.0 * math.hypot(0.0014 * FEED, 0.0002 * span)
    suspect, fault_at = limit.suspect / 100.0 * span, limit.fault / 100.0 * span + floor
    print(f"{LOOP}, {FEED:g} t/h, rows of {length} s, seeds 1 to {seeds[-1]}; span {span:g} t/h")
    print(
        f"systematic floor {floor:.2f} t/h (output and card gain 0.1 % each, offset 0.02 % of span, k = 2): no data tell less"
    )
    print(f"doubtful beyond {suspect:.2f} t/h (suspect limit), a finding beyond {fault_at:.2f} t/h (fault limit and floor)")
    print("sum S = max(0, S + z - k), z whitened residual over its sigma, k = shift/2; S >= h with")
    rows = RESIDUALS * SIDES * YEAR_S / length
    print(f"ARL0 = {RESIDUALS} residuals x {SIDES} sides x rows of a year = {rows:.2e} rows (one-sided)")
    print("allowed: told all the same by the line through many rows, which reaches the limit at the largest flow that was seen")
    print("ratio: mean delay over that of the sum made for what lies beyond the limit; delays with the seeds that saw the step")
    for name, without in (("by steps", READ_BACK), ("whole path", WHOLE_PATH)):
        print(f"\n{name}")
        print(
            f"{'step':21}{'shift':>7}{'sigma':>7}{'rho':>6}{'plain sum':>11} |{'sum':>7}{'doubtful':>14}{'ratio':>7}"
            f" |{'sum':>7}{'finding':>14}{'ratio':>7}{'raised':>14}"
        )
        for fault, severity in STEPS:
            if options.beyond and abs(shift_t_h(fault, severity, span)) <= fault_at:
                continue
            found = [run(fault, severity, seed, without) for seed in seeds]
            shift = shift_t_h(fault, severity, span)
            sigma, rho = (float(np.mean([item[column] for item in found])) for column in (1, 2))
            delays = [item[0] for item in found]
            raised = shown([item.raised for item in delays])
            print(
                f"{fault + f' {severity:g}':21}{shift:7.2f}{sigma:7.3f}{rho:6.2f}{exact_s(shift, sigma, rho, length):9.0f} s |"
                f"{beside(abs(shift) - suspect, sigma, rho, length, [item.doubtful for item in delays])} |"
                f"{beside(abs(shift) - fault_at, sigma, rho, length, [item.finding for item in delays])}{raised:>14}",
                flush=True,
            )


def beside(excess: float, sigma: float, rho: float, length_s: int, delays: list[float]) -> str:
    """The exact delay for what lies beyond the limit, the mean of the delays, and their ratio; or that it is allowed."""
    there = [value for value in delays if not math.isnan(value)]
    if excess <= 0.0:
        return f"{'allowed':>7}{shown(delays):>14}{'':7}" if there else f"{'within limits':>28}"
    exact = exact_s(excess, sigma, rho, length_s)
    return f"{exact:5.0f} s{shown(delays):>14}{float(np.mean(there)) / exact if there else math.nan:7.2f}"


if __name__ == "__main__":
    main()
