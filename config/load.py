"""From the text of a site file to a `Site`, or to every problem in it at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from config.ledger_file import KEY as LEDGER
from config.ledger_file import ledger_file, read_ledger
from config.loops_table import read_loops
from config.model import SCHEMA, Site
from config.parts import choose_parts
from config.problems import KeyPath, Place, Places, Problem, SiteFileError
from config.remainder import UNREAD, judge, without
from config.secrets_in_file import take_out_secrets
from config.validation import check_part
from config.yaml_tree import read_tree

LARGEST_FILE = 20_000_000
"""A site file or a table of loops larger than this [bytes] is not read."""

FILE_ONLY = ("loops_csv", "loop_template")
"""Top-level keys that only the file has; they are gone once the loops are merged. `ledger` names a file there, too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSite:
    """A site with where it came from.

    sha256 : digest of the bytes of the site file, and of the files it names as parts of it (`digest` of `files`)
    path : the site file; `files` is that, the table of loops and the ledger
    warnings : what is doubtful, but does not keep the site from running
    """

    site: Site
    sha256: str
    path: Path
    warnings: tuple[Problem, ...] = ()
    files: tuple[Path, ...] = ()
    text: str = ""


def load_site(path: Path, *, today: date | None = None) -> LoadedSite:
    """Read, validate and judge a site file; SiteFileError holds every problem. `today` defaults to the day in UTC."""
    path = Path(path)
    raw = _bytes(path, Place(str(path), 0))
    text = _text(raw, str(path))
    return _parse(text, str(path), path.parent, (path,), raw, today)


def parse_site(text: str, name: str, *, today: date | None = None) -> LoadedSite:
    """The same for a text that is no file (an editor, a test): relative paths stay as they are, a table is refused."""
    return _parse(text, name, None, (Path(name),), text.encode(), today)


def digest(files: Sequence[Path]) -> str:
    """The digest that `load_site` gives for these files as they lie on disk now; OSError where one cannot be read."""
    return _digest([file.read_bytes() for file in files])


def _digest(contents: Sequence[bytes]) -> str:
    if len(contents) == 1:
        return hashlib.sha256(contents[0]).hexdigest()
    return hashlib.sha256("".join(hashlib.sha256(content).hexdigest() for content in contents).encode()).hexdigest()


def _fail(place: Place, what: str, allowed: str = "", path: str = "") -> SiteFileError:
    return SiteFileError([Problem(place, path, what, allowed)])


def _bytes(path: Path, place: Place, key: str = "") -> bytes:
    try:
        if path.is_dir():
            raise _fail(place, f"{path.name or path} is a folder, not a file", "name the file inside it", key)
        if path.stat().st_size > LARGEST_FILE:
            raise _fail(place, f"{path.name} is larger than {LARGEST_FILE // 1_000_000} MB", "is it the right file?", key)
        return path.read_bytes()
    except FileNotFoundError:
        raise _fail(place, f"there is no file {path.name!r}", "check the name and the folder", key) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _fail(place, f"{path.name!r} cannot be read: {reason}", "check the name and the permissions", key) from None


def _text(raw: bytes, name: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _fail(Place(name, 0), "the file is in UTF-16", "save it as UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _fail(Place(name, line), f"byte 0x{raw[error.start]:02x} is not UTF-8", "save the file as UTF-8") from None


def _parse(text: str, name: str, folder: Path | None, files: tuple[Path, ...], raw: bytes, today: date | None) -> LoadedSite:
    tree = read_tree(text, name)
    if not isinstance(tree.data, dict):
        raise SiteFileError(tree.problems)
    data, places, problems = tree.data, tree.places, list(tree.problems)
    _check_schema(data, places)
    secrets = take_out_secrets(data, places)
    problems += secrets.values()
    contents = [raw]
    table = data.pop("loops_csv", None)
    template = data.pop("loop_template", {})
    if not isinstance(template, dict):
        problems.append(
            places.problem(("loop_template",), "a mapping is needed here", "what every row of the table starts from")
        )
    if table is not None:
        try:
            file = _table_file(table, folder, places)
            content = _bytes(file, places.of(("loops_csv",)), "loops_csv")
            shown = str(Path(name).parent / str(table))
            loops, wrong_rows = read_loops(_text(content, shown), shown, template, places, data.get("loops"))
            problems += wrong_rows
            contents, files = [raw, content], (*files, file)
            if isinstance(data.get("loops", {}), dict):
                data["loops"] = {**data.get("loops", {}), **loops}
        except SiteFileError as error:
            problems += error.problems
        if problems and not data.get("loops"):
            data["loops"] = {UNREAD: None}
    if LEDGER in data:
        ledger, wrong_entries, read = _ledger(data, name, folder, places)
        problems += wrong_entries
        data[LEDGER] = ledger
        if read is not None:
            contents, files = [*contents, read[1]], (*files, read[0])

    wrong_parts = choose_parts(data, places, folder)
    site, wrong_site = check_part(Site, data, (), places, folder)
    wrong = {
        path: problem
        for path, problem in {**wrong_site, **wrong_parts}.items()
        if path not in secrets and path[:2] != ("loops", UNREAD)
    }
    problems += wrong.values()
    judged = site if site is not None else without(data, wrong_site, folder)
    told = judge(judged, today or datetime.now(UTC).date(), [*wrong, *secrets]) if judged is not None else []
    warnings = tuple(places.problem(found.path, found.what, found.allowed) for found in told if found.warning)
    problems += (places.problem(found.path, found.what, found.allowed) for found in told if not found.warning)
    if problems or site is None:
        order = [files[0].name, *(file.name for file in files[1:])]
        raise SiteFileError(sorted(problems, key=lambda problem: (_rank(problem, order), problem.place.line)))
    return LoadedSite(site=site, sha256=_digest(contents), path=files[0], warnings=warnings, files=files, text=text)


def _ledger(
    data: dict[str, Any], name: str, folder: Path | None, places: Places
) -> tuple[dict[str, Any], list[Problem], tuple[Path, bytes] | None]:
    """The entries of the ledger that the site file names, what is wrong with it, and the file with its bytes."""
    named = data[LEDGER]
    file = ledger_file(named, folder, places)
    if isinstance(file, Problem):
        return {}, [file], None
    try:
        content = _bytes(file, places.of((LEDGER,)), LEDGER)
        shown = str(Path(name).parent / str(named))
        entries, problems = read_ledger(_text(content, shown), shown, data, places)
    except SiteFileError as error:
        return {}, list(error.problems), None
    return entries, problems, (file, content)


def _rank(problem: Problem, order: list[str]) -> int:
    name = Path(problem.place.file).name
    return order.index(name) if name in order else len(order)


def _check_schema(data: Mapping[str, Any], places: Places) -> None:
    """The schema number first: where it is another one, nothing else that could be said would be true."""
    number = data.get("schema")
    if "schema" not in data:
        raise SiteFileError(
            [places.problem(("schema",), "the key 'schema' is missing", f"write `schema: {SCHEMA}` as the first line")]
        )
    if isinstance(number, int) and not isinstance(number, bool) and number > SCHEMA:
        what = f"the file is made for a newer Tallywire (schema {number}; this one reads schema {SCHEMA})"
        raise SiteFileError([places.problem(("schema",), what, "update Tallywire, or use the site file of this version")])
    if number != SCHEMA or isinstance(number, bool | float):
        raise SiteFileError(
            [places.problem(("schema",), f"{number!r} is no schema of a site file", f"write `schema: {SCHEMA}`")]
        )


def _table_file(table: object, folder: Path | None, places: Places) -> Path:
    key: KeyPath = ("loops_csv",)
    if not isinstance(table, str) or not re.search(r"\.csv$", table, re.IGNORECASE):
        raise SiteFileError(
            [places.problem(key, f"{table!r} is no table of loops", "the name of a .csv file beside the site file")]
        )
    if folder is None:
        raise SiteFileError([places.problem(key, "a table of loops needs a site file on disk")])
    file = (folder / table).resolve()
    if not file.is_relative_to(folder.resolve()):
        raise SiteFileError(
            [places.problem(key, f"{table!r} lies outside the folder of the site file", "put it beside the site file")]
        )
    return file
