"""`tallywire demo`: the invented terminal and the service in one go, and the switches of its faults."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.demo import PlantProcess, Switchboard

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

HISTORY_D = 60.0
NEWEST_D = 2.0
"""A history up to this length is written before the start; of a longer one only what came since yesterday's UTC midnight [d]."""
LONGEST_D = 730.0
DAY_S = 86400


def add(subparsers: Subparsers) -> None:
    """Add the command, its options and its own commands."""
    parser = subparsers.add_parser(
        "demo",
        help="an invented potash export terminal and the service, in one go",
        description="Starts an invented potash export terminal (three belt weighers as Modbus servers, a PLC as an OPC UA "
        "server, on this machine only) and the service that verifies them. Ctrl-C ends both.",
    )
    parser.add_argument("--fault", metavar="ID", help="begin with this fault on (`tallywire demo faults` lists them)")
    parser.add_argument("--loop", metavar="LOOP", help="loop that has the fault (default: the first)")
    parser.add_argument("--severity", type=float, metavar="X", help="how strong the fault is, in its own measure")
    parser.add_argument("--port", type=int, metavar="PORT", help="port of the page (default 8460; 0: any free one, printed)")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="keep everything here and go on from it (default: nothing is kept)"
    )
    parser.add_argument("--no-history", action="store_true", help="begin with an empty history")
    parser.add_argument(
        "--history", type=float, default=HISTORY_D, metavar="DAYS",
        help=f"days of simulated history, laid down at the first start while the page is up (default {HISTORY_D:g})",
    )  # fmt: skip
    parser.set_defaults(run=run)
    commands = parser.add_subparsers(title="commands", metavar="[set | faults]", prog="tallywire demo")
    switch = commands.add_parser(
        "set", help="switch a fault of the running demo", description="Switches a fault of the running demo."
    )
    switch.add_argument("fault", metavar="ID", help="id of the fault")
    switch.add_argument("state", choices=("on", "off"))
    switch.add_argument("--loop", metavar="LOOP", help="loop that has the fault (default: the first)")
    switch.add_argument("--severity", type=float, metavar="X", help="how strong, in the measure that `demo faults` names")
    switch.add_argument("--data", type=Path, metavar="DIR", help="the folder of the demo, where it was given one")
    switch.set_defaults(run=run_set)
    faults = commands.add_parser(
        "faults", help="list the faults that the demo knows", description="Lists the faults that the demo knows."
    )
    faults.add_argument("--data", type=Path, metavar="DIR", help="the folder of the demo, where it was given one")
    faults.set_defaults(run=run_faults)


def run(args: argparse.Namespace) -> int:
    """Start the plant, then the service; both end together."""
    import asyncio

    from collector import demo
    from collector.cli.past_progress import telling_past
    from collector.past.laying import Past
    from collector.service.run import ServiceOptions, run_service

    if args.fault is None and (args.loop is not None or args.severity is not None):
        raise TallywireError("--loop and --severity belong to a fault", fix="add --fault ID")
    if args.fault is not None:
        demo.check_fault(args.fault, demo.catalogue())
    kept = args.data is not None
    folder = args.data.resolve() if kept else Path(tempfile.mkdtemp(prefix="tallywire-demo-"))
    pointer = pointer_path()
    plant: PlantProcess | None = None
    try:
        history = _history(folder, args)
        past = demo.past_of(folder)
        plant = demo.start_plant(folder)
        _point(pointer, folder / demo.CONTROL_FILE)
        if args.fault is not None:
            plant.set_fault(args.loop, args.fault, True, args.severity)
        _tell(plant, folder, args, kept)
        with telling_past() as tell:
            laid = None if past is None else Past(command=past[0], folder=past[1], tell=tell)
            options = ServiceOptions(
                site=plant.site_path, data=folder / "data", port=args.port, log_format="text", history=history, past=laid
            )
            return asyncio.run(run_service(options))
    finally:
        if plant is not None:
            plant.stop()
            _unpoint(pointer, folder / demo.CONTROL_FILE)
        if not kept:
            shutil.rmtree(folder, ignore_errors=True)


def run_set(args: argparse.Namespace) -> int:
    """Switch a fault of the running demo."""
    switchboard = _running(args.data)
    switchboard.set_fault(args.loop, args.fault, args.state == "on", args.severity)
    active = switchboard.listing()["active"]
    on = [f"{loop}: {', '.join(faults)}" for loop, faults in active.items() if faults]
    sys.stdout.write(f"{args.fault} is {args.state}; now on: {'; '.join(on) if on else 'nothing'}\n")
    return exits.NO_FINDING


def run_faults(args: argparse.Namespace) -> int:
    """List the faults, and those that are on where a demo runs."""
    from collector import demo

    path = _control_path(args.data)
    runs = args.data is not None or path.exists()
    listing = demo.read_control(path).listing() if runs else demo.catalogue()
    sys.stdout.write(_table("faults", listing["faults"]) + "\n" + _table("what an honest plant does", listing["honest"]))
    active = [f"{loop}: {', '.join(faults)}" for loop, faults in listing.get("active", {}).items() if faults]
    if active:
        sys.stdout.write("\nnow on: " + "; ".join(active) + "\n")
    sys.stdout.write("\nSwitch one with: tallywire demo set ID on|off [--loop LOOP] [--severity X]\n")
    sys.stdout.write(f"Loops: {', '.join(listing['loops'])}. Severities are the defaults of {listing['loops'][0]}.\n")
    return exits.NO_FINDING


def _table(title: str, rows: list[dict[str, Any]]) -> str:
    wide = max(len(row["id"]) for row in rows)
    lines = [f"{title}:"]
    for row in rows:
        strength = f" [{row['severity']:g} {row['measure']}]" if row["measure"] else ""
        lines.append(f"  {row['id']:<{wide}}  {row['title']}{strength}")
    return "\n".join(lines) + "\n"


def _history(folder: Path, args: argparse.Namespace) -> list[Path]:
    """Files that still wait to be brought in: written now at a first start, left over from a start that was broken off."""
    import time

    from collector import demo

    if (folder / demo.BEGIN_FILE).exists():
        return sorted(folder.glob("*.parquet"))
    if args.no_history:
        return []
    if not 0.0 < args.history <= LONGEST_D:
        raise TallywireError(
            f"{args.history:g} days of history cannot be laid", where="--history", fix=f"0 to {LONGEST_D:g} days"
        )
    for left in folder.glob("*.parquet"):
        left.unlink()
    now = int(time.time())
    hours, days = args.history * 24.0, 0
    if args.history > NEWEST_D:
        midnight = (now // DAY_S - 1) * DAY_S
        hours, days = (now - midnight) / 3600.0, max(round(args.history - NEWEST_D), 1)
        demo.plan_past(folder, midnight, days)
    sys.stdout.write(f"simulating the last {hours:.3g} h of the invented terminal ...\n")
    if days:
        sys.stdout.write(f"the {days} days before are laid down while the page is up\n")
    sys.stdout.flush()
    return demo.write_history(folder, hours, until=now)


def _tell(plant: PlantProcess, folder: Path, args: argparse.Namespace, kept: bool) -> None:
    listing = plant.switchboard.listing()
    first = listing["loops"][0]
    where = f" --data {folder}" if kept else ""
    page = "printed below" if args.port == 0 else f"http://127.0.0.1:{args.port if args.port is not None else 8460}"
    fault = f"{args.fault} on {args.loop or first}" if args.fault is not None else "none"
    sys.stdout.write(
        f"started: the invented potash terminal, loops {', '.join(listing['loops'])}; site file {plant.site_path}\n"
        f"kept in: {folder if kept else 'nothing is kept; --data DIR keeps it'}\n"
        f"fault on: {fault}\n"
        f"page: {page}\n"
        "switch a fault on, in another terminal:\n"
        f"  {_program()} demo set zero-counts on --loop {first}{where}\n"
        "Ctrl-C ends the terminal and the service.\n"
    )
    sys.stdout.flush()


def _program() -> str:
    """What a person types for this program: its path as it was called, from here where it lies below."""
    called = Path(sys.argv[0])
    if called.name != "tallywire" or not called.is_absolute():
        return "tallywire"
    here = Path.cwd()
    return str(called.relative_to(here)) if called.is_relative_to(here) else str(called)


def pointer_path() -> Path:
    """Where the running demo of this user is written down."""
    from platformdirs import user_state_path

    return user_state_path("tallywire") / "demo.control.json"


def _control_path(data: Path | None) -> Path:
    from collector.demo import CONTROL_FILE

    return pointer_path() if data is None else data / CONTROL_FILE


def _running(data: Path | None) -> Switchboard:
    from collector.demo import read_control

    return read_control(_control_path(data))


def _point(pointer: Path, control: Path) -> None:
    pointer.parent.mkdir(parents=True, exist_ok=True)
    pointer.unlink(missing_ok=True)
    pointer.symlink_to(control)


def _unpoint(pointer: Path, control: Path) -> None:
    if pointer.is_symlink() and pointer.readlink() == control:
        pointer.unlink()
