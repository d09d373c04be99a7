"""`tallywire alerts`: see and handle the alerts of a running service from a terminal, through its REST interface."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

ANSWER_S = 15.0
ORDERS = {
    "acknowledge": "say that you know of an alert",
    "shelve": "silence an alert for some hours",
    "unshelve": "end its shelving, or the acceptance of its finding",
    "out-of-service": "take the alerts of its link out of service for some hours",
    "restore": "put them back in service",
    "accept": "accept its finding until a day, or until it has grown",
}
WITH_REASON = ("shelve", "out-of-service", "accept")


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "alerts",
        help="see and handle the alerts of the running service",
        description="The alerts of the running service. Where it asks who you are, a token of yours stands in the "
        " environment variable TALLYWIRE_TOKEN.",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    listed = commands.add_parser("list", help="what stands, most urgent first", description="1 where an alert stands.")
    show = commands.add_parser("show", help="one alert with its history", description="One alert with its history.")
    figures = commands.add_parser(
        "performance", help="figures of the alarm system", description="How many alerts come, beside the usual yardsticks."
    )
    for command, run in ((listed, run_list), (show, run_show), (figures, run_performance)):
        _common(command)
        command.set_defaults(run=run)
    show.add_argument("alert", metavar="ALERT", help="its id, as `list` prints it")
    for name, text in ORDERS.items():
        command = commands.add_parser(name, help=text, description=f"{text[:1].upper()}{text[1:]}.")
        _common(command)
        command.add_argument("alert", metavar="ALERT", help="its id, as `list` prints it")
        command.add_argument("--by", default="", metavar="NAME", help="who you are, where nobody signs in")
        if name in WITH_REASON:
            command.add_argument("--reason", required=True, help="why it may be silent")
        if name in ("shelve", "out-of-service"):
            command.add_argument("--hours", required=True, type=float, metavar="H", help="for how long")
        if name == "accept":
            command.add_argument("--owner", required=True, metavar="NAME", help="who answers for it")
            command.add_argument("--days", required=True, type=float, metavar="D", help="for how long")
            command.add_argument("--grow", type=float, metavar="X", help="told again above this growth, in the alert's unit")
        command.set_defaults(run=run_order, order=name)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--page", metavar="ADDRESS", help="address of the service, where it is not the one of the site file")
    parser.add_argument("--ca", type=Path, metavar="FILE", help="certificate that signed the service's, where it speaks TLS")


def run_list(args: argparse.Namespace) -> int:
    """Print what stands; 1 where anything does."""
    from collector.replay.text import wrapped

    alerts = _asked(args, "GET", "/alerts")
    for alert in alerts:
        back = f", came back {alert['reopened']} times" if alert["reopened"] else ""
        sys.stdout.write(f"{alert['id']}\n")
        sys.stdout.write(f"  {alert['state']}, priority {alert['priority']}, since {alert['finding']['begin']}{back}\n")
        sys.stdout.write(
            "\n".join(wrapped(alert["finding"]["sentence"] or alert["finding"]["title"], first="  ", rest="  ")) + "\n"
        )
    waiting = sum(alert["state"] in ("unacknowledged", "returned-unacknowledged") for alert in alerts)
    sys.stdout.write(f"{len(alerts)} not normal, {waiting} of them wait for an acknowledgement.\n")
    return exits.FINDINGS if alerts else exits.NO_FINDING


def run_show(args: argparse.Namespace) -> int:
    """Print one alert: what, why it is one, what to do, the cautions, what happened."""
    from collector.replay.text import wrapped
    from config.cautions import CAUTIONS

    alert = _asked(args, "GET", f"/alerts/{args.alert}")
    finding = alert["finding"]
    lines = [
        f"{alert['id']}: {finding['title']}",
        f"{alert['state']}, priority {alert['priority']}",
        *wrapped(finding["sentence"]),
        *wrapped(f"Act within {alert['respond_within_s'] / 60:.0f} min: {alert['consequence']}."),
        *[
            line
            for number, step in enumerate(finding["advice"], 1)
            for line in wrapped(f"{number}. {step}", first="  ", rest="  ")
        ],
        *[line for caution in CAUTIONS for line in wrapped(f"- {caution}", first="  ", rest="  ")],
        *[
            line
            for step in alert["transitions"]
            for line in wrapped(f"{step['time']} {step['new']} by {step['by']}: {step['note']}", first="  ", rest="  ")
        ],
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    return exits.NO_FINDING


def run_performance(args: argparse.Namespace) -> int:
    """Print the figures of the last 30 days."""
    found = _asked(args, "GET", "/alerts/performance")
    graded = "" if found["graded"] else "; not held against the targets before 30 days"
    sys.stdout.write(f"{found['days']:.1f} days with data, {found['count']} alerts{graded}\n")
    for item in found["figures"]:
        value = "cannot be said" if item["value"] is None else f"{item['value']:.3g} {item['unit']}".strip()
        met = {None: "", True: ", met", False: ", NOT met"}[item["met"]]
        sys.stdout.write(f"  {item['title']}: {value}\n    target {item['target']} ({item['source']}){met}\n")
    return exits.NO_FINDING


def run_order(args: argparse.Namespace) -> int:
    """Order something about an alert and print what it is then."""
    names = ("by", "reason", "hours", "owner", "days", "grow")
    body = {name: getattr(args, name) for name in names if getattr(args, name, None) is not None}
    alert = _asked(args, "POST", f"/alerts/{args.alert}/{args.order}", body)
    sys.stdout.write(f"{alert['id']} is {alert['state']}\n")
    return exits.NO_FINDING


def _asked(args: argparse.Namespace, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
    """What the service answers; its own words where it refuses."""
    import httpx

    from collector.commissioning.own_service import address_of, client_of, refused, silent
    from config.load import load_site

    site = load_site(args.site).site
    address = (args.page or address_of(site)).rstrip("/")
    try:
        with client_of(site, timeout=ANSWER_S, base=address, ca=args.ca) as client:
            answer = client.request(method, f"/api/v1{path}", json=body, headers={"Accept": "application/json"})
        said = answer.json()
    except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
        raise silent(error, address) from error
    if answer.is_success:
        return said
    scope = "read" if method == "GET" else "operate"
    fix = said.get("fix") if answer.status_code not in (401, 403) else refused(answer, scope)
    raise TallywireError(said.get("detail", f"HTTP {answer.status_code}"), where=address, fix=fix or "")
