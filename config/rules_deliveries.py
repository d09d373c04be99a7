"""Rules of deliveries: each knows where to go and takes its secrets from one place, and somebody is always told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import get_args

from config.deliveries import DayName, MailDelivery, Tell
from config.model import Site
from config.problems import Found, KeyPath, meant
from config.rules_endpoints import login

CLOCK = re.compile(r"^([01]\d|2[0-3]):[0-5]\d$")
_VARIABLE = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_ADDRESS = re.compile(r"^[^@\s]+@[^@\s]+$")
LONGEST_AFTER_S = 7 * 86400.0
_TIME = 'a local time as HH:MM, for example "07:00"'


def deliveries_are_complete(site: Site) -> Iterator[Found]:
    """A delivery knows where to go, and takes its secrets from one place."""
    for name, delivery in site.deliveries.items():
        path: KeyPath = ("deliveries", name)
        if isinstance(delivery, MailDelivery):
            yield from _mail(delivery, path)
        else:
            missing = f"the {delivery.kind} has no address"
            yield from _one_of(delivery.url_env, delivery.url_file, "url", f"the address of the {delivery.kind}", path, missing)
            if delivery.kind == "webhook":
                yield from _one_of(delivery.secret_env, delivery.secret_file, "secret", "the secret of the webhook", path)


def _mail(delivery: MailDelivery, path: KeyPath) -> Iterator[Found]:
    yield from login(delivery.user, delivery.password_env, delivery.password_file, path)
    elsewhere = bool(delivery.to_env) or delivery.to_file is not None
    if not delivery.to and not elsewhere:
        yield Found((*path, "to"), "there is no recipient", "to: [shift@example.com], or to_env or to_file")
    if delivery.to and elsewhere:
        yield Found((*path, "to"), "the recipients are named twice", "either to, to_env or to_file")
    yield from _one_of(delivery.to_env, delivery.to_file, "to", "the recipients", path)
    for key, address in (("sender", delivery.sender), *((("to"), address) for address in delivery.to)):
        if not _ADDRESS.match(address):
            yield Found((*path, key), f"{address!r} is no mail address", "name@host")
    if delivery.user and not delivery.start_tls:
        yield Found((*path, "start_tls"), "the password would travel in clear text", "start_tls: true, or no user", True)


def _one_of(env: str, file: Path | None, key: str, what: str, path: KeyPath, missing: str = "") -> Iterator[Found]:
    """A secret comes from one place, and the name of a variable is a name."""
    named = f"either {key}_env or {key}_file"
    verb = "are" if what.endswith("recipients") else "is"
    if env and file is not None:
        yield Found((*path, f"{key}_env"), f"{what} {verb} named twice", named)
    elif missing and not env and file is None:
        yield Found((*path, f"{key}_env"), missing, named)
    elif env and not _VARIABLE.match(env):
        told = f"this is no name of an environment variable ({what} itself does not belong here)"
        yield Found((*path, f"{key}_env"), told, f"for example TALLYWIRE_{key.upper()}")


def telling_fits(site: Site) -> Iterator[Found]:
    """Duty, quiet hours, digest and escalation name shifts, loops and times that exist."""
    for name, delivery in site.deliveries.items():
        tell, path = delivery.tell, ("deliveries", name, "tell")
        for key in ("roles", "priorities", "loops", "shifts", "days"):
            given = getattr(tell, key)
            if len(set(given)) < len(given):
                yield Found((*path, key), "one is named twice", "name each once")
        for index, loop in enumerate(tell.loops):
            if loop not in site.loops:
                yield Found((*path, "loops", index), f"there is no loop {loop!r}", meant(loop, site.loops))
        for index, shift in enumerate(tell.shifts):
            if shift not in site.shifts:
                listed = f"a shift is named by its beginning: {', '.join(site.shifts)}"
                yield Found((*path, "shifts", index), f"no shift of this site begins at {shift!r}", listed)
        yield from _times(tell, path)
        if tell.after is not None and not 0.0 < tell.after <= LONGEST_AFTER_S:
            yield Found((*path, "after"), f"{tell.after:g} s is out of range", "above 0 s and at most 7 d")
        if tell.after is not None and (tell.digest or tell.quiet):
            told = "who is told only of what nobody acknowledges has neither quiet hours nor a digest"
            yield Found((*path, "after"), told, "take after out, or quiet and digest")


def _times(tell: Tell, path: KeyPath) -> Iterator[Found]:
    if tell.quiet and len(tell.quiet) != 2:
        yield Found((*path, "quiet"), "quiet hours have a begin and an end", 'quiet: ["22:00", "06:00"]')
    for index, time in enumerate(tell.quiet):
        if not CLOCK.match(time):
            yield Found((*path, "quiet", index), f"{time!r} is no time of day", _TIME)
    if len(tell.quiet) == 2 and tell.quiet[0] == tell.quiet[1]:
        yield Found((*path, "quiet"), "the quiet hours have no length", 'quiet: ["22:00", "06:00"]')
    if tell.digest and not CLOCK.match(tell.digest):
        yield Found((*path, "digest"), f"{tell.digest!r} is no time of day", _TIME)


def somebody_is_always_told(site: Site) -> Iterator[Found]:
    """Where alerts leave at all, one of high priority leaves at any time of the week."""
    tells = [delivery.tell for delivery in site.deliveries.values()]
    if not tells:
        return
    everything = [
        tell
        for tell in tells
        if tell.after is None
        and (not tell.priorities or "high" in tell.priorities)
        and (not tell.roles or "maintenance" in tell.roles)
        and (not tell.loops or set(site.loops) <= set(tell.loops))
    ]
    if not everything:
        what = "no delivery is told at once of every alert of high priority for maintenance"
        yield Found(
            ("deliveries",), what, "give one of them neither after, nor roles, priorities or loops that leave it out", True
        )
        return
    days: tuple[str, ...] = get_args(DayName)
    gaps = [
        f"{day} {shift}"
        for day, shift in product(days, site.shifts)
        if not any((not tell.days or day in tell.days) and (not tell.shifts or shift in tell.shifts) for tell in everything)
    ]
    if gaps:
        more = f" and {len(gaps) - 3} more" if len(gaps) > 3 else ""
        what = f"nobody is on duty in the shifts {', '.join(gaps[:3])}{more}"
        yield Found(
            ("deliveries",), what, "an alert of high priority then goes to every delivery; name more shifts or days", True
        )


def alerting_is_sound(site: Site) -> Iterator[Found]:
    """Times and masses of alerting are in a range that means something."""
    alerting = site.alerting
    for key in ("reopen_within", "remind_after"):
        if not 0.0 <= getattr(alerting, key) <= 86400.0:
            yield Found(("alerting", key), f"{getattr(alerting, key):g} s is out of range", "0 s to 1 d")
    if alerting.tolerable <= 0.0:
        yield Found(("alerting", "tolerable"), f"{alerting.tolerable:g} t is no mass", "for example 20 t")
    if alerting.page and not re.match(r"^https?://[^\s/@]+(/\S*)?$", alerting.page):
        what = "this is no address of a page (and no user belongs into it)"
        yield Found(("alerting", "page"), what, "for example https://tallywire.terminal.example")
