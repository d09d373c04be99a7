"""Secrets do not belong in a site file: it is copied, mailed, shown on pages and kept for ever in the history."""

from __future__ import annotations

import re
from typing import Any

from config.problems import KeyPath, Places, Problem

_SECRET = re.compile(
    r"^(pass(word|wd|phrase)?|pwd|token|secret|api_?key|access_?token|private_?key|auth(orization)?|credentials?)$", re.I
)
_USER_IN_URL = re.compile(r"^[a-z][a-z0-9+.-]*://[^/\s]*@", re.I)


def take_out_secrets(data: Any, places: Places, path: KeyPath = ()) -> dict[KeyPath, Problem]:
    """Remove every secret from the data and tell by path where it stood; the secret itself is never shown."""
    problems: dict[KeyPath, Problem] = {}
    if isinstance(data, list):
        for index, item in enumerate(data):
            problems |= take_out_secrets(item, places, (*path, index))
        return problems
    if not isinstance(data, dict):
        return problems
    for key in list(data):
        here = (*path, key)
        if len(path) >= 4 and path[0] == "loops" and path[-1] == "values":
            continue
        if _SECRET.match(key):
            problems[here] = _secret(places, here, key)
            del data[key]
        elif key == "url" and path[:1] == ("deliveries",):
            what = "the address of a webhook is a secret and does not belong in the site file"
            problems[here] = places.problem(here, what, "name an environment variable with url_env or a file with url_file")
            del data[key]
        elif isinstance(data[key], str) and _USER_IN_URL.match(data[key]):
            what = "user and password stand in the address"
            problems[here] = places.problem(here, what, "use the keys user and password_env (or password_file)")
            del data[key]
        else:
            problems |= take_out_secrets(data[key], places, here)
    return problems


def _secret(places: Places, path: KeyPath, key: str) -> Problem:
    advice = "name an environment variable with password_env or a file with password_file"
    return places.problem(path, f"a secret ({key}) does not belong in the site file", advice)
