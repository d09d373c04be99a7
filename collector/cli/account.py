"""`tallywire account`: who may come in. It writes into the history, so the service must not run, unless PostgreSQL keeps it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import StoreError, TallywireError

if TYPE_CHECKING:
    from collector.access.accounts import AccountBook
    from collector.access.roles import Who
    from collector.access.tokens import TokenBook

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

ROLES = ("viewer", "operator", "engineer", "admin")
SCOPES = ("metrics", "read", "operate", "engineer")
RUNNING = "use its page /accounts as an admin; or stop it for the time of this command"
ENTERED = "What was done is in the audit log: tallywire audit show SITE\n"


def add(subparsers: Subparsers) -> None:
    """Add the group and its commands."""
    parser = subparsers.add_parser(
        "account",
        help="accounts and tokens: who may come in",
        description="Accounts of people and tokens of programs. The first account is an admin; from then on everybody signs in. "
        "Passwords are asked for, or read as one line from standard input; never given as an argument.",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    made = commands.add_parser("add", help="add an account", description="Add an account.")
    _common(made, "name of the account")
    made.add_argument("--role", choices=ROLES, required=True, help="what it may do; each role may what the one before may")
    made.set_defaults(run=run_add)
    listed = commands.add_parser("list", help="list accounts and tokens", description="List accounts and tokens.")
    _common(listed)
    listed.set_defaults(run=run_list)
    role = commands.add_parser("role", help="give an account another role", description="Give an account another role.")
    _common(role, "name of the account")
    role.add_argument("role", choices=ROLES, metavar="ROLE", help=f"one of {', '.join(ROLES)}")
    role.set_defaults(run=run_role)
    password = commands.add_parser(
        "password", help="set a password", description="Set the password of an account; its sessions end."
    )
    _common(password, "name of the account")
    password.set_defaults(run=run_password)
    disable = commands.add_parser(
        "disable",
        help="disable an account",
        description="Disable an account; its sessions end. It is kept, for the log names it.",
    )
    _common(disable, "name of the account")
    disable.add_argument("--enable", action="store_true", help="enable it again")
    disable.set_defaults(run=run_disable)
    token = commands.add_parser(
        "token", help="make or revoke a token of a program", description="Make a token, which is shown once, or revoke one."
    )
    _common(token, "name of the program; with --revoke the number of the token")
    token.add_argument(
        "--scope", choices=SCOPES, action="append", default=[], help="what it may do; may be given more than once"
    )
    token.add_argument("--days", type=float, default=90.0, metavar="N", help="days until it ends (default 90, at most 400)")
    token.add_argument("--revoke", action="store_true", help="end the token with this number")
    token.set_defaults(run=run_token)


def _common(parser: argparse.ArgumentParser, name: str = "") -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    if name:
        parser.add_argument("name", metavar="NAME", help=name)
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder of the service")


def run_add(args: argparse.Namespace) -> int:
    """Add an account with a password from the keyboard."""
    from collector.access.roles import Role

    with _Books(args) as books:
        made = books.accounts.add(args.name, Role(args.role), _password(args.name), by=books.by)
    _say(f"{made.name} is {made.role.value}: {made.role.may}.\n{ENTERED}")
    return exits.NO_FINDING


def run_list(args: argparse.Namespace) -> int:
    """Print one line an account, then one a token."""
    from collector.records.content import local

    with _Books(args, read_only=True) as books:
        accounts, tokens, zone, now = books.accounts.all(), books.tokens.all(), books.zone, books.now
    if not accounts:
        _say("There is no account: whoever sits at the machine of the service may do everything.\n")
    else:
        _say(f"{'name':<24}{'role':<10}{'changed':<20}state\n")
        for one in accounts:
            state = "disabled" if one.disabled else "active"
            _say(f"{one.name:<23.23} {one.role.value:<10}{local(one.changed, zone)[:16]:<20}{state}\n")
    if tokens:
        _say(f"\n{'no.':>4}  {'token of':<20}{'may':<24}{'ends':<18}state\n")
        for token in tokens:
            state = "revoked" if token.revoked is not None else "active" if token.lasts(now) else "over"
            may = " ".join(sorted(scope.value for scope in token.scopes))
            _say(f"{token.id:>4}  {token.name:<19.19} {may:<24.24}{local(token.expires, zone)[:16]:<18}{state}\n")
    return exits.NO_FINDING


def run_role(args: argparse.Namespace) -> int:
    """Change a role."""
    from collector.access.roles import Role

    with _Books(args) as books:
        made = books.accounts.set_role(args.name, Role(args.role), by=books.by)
    _say(f"{made.name} is {made.role.value}: {made.role.may}.\n{ENTERED}")
    return exits.NO_FINDING


def run_password(args: argparse.Namespace) -> int:
    """Set a password from the keyboard."""
    with _Books(args) as books:
        if books.accounts.find(args.name) is None:
            raise TallywireError(f"there is no account {args.name!r}", where="NAME", fix="see `tallywire account list SITE`")
        made = books.accounts.set_password(args.name, _password(args.name), by=books.by)
    _say(f"{made.name} has a new password; wherever it was signed in it must sign in again.\n{ENTERED}")
    return exits.NO_FINDING


def run_disable(args: argparse.Namespace) -> int:
    """Disable an account, or enable it again."""
    with _Books(args) as books:
        made = books.accounts.set_disabled(args.name, not args.enable, by=books.by)
    _say(f"{made.name} is {'disabled; its sessions have ended' if made.disabled else 'enabled'}.\n{ENTERED}")
    return exits.NO_FINDING


def run_token(args: argparse.Namespace) -> int:
    """Make a token and print it once, or revoke one."""
    from collector.access.roles import Scope
    from collector.records.content import local

    if args.revoke:
        if not args.name.isascii() or not args.name.isdigit() or len(args.name) > 9:
            raise TallywireError(
                f"{args.name!r} is no number of a token", where="NAME", fix="see `tallywire account list SITE`"
            )
        with _Books(args) as books:
            ended = books.tokens.revoke(int(args.name), by=books.by)
        _say(f"Token {ended.id} of {ended.name} opens nothing any more.\n{ENTERED}")
        return exits.NO_FINDING
    with _Books(args) as books:
        made, secret = books.tokens.add(args.name, [Scope(word) for word in args.scope], args.days, by=books.by)
        ends = local(made.expires, books.zone)[:16]
    _say(f"{secret}\n")
    sys.stderr.write(f"Token {made.id} of {made.name}, shown this once; it ends {ends}. Send it as Authorization: Bearer ...\n")
    return exits.NO_FINDING


class _Books:
    """The books of a site's history and who changes them from a terminal; closed at the end."""

    def __init__(self, args: argparse.Namespace, *, read_only: bool = False) -> None:
        from collector.access.desk import Access
        from collector.clock import SystemClock
        from collector.data_folder import data_folder
        from collector.history.opening import open_store
        from config.load import load_site

        site = load_site(args.site).site
        clock = SystemClock()
        try:
            self._store = open_store(data_folder(args.data, site, make=not read_only), site, clock=clock, read_only=read_only)
        except StoreError as error:
            running = error.fix.startswith("stop it")
            raise StoreError(error.what, where=error.where, fix=RUNNING if running else error.fix) from error
        access = Access.open(self._store.state, clock, site.web)
        self.accounts: AccountBook = access.accounts
        self.tokens: TokenBook = access.tokens
        self.zone, self.now = site.time_zone, clock.now()
        self.by: Who = _who()

    def __enter__(self) -> _Books:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()


def _who() -> Who:
    """Whoever is at the terminal, by the name that the operating system knows."""
    import getpass

    from collector.access.roles import Role, Who

    try:
        name = getpass.getuser()
    except (OSError, KeyError, ImportError):
        name = "unknown user"
    return Who(name=name, role=Role.ADMIN, kind="terminal", address="terminal")


def _password(name: str) -> str:
    """A password: asked for twice at a terminal, else the first line of standard input."""
    import getpass

    if not sys.stdin.isatty():
        line = sys.stdin.readline().rstrip("\r\n")
        if not line:
            raise TallywireError("there is no password on standard input", where="stdin", fix="give it as one line")
        return line
    first = getpass.getpass(f"password for {name}: ")
    if getpass.getpass("again: ") != first:
        raise TallywireError("the two passwords differ", fix="type the password twice")
    return first


def _say(text: str) -> None:
    sys.stdout.write(text)
