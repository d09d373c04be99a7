"""The rules that hold between the keys of a site file. Each rule is a small function that yields what it found."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator
from datetime import date
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from config.model import Site
from config.problems import Found, KeyPath, meant
from config.rules_deliveries import alerting_is_sound, deliveries_are_complete, somebody_is_always_told, telling_fits
from config.rules_endpoints import ENDPOINT_RULES
from config.rules_history import history_has_one_place
from config.rules_limits import limit_rules
from config.rules_loops import LOOP_RULES
from config.rules_publish import publishing_is_safe
from config.rules_tags import TAG_RULES, duplicate_addresses
from config.rules_web import WEB_RULES

_CLOCK = re.compile(r"^([01]\d|2[0-3]):[0-5]\d$")


def findings_of(site: Site, today: date) -> list[Found]:
    """Everything the rules have against a site, errors and warnings, in the order of the rules."""
    found = [finding for rule in SITE_RULES for finding in rule(site)]
    for name, endpoint in site.endpoints.items():
        found += [finding for rule in ENDPOINT_RULES for finding in rule(endpoint, ("endpoints", name))]
    for loop_id, loop in site.loops.items():
        path: KeyPath = ("loops", loop_id)
        found += [finding for loop_rule in LOOP_RULES for finding in loop_rule(loop, path, today)]
        found += [finding for tag_rule in TAG_RULES for finding in tag_rule(loop, path, site)]
        found += limit_rules(loop.limits, loop.gauge.range.high, (*path, "limits"))
    return [*found, *duplicate_addresses(site)]


def time_zone_exists(site: Site) -> Iterator[Found]:
    """The zone is one of the IANA data base."""
    try:
        ZoneInfo(site.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        words = {zone.lower(): zone for zone in available_timezones()}
        cities = {zone.rpartition("/")[2].lower(): zone for zone in words.values()}
        near = difflib.get_close_matches(site.time_zone.lower().replace(" ", "_"), {**cities, **words}, n=1, cutoff=0.7)
        hint = f"did you mean {({**cities, **words})[near[0]]}? " if near else ""
        yield Found(("time_zone",), f"{site.time_zone!r} is no IANA time zone", hint + "write an IANA zone, for example UTC")


def shifts_are_times_of_day(site: Site) -> Iterator[Found]:
    """Each shift begins at HH:MM, one after the other within the day."""
    allowed = 'local times in ascending order, for example ["06:00", "14:00", "22:00"]'
    for index, shift in enumerate(site.shifts):
        if not _CLOCK.match(shift):
            yield Found(("shifts", index), f"{shift!r} is no time of day as HH:MM", allowed)
        elif index and _CLOCK.match(site.shifts[index - 1]) and shift <= site.shifts[index - 1]:
            yield Found(
                ("shifts", index), f"the shift at {shift} does not come after the one at {site.shifts[index - 1]}", allowed
            )
    if not site.shifts:
        yield Found(("shifts",), "there is no shift", allowed)


def block_divides_a_minute(site: Site) -> Iterator[Found]:
    """Blocks merge along a fixed tree of minutes, hours and days."""
    if site.block < 1.0 or 60.0 % site.block:
        allowed = "1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30 or 60 s"
        yield Found(("block",), f"a block of {site.block:g} s does not divide a minute into whole seconds", allowed)
    elif site.block != int(site.block):
        yield Found(("block",), f"a block of {site.block:g} s is not a whole number of seconds", "10 s")


def times_of_the_site_are_positive(site: Site) -> Iterator[Found]:
    """Waiting and keeping last for a time."""
    if not 0.0 <= site.close_after <= 60.0:
        yield Found(("close_after",), f"{site.close_after:g} s is out of range", "0 s to 60 s")
    for key in ("raw", "minute", "hour"):
        kept = getattr(site.history, key)
        if kept is not None and kept < 86400.0:
            yield Found(
                ("history", key), f"kept for {kept:g} s only; a history keeps whole days", "at least 1 d; null keeps for ever"
            )


def loop_ids_differ(site: Site) -> Iterator[Found]:
    """Ids that differ in case only would share a folder on some disks."""
    seen: dict[str, str] = {}
    for loop_id in site.loops:
        if loop_id.lower() in seen:
            what = f"the loop ids {seen[loop_id.lower()]!r} and {loop_id!r} differ in upper and lower case only"
            yield Found(("loops", loop_id), what, "rename one")
        seen.setdefault(loop_id.lower(), loop_id)


def endpoints_are_used(site: Site) -> Iterator[Found]:
    """An endpoint that no tag names is never read."""
    used = {getattr(tag, "endpoint", "") for loop in site.loops.values() for tag in loop.tags.values()}
    for name in site.endpoints:
        if name not in used:
            yield Found(
                ("endpoints", name), f"no tag is read from the endpoint {name!r}", "name it in a tag or take it out", True
            )


def reports_are_complete(site: Site) -> Iterator[Found]:
    """A report is of loops that exist, in at least one format, each named once."""
    for name, report in site.reports.items():
        path: KeyPath = ("reports", name)
        for index, loop in enumerate(report.loops):
            if loop not in site.loops:
                yield Found((*path, "loops", index), f"there is no loop {loop!r}", meant(loop, site.loops))
            elif loop in report.loops[:index]:
                yield Found((*path, "loops", index), f"the loop {loop!r} is named twice", "name each loop once")
        if not report.formats:
            yield Found((*path, "formats"), "there is no format to write", "formats: [html], [pdf] or [html, pdf]")
        elif len(set(report.formats)) < len(report.formats):
            yield Found((*path, "formats"), "a format is named twice", "formats: [html, pdf]")


SITE_RULES: tuple[Callable[[Site], Iterator[Found]], ...] = (
    *WEB_RULES,
    time_zone_exists,
    shifts_are_times_of_day,
    block_divides_a_minute,
    times_of_the_site_are_positive,
    history_has_one_place,
    loop_ids_differ,
    endpoints_are_used,
    deliveries_are_complete,
    telling_fits,
    somebody_is_always_told,
    alerting_is_sound,
    reports_are_complete,
    publishing_is_safe,
)
