"""The diagnosis matrix: every cause at every size on drawn sites, and how often it is named, where, how surely, how soon.

    .venv/bin/python -P tests/bench/diagnosis.py [--draws 4] [--only upper-range] [--days 2] [--jobs 2] [--json out.json]

Seeds are fixed and printed. The code path is that of the product: samples, engine, findings, episodes. Progress goes to stderr.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import sys
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait for each other
sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from scipy.stats import beta, chi2

from tests.faults.cases import CASES, SIZES, Case
from tests.faults.draws import draw
from tests.faults.grade import FIRST, MISSING, SET, SILENT, UNNAMED, WRONG, Outcome
from tests.faults.ledger import is_slow
from tests.faults.nuisances import DAY_S, NUISANCES, Quiet, run_nuisance
from tests.faults.run import Prefixes, can_have, levels, run_case

MONTH_H = 730.5
SHUFFLED = 20_270
PIECE = 4
"""Cases that one task runs on one draw."""
BANDS = ((1.0, 3.0), (3.0, 9.0), (9.0, 19.0), (19.0, 99.1))

Task = tuple[int, tuple[int, ...], tuple[str, ...]]


def run_task(task: Task) -> tuple[list[Outcome], float, float]:
    """Outcomes of some cases on one draw, and the seconds that sound stretches and their copies took."""
    number, indices, sizes = task
    prefixes = Prefixes(draw(number))
    out = []
    for index in indices:
        case = CASES[index]
        if can_have(case, prefixes.draw):
            out += [_run(case, size, level, prefixes) for size, level in levels(case) if size in sizes]
    return out, prefixes.ran_s, prefixes.copied_s


def _run(case: Case, size: str, level: float | None, prefixes: Prefixes) -> Outcome:
    """One outcome; a run that breaks is the worst answer there is, and does not end the matrix."""
    try:
        return run_case(case, size, level, prefixes)
    except Exception as error:  # noqa: BLE001 - shown in the matrix, loudly
        broke = "".join(traceback.format_exception(error)[-3:])
        return Outcome(
            cause=case.cause, fault=case.plant_fault, size=size, severity=level, draw=prefixes.draw.number,
            read=prefixes.draw.read, grade=WRONG, can_be_named=True, told=(f"BROKE: {broke}",),
        )  # fmt: skip


def main() -> None:
    """Run what is asked for and print the tables."""
    options = _options()
    began = time.monotonic()
    chosen = [index for index, case in enumerate(CASES) if not options.only or case.cause in options.only]
    chosen = chosen[: options.cases]
    numbers = list(range(options.first, options.first + options.draws))
    print("seeds: draw n is made by numpy's default_rng([20270, n]); its plant runs with seed 20270 + 1000 n")
    for number in numbers:
        print(" ", draw(number).words)
    pieces = [tuple(chosen[first : first + PIECE]) for first in range(0, len(chosen), PIECE)]
    tasks = [(number, piece, tuple(options.size or SIZES)) for number in numbers for piece in pieces]
    random.Random(SHUFFLED).shuffle(tasks)  # so that a run that is broken off is a fair sample of the whole
    outcomes: list[Outcome] = []
    quiet: list[Quiet] = []
    ran = copied = 0.0
    lengths = [min(1.0, options.days - day) for day in range(math.ceil(options.days))]
    days = [
        (name, number, day, round(length * DAY_S / 600.0) * 600)
        for day, length in enumerate(lengths)
        for number in numbers
        for name in NUISANCES
    ]
    with ProcessPoolExecutor(options.jobs) as pool:
        jobs = [pool.submit(run_task, task) for task in tasks]
        nuisances = [pool.submit(run_nuisance, *item) for item in days]
        for done, job in enumerate(as_completed(jobs), 1):
            found, sound_s, copies_s = job.result()
            outcomes += found
            ran, copied = ran + sound_s, copied + copies_s
            print(f"cases: {done}/{len(jobs)} tasks, {time.monotonic() - began:.0f} s", file=sys.stderr)
            for item in found:
                kind = "identifiable" if item.identifiable else "inseparable" if item.can_be_named else "not nameable"
                link = "" if item.right_link is not False else " WRONG LINK"
                words = f"  {item.fault} {item.size} draw {item.draw} ({item.read}), {kind}: {item.grade}{link}; {'; '.join(item.told)}"
                print(words, file=sys.stderr, flush=True)
        for done, day in enumerate(as_completed(nuisances), 1):
            quiet.append(day.result())
            print(f"nuisances: {done}/{len(nuisances)} runs, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    outcomes.sort(key=lambda item: (_place(item), SIZES.index(item.size), item.draw))
    print_matrix(outcomes)
    print_classes(outcomes)
    print_odds(outcomes)
    print_coverage(outcomes)
    print_quiet(quiet)
    worked = sum(item.worked_s for item in outcomes)
    print(
        f"\n{len(outcomes)} runs in {time.monotonic() - began:.0f} s of wall clock: {worked:.0f} s behind the onset, {ran:.0f} s in sound "
        f"stretches, {copied:.0f} s copying them"
    )
    if options.json:
        plain = {"outcomes": [item.plain() for item in outcomes], "quiet": [item.plain() for item in quiet]}
        Path(options.json).write_text(json.dumps(plain, indent=1), encoding="utf-8")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--cases", type=int, default=len(CASES), help="only the first so many cases")
    parser.add_argument("--draws", type=int, default=4, help="drawn sites")
    parser.add_argument("--first", type=int, default=0, help="number of the first drawn site")
    parser.add_argument("--only", action="append", default=[], metavar="CAUSE", help="only this cause (may be repeated)")
    parser.add_argument("--size", action="append", default=[], choices=SIZES, help="only this size (may be repeated)")
    parser.add_argument("--days", type=float, default=0.0, help="days of every nuisance on every drawn site (parts of one too)")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--json", default="", help="file for the results as JSON")
    return parser.parse_args()


def _place(item: Outcome) -> int:
    return next(
        index for index, case in enumerate(CASES)
        if (case.plant_fault, case.cause) == (item.fault, item.cause) and is_slow(case) == (item.read == "ledger")
    )  # fmt: skip


def print_matrix(outcomes: Sequence[Outcome]) -> None:
    """Cause by size: how many were named first, at the right link, within their set, not, wrongly; median delays."""
    groups: dict[tuple[str, str], list[Outcome]] = defaultdict(list)
    for item in outcomes:
        groups[(f"{item.fault}{' (weeks)' if item.read == 'ledger' else ''}", item.size)].append(item)
    heads = ("cases", FIRST, "link", SET, UNNAMED, WRONG, SILENT, "told [s]", "named [s]")
    print(f"\n{'cause':30} {'size':9}" + "".join(f"{head:>10}" for head in heads))
    for (fault, size), items in groups.items():
        marks = Counter(item.grade for item in items)
        if marks[MISSING]:
            print(f"{fault:30} {size:9}  *** PLANT FAULT MISSING ***")
            continue
        links = [item.right_link for item in items if item.right_link is not None]
        row = (
            len(items), marks[FIRST], sum(links), marks[SET], marks[UNNAMED], marks[WRONG], marks[SILENT],
            _middle(item.raised_after_s for item in items),
            _middle(item.named_after_s for item in items if item.grade == FIRST),
        )  # fmt: skip
        print(f"{fault:30} {size:9}" + "".join(f"{value!s:>10}" for value in row))
    able = [item for item in outcomes if item.grade != MISSING and item.can_be_named]
    for size in SIZES:
        part = [item for item in able if item.size == size]
        marks = Counter(item.grade for item in part)
        if part:
            shares = ", ".join(
                f"{name} {100.0 * marks[name] / len(part):.0f} %" for name in (FIRST, SET, UNNAMED, WRONG, SILENT)
            )
            print(f"all that can be named, {size}: {len(part)} runs: {shares}")
    for item in outcomes:
        if item.grade == WRONG:
            print(f"WRONG {item.fault} {item.size} draw {item.draw} ({item.read}): {'; '.join(item.told)}")


def print_classes(outcomes: Sequence[Outcome]) -> None:
    """Causes that the tags of a site part from all others, which must come first; and those it cannot, whose set must be told.

    The split is that of the catalogue (`checks.causes.separability`) and of what the site reads, never of what was told.
    """
    for size in SIZES:
        able = [item for item in outcomes if item.size == size and item.grade != MISSING and item.can_be_named]
        alone = [item for item in able if item.identifiable]
        sets = [item for item in able if not item.identifiable]
        if not able:
            continue
        print(f"\n{size}: {len(able)} runs that can be named, {len(alone)} identifiable, {len(sets)} inseparable")
        _rate("identifiable, right cause first", sum(item.grade == FIRST for item in alone), len(alone))
        full = [item.grade in (FIRST, SET) for item in sets]
        _rate("inseparable, true cause first or in the set that is told", sum(full), len(sets))
        both = sum(item.lists_mate for item, right in zip(sets, full, strict=True) if right)
        _rate("  of these with an inseparable one told beside it", both, sum(full))
        links = [item.right_link for item in able if item.right_link is not None]
        _rate("right link, of all that is told", sum(links), len(links))
        for item in able:
            if (item.grade != FIRST and (item.identifiable or item.grade != SET)) or item.right_link is False:
                kind = "identifiable" if item.identifiable else "inseparable"
                place = "" if item.right_link is not False else ", WRONG LINK"
                print(
                    f"  {kind} {item.fault} draw {item.draw} ({item.read}): {item.grade}{place}; {'; '.join(item.told)[:200]}"
                )
                if item.grade == SILENT and CASES[_place(item)].hard:
                    print(f"    {CASES[_place(item)].hard}")


def _rate(words: str, right: int, of: int) -> None:
    if of:
        low, high = interval(right, of)
        print(f"{words:58} {right:4} of {of:4} {100.0 * right / of:6.1f} %   95 %: {100.0 * low:.1f} to {100.0 * high:.1f} %")


def _middle(values: Iterable[int | None]) -> str:
    known = [value for value in values if value is not None]
    return f"{median(known):.0f}" if known else "-"


def interval(right: int, of: int) -> tuple[float, float]:
    """Exact 95 % interval of a share (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    low = float(beta.ppf(0.025, right, of - right + 1)) if right else 0.0
    high = float(beta.ppf(0.975, right + 1, of - right)) if right < of else 1.0
    return low, high


def print_odds(outcomes: Sequence[Outcome]) -> None:
    """Of the answers that named a cause with these odds, how many were right."""
    print("\nodds of the named cause      answers   right   share   95 % interval")
    named = [item for item in outcomes if item.grade in (FIRST, WRONG) or (item.grade == SET and item.odds)]
    named = [item for item in named if item.told and not item.told[0].split(": ")[1].startswith(("unknown", "BROKE"))]
    for low, high in BANDS:
        part = [item for item in named if item.odds is not None and low <= item.odds < high]
        _share(f"{low:g}:1 to {min(high, 99.0):g}:1", part)
    _share("19:1 and more", [item for item in named if item.odds is not None and item.odds >= 19.0])
    _share("categorical, without odds", [item for item in named if item.odds is None])


def _share(words: str, part: Sequence[Outcome]) -> None:
    right = sum(item.grade == FIRST for item in part)
    if part:
        low, high = interval(right, len(part))
        print(f"{words:26} {len(part):9} {right:7} {right / len(part):7.3f}   {low:.3f} to {high:.3f}")


def print_coverage(outcomes: Sequence[Outcome]) -> None:
    """How often the told intervals held the truth."""
    print("\n95 % intervals that held the truth      of   held   share   95 % interval")
    for name in ("onset", "tonnes", "range"):
        known = [getattr(item.coverage, name) for item in outcomes if getattr(item.coverage, name) is not None]
        if known:
            low, high = interval(sum(known), len(known))
            print(f"{name:36} {len(known):6} {sum(known):6} {sum(known) / len(known):7.3f}   {low:.3f} to {high:.3f}")


def print_quiet(quiet: Sequence[Quiet]) -> None:
    """False findings on honest plants, with the exact 95 % upper bound of their rate."""
    if not quiet:
        return
    print("\nnuisance                 loop-hours   false findings")
    for name in NUISANCES:
        part = [item for item in quiet if item.name == name]
        print(f"{name:24} {sum(item.hours for item in part):10.1f} {sum(len(item.told) for item in part):16}")
        for item in part:
            for words in item.told:
                print(f"    draw {item.draw} ({item.read}): {words}")
    count, months = sum(len(item.told) for item in quiet), sum(item.hours for item in quiet) / MONTH_H
    print(
        f"all: {count} false findings in {months * MONTH_H / 24.0:.1f} loop-days; at most {poisson_bound(count) / months:.2f} per loop-month "
        "(exact Poisson, 95 %)"
    )


def poisson_bound(count: int) -> float:
    """Upper 95 % bound of the mean of a Poisson number (Garwood, Biometrika 28 (1936) 437)."""
    return float(chi2.ppf(0.95, 2 * (count + 1)) / 2.0)


if __name__ == "__main__":
    main()
