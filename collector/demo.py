"""The demo plant as the service sees it: a foreign process, found through its entry point and never imported."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import httpx

from config.errors import TallywireError

GROUP = "tallywire.plants"
CONTROL_FILE = "plant.control.json"
BEGIN_FILE = "begin.json"
PAST_FOLDER = "past"
START_WITHIN_S = 120.0
SEED = 7


@dataclass(frozen=True, slots=True)
class Switchboard:
    """The switchboard of a running plant: its address and the token that it asks for."""

    url: str
    token: str

    def set_fault(self, loop: str | None, fault: str, on: bool, severity: float | None = None) -> None:
        """Switch a fault of a loop (None: the plant's first). An id or loop that is unknown raises with the nearest ones."""
        where = loop if loop is not None else self.listing()["loops"][0]
        order: dict[str, Any] = {"on": on} if severity is None else {"on": on, "severity": severity}
        self._ask("PUT", f"/faults/{where}/{fault}", order)

    def listing(self) -> dict[str, Any]:
        """`loops`, `faults` and `honest` (id, title, severity, measure), `active` by loop."""
        return self._ask("GET", "/faults", None)

    def _ask(self, method: str, path: str, order: dict[str, Any] | None) -> dict[str, Any]:
        try:
            answer = httpx.request(
                method,
                self.url + path,
                json=order,
                headers={"Authorization": f"Bearer {self.token}"},
                timeout=10.0,
                trust_env=False,
            )
            body: dict[str, Any] = answer.json()
        except (httpx.HTTPError, ValueError) as error:
            raise TallywireError(
                "the demo plant does not answer", where=self.url, fix="start it with `tallywire demo`"
            ) from error
        if answer.is_error:
            raise TallywireError(str(body.get("what", answer.reason_phrase)), fix=str(body.get("fix", "")))
        return body


@dataclass(frozen=True, slots=True)
class PlantProcess:
    """A plant that runs: its site file, its switchboard, its process."""

    site_path: Path
    control_url: str
    token: str
    process: subprocess.Popen[bytes]

    @property
    def switchboard(self) -> Switchboard:
        """Where its faults are switched."""
        return Switchboard(self.control_url, self.token)

    def set_fault(self, loop: str | None, fault: str, on: bool, severity: float | None = None) -> None:
        """Switch a fault of a loop; see `Switchboard.set_fault`."""
        self.switchboard.set_fault(loop, fault, on, severity)

    def stop(self) -> None:
        """End the plant and wait until it is gone."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10.0)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


def start_plant(workdir: Path, *, plant: str = "potash", seed: int = SEED) -> PlantProcess:
    """Start a plant that ends with this process, and wait until all its servers listen.

    It goes on behind `begin.json` in `workdir` (from written history or an earlier run) where there is one.
    """
    workdir.mkdir(parents=True, exist_ok=True)
    begin = workdir / BEGIN_FILE
    behind = ["--begin", str(begin)] if begin.exists() else []
    options = ["--site-out", str(workdir / "site.yaml"), "--parent-pid", str(os.getpid()), "--seed", str(seed), *behind]
    process = subprocess.Popen(  # noqa: S603 - a module of an installed entry point, by our own interpreter
        [*_command(plant), *options], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, process_group=0
    )
    assert process.stdout is not None
    patience = threading.Timer(START_WITHIN_S, process.kill)
    patience.start()
    try:
        line = process.stdout.readline()
    finally:
        patience.cancel()
    try:
        ready = json.loads(line)
        return PlantProcess(Path(ready["site"]), str(ready["control"]), str(ready["token"]), process)
    except (ValueError, KeyError, TypeError) as error:
        process.kill()
        process.wait()
        process.stdout.close()
        raise TallywireError(f"the demo plant {plant!r} did not start", fix="its own message stands above") from error


def write_history(
    workdir: Path, hours: float, *, until: int | None = None, plant: str = "potash", seed: int = SEED
) -> list[Path]:
    """Let the plant write what it did in the `hours` before `until` (epoch s; None: now); the files.

    `start_plant` on the same folder goes on there.
    """
    arguments = ["history", "--hours", f"{hours:.9g}", "--out", str(workdir), "--seed", str(seed)]
    answer = _answer(plant, arguments if until is None else [*arguments, "--until", _iso(until)])
    return [Path(name) for name in answer["files"]]


def plan_past(workdir: Path, until: int, days: int, *, plant: str = "potash", seed: int = SEED) -> None:
    """Let the plant plan so many whole days before `until`, a UTC midnight at which a written history begins [epoch s]."""
    folder = workdir / PAST_FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    arguments = ["--plan", str(days), "--until", _iso(until), "--seed", str(seed)]
    _answer(plant, ["past", "--out", str(folder), *arguments])


def past_of(workdir: Path, *, plant: str = "potash") -> tuple[list[str], Path] | None:
    """The command that makes the planned past of a folder, and the folder for it; None where none is planned."""
    folder = workdir / PAST_FOLDER
    if not folder.is_dir():
        return None
    return [*_command(plant), "past", "--out", str(folder)], folder


def catalogue(plant: str = "potash") -> dict[str, Any]:
    """What can be switched in a plant, whether it runs or not: `loops`, `faults`, `honest`."""
    return _answer(plant, ["faults"])


def check_fault(name: str, listing: dict[str, Any]) -> None:
    """Raise where the plant knows no such fault, with the nearest ones."""
    known = [row["id"] for row in [*listing["faults"], *listing["honest"]]]
    if name not in known:
        near = get_close_matches(name, known, n=3, cutoff=0.5)
        meant = f"did you mean {' or '.join(near)}?" if near else "`tallywire demo faults` lists them"
        raise TallywireError(f"the demo plant knows no fault {name!r}", fix=meant)


def read_control(path: Path) -> Switchboard:
    """The switchboard that a running plant has written down."""
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        return Switchboard(str(stored["control"]), str(stored["token"]))
    except FileNotFoundError as error:
        raise TallywireError("no demo is running", where=str(path), fix="start it with `tallywire demo`") from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise TallywireError("this is not the control file of a demo plant", where=str(path)) from error


def _iso(time_s: int) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat()


def _command(plant: str) -> list[str]:
    found = entry_points(group=GROUP)
    if plant not in found.names:
        known = ", ".join(sorted(found.names)) or "none is installed"
        raise TallywireError(f"there is no plant {plant!r}", fix=f"known plants: {known}")
    return [sys.executable, "-P", "-m", found[plant].module]


def _answer(plant: str, arguments: Sequence[str]) -> dict[str, Any]:
    ran = subprocess.run(  # noqa: S603 - a module of an installed entry point, by our own interpreter
        [*_command(plant), *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, check=False
    )
    if ran.returncode != 0:
        raise TallywireError(f"the demo plant {plant!r} could not do this: {arguments[0]}", fix="its own message stands above")
    answer: dict[str, Any] = json.loads(ran.stdout)
    return answer
