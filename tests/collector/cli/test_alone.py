"""`tallywire init --page` and `tallywire verify --page`: a page on this machine, without a site, until it is ended.

The ordinary run starts the first of the two; TALLYWIRE_FULL=1 starts both.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from collector.cli import exits
from collector.cli.main import main
from tests import FULL

LIMIT_S = 60.0


PAGES = [("init", "A new site file, by questions"), ("verify", "Verify a file")]


@pytest.mark.parametrize(("command", "title"), PAGES if FULL else PAGES[:1])
def test_page_is_served_on_a_printed_port_and_ends_when_told(tmp_path: Path, command: str, title: str) -> None:
    started = subprocess.Popen(
        [sys.executable, "-P", "-m", "collector", command, "--page"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "XDG_DATA_HOME": str(tmp_path)},
    )  # fmt: skip
    try:
        assert started.stdout is not None
        line = started.stdout.readline()
        address = re.fullmatch(rf"Open (http://127\.0\.0\.1:\d+)/{command}\n", line)
        assert address, line
        page = httpx.get(address[1], follow_redirects=True, headers={"Accept": "text/html"}, trust_env=False, timeout=LIMIT_S)
        assert (page.status_code, page.url.path) == (200, f"/{command}")
        assert title in page.text
        started.send_signal(signal.SIGINT)
        assert started.wait(LIMIT_S) == exits.NO_FINDING
        assert started.stderr is not None
        assert started.stderr.read() == ""
    finally:
        started.kill()
        started.communicate()


@pytest.mark.parametrize(("command", "says"), [("init", "tallywire init --page"), ("verify", "tallywire verify --page")])
def test_without_a_file_the_page_is_offered(command: str, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("port", ["x", "-1", "70000"])
def test_port_that_is_none(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["init", "--page", f"--port={port}"]) == exits.BAD_INPUT
    assert "is no port" in capsys.readouterr().err
