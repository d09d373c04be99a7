"""The unit files: systemd takes them, and how far they are shut off is what they say of themselves."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

import deploy
from collector.cli import exits
from collector.cli.main import parser

UNITS = Path(deploy.__file__).parent / "systemd"
SERVICES = sorted(UNITS.glob("*.service"))
ANALYZE = "systemd-analyze"


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    if shutil.which(ANALYZE) is None:
        raise RuntimeError(f"{ANALYZE} is not installed (Debian: systemd)")
    return subprocess.run([ANALYZE, "--no-pager", *arguments], capture_output=True, text=True, check=False)


def read(unit: Path) -> dict[str, str]:
    """The keys of a unit with their values; of one that stands there twice, the last."""
    lines = (line.partition("=") for line in unit.read_text(encoding="utf-8").splitlines() if line[:1].isalpha())
    return {key: value for key, _, value in lines}


def test_systemd_takes_every_unit(tmp_path: Path) -> None:
    """`ExecStart` names a program that this machine has: the installed one is not there while tests run."""
    copies = []
    for unit in sorted(UNITS.iterdir()):
        copy = tmp_path / unit.name
        copy.write_text(re.sub(r"(?m)^ExecStart=\S+", "ExecStart=/bin/true", unit.read_text(encoding="utf-8")))
        copies.append(str(copy))
    said = analyze("verify", *copies)
    assert (said.returncode, said.stdout, said.stderr) == (0, "", "")


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.name)
def test_the_score_is_the_one_that_is_written_down(unit: Path) -> None:
    said = analyze("security", "--offline=true", str(unit)).stdout
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", said)
    told = re.search(r"says ([0-9.]+) \(0 is best", unit.read_text(encoding="utf-8"))
    assert found is not None, said
    assert told is not None
    assert float(found[1]) <= float(told[1]) <= 1.5


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.name)
def test_the_command_of_a_unit_is_one_of_ours(unit: Path) -> None:
    words = read(unit)["ExecStart"].split()
    assert words[0] == "/opt/tallywire/bin/tallywire"
    assert parser().parse_args(words[1:]).site == Path("/etc/tallywire/site.yaml")


def test_what_the_service_needs_of_its_unit_stands_there() -> None:
    unit = read(UNITS / "tallywire.service")
    assert (unit["Type"], unit["DynamicUser"], unit["ProtectSystem"]) == ("notify", "yes", "strict")
    assert unit["StateDirectory"].split()[0] == "tallywire"
    assert int(unit["RestartPreventExitStatus"]) == exits.BAD_INPUT
    assert int(unit["SuccessExitStatus"]) == exits.INTERRUPTED
    assert int(unit["WatchdogSec"]) >= 30
    assert unit["CapabilityBoundingSet"] == unit["AmbientCapabilities"] == ""
    assert set(unit["RestrictAddressFamilies"].split()) == {"AF_UNIX", "AF_INET", "AF_INET6"}
    assert read(UNITS / "tallywire-backup.service")["StateDirectory"].split() == ["tallywire", "tallywire-backup"]


ALLOWED = re.compile(r"^\s+(@?[a-z0-9_-]+)$", re.M)


def expanded(group: str) -> set[str]:
    out: set[str] = set()
    for name in ALLOWED.findall(analyze("syscall-filter", group).stdout):
        out |= expanded(name) if name.startswith("@") and name != group else {name}
    return {name for name in out if not name.startswith("@")}


def test_the_filter_of_system_calls_lets_pass_what_a_database_a_server_and_a_child_need() -> None:
    """From a trace of the service that polls, stores, publishes and serves; what it may be refused is `mbind` and `fchown`."""
    allowed = expanded("@system-service") - expanded("@privileged") - expanded("@resources")
    needed = {
        "accept4", "bind", "clone3", "connect", "epoll_wait", "execve", "fdatasync", "fsync", "ftruncate", "futex", "getrandom",
        "ioctl", "kill", "listen", "madvise", "mmap", "mprotect", "mremap", "pidfd_open", "pipe2", "pread64", "prlimit64",
        "pwrite64", "recvfrom", "rename", "rt_sigaction", "sendto", "setsockopt", "shutdown", "socketpair", "statx", "unlink",
        "vfork", "wait4", "waitid",
    }  # fmt: skip
    assert needed - allowed == set()
