"""A PostgreSQL server of the tests' own: on a socket in a folder of its own, durable as in a plant, gone at the end."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path

import psutil
import psycopg

from collector.history.metadata import METADATA
from collector.history.postgres_state import PostgresState
from collector.history.shared_tables import SHARED
from collector.history.tables import SCHEMA, VERSION

VERSIONS = Path("/usr/lib/postgresql")
OPTIONS = "-c listen_addresses='{listen}' -c port={port} -c unix_socket_directories={folder} -c track_commit_timestamp=on"
"""Commit times let a test prove that no row was written under an epoch after it was superseded. fsync stays on."""
WITHOUT_ORDER = "SET LOCAL session_replication_role = replica"
"""Rows go in any order of their tables. TRUNCATE would make two files of each table anew: fifty times as long where they are all but empty."""
FROM_ONE = "SELECT setval(oid::regclass, 1, false) FROM pg_class WHERE relkind = 'S'"
OTHERS = "pid <> pg_backend_pid()"


class Server:
    """The server; `database()` gives the address of an empty one with our tables."""

    def __init__(self, *, port: int = 5432, listen: str = "") -> None:
        found = sorted(VERSIONS.glob("*/bin"), key=lambda path: int(path.parent.name))
        assert found, f"PostgreSQL is missing under {VERSIONS}: run tests/run, which installs it"
        self._bin = found[-1]
        self.port = port
        self.listen = listen
        self.folder = Path(tempfile.mkdtemp(prefix="tw-pg-", dir="/tmp"))
        self._data = self.folder / "data"
        self._log = self.folder / "log"
        self._made: set[str] = set()
        if os.getuid() == 0:
            user = pwd.getpwnam("postgres")
            os.chown(self.folder, user.pw_uid, user.pw_gid)
        self._run("initdb", "-D", self._data, "-U", "tallywire", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
        self.start()

    def start(self) -> None:
        """Start it, again where it was stopped; its address stays."""
        options = OPTIONS.format(folder=self.folder, port=self.port, listen=self.listen)
        self._run("pg_ctl", "-D", self._data, "-l", self._log, "-o", options, "-w", "start")

    def stop(self) -> None:
        """Stop it at once, as a machine that goes down does; nothing where it was killed already."""
        head = (
            int((self._data / "postmaster.pid").read_text().splitlines()[0]) if (self._data / "postmaster.pid").exists() else 0
        )
        if not head or not psutil.pid_exists(head):
            return
        self._run("pg_ctl", "-D", self._data, "-m", "immediate", "-w", "stop")

    def kill(self) -> None:
        """kill -9 of the server and all that it has started; back when none of them is left."""
        head = psutil.Process(int((self._data / "postmaster.pid").read_text().splitlines()[0]))
        head.suspend()  # so that it starts no other while its children are killed
        family = [head, *head.children(recursive=True)]
        for one in family:
            with contextlib.suppress(psutil.NoSuchProcess):
                one.kill()
        _, left = psutil.wait_procs(family, timeout=20)
        assert all(one.status() == psutil.STATUS_ZOMBIE for one in left), left

    def address(self, name: str = "postgres") -> str:
        """The address of a database."""
        return f"postgresql://tallywire@/{name}?host={self.folder}&port={self.port}"

    def database(self, number: int = 0) -> str:
        """A database with our tables, all empty, and its address; the same one, emptied, at the next call with this number."""
        name = f"tallywire{number}"
        if name not in self._made:
            with psycopg.connect(self.address(), autocommit=True) as connection:
                connection.execute(f"CREATE DATABASE {name}")
            PostgresState(self.address(name)).close()
            self._made.add(name)
            return self.address(name)
        with psycopg.connect(self.address(name), autocommit=True) as connection:
            connection.execute(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}' AND {OTHERS}")
            days = connection.execute(
                "SELECT relname FROM pg_class WHERE relkind = 'r' AND relname LIKE 'samples!_%' ESCAPE '!'"
            )
            for (day,) in days.fetchall():
                connection.execute(f"DROP TABLE {day}")
            tables = [table.name for table in (*METADATA.sorted_tables, *SHARED.sorted_tables) if table is not SCHEMA]
            orders = [WITHOUT_ORDER, *(f"DELETE FROM {name}" for name in tables), FROM_ONE]
            connection.execute(";".join([*orders, f"UPDATE {SCHEMA.name} SET version = {VERSION}"]))
        return self.address(name)

    def close(self) -> None:
        """Stop it and remove everything."""
        self.stop()
        shutil.rmtree(self.folder)

    def _run(self, tool: str, *arguments: object) -> None:
        user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", "--"] if os.getuid() == 0 else []
        command = [*user, str(self._bin / tool), *(str(argument) for argument in arguments)]
        told = self.folder / "said"
        with told.open("wb") as said:  # a pipe would stay open in the server and never end
            done = subprocess.run(
                command, cwd=self.folder, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT, check=False,
                env={**os.environ, "LC_ALL": "C.UTF-8"},
            )  # fmt: skip
        assert done.returncode == 0, f"{tool} failed: {told.read_text()[-2000:]}"
