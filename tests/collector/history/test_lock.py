from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from collector.history import lock as locks
from collector.history.lock import FolderLock, refuse_network
from config.errors import StoreError


def test_second_holder_is_refused_and_told_the_process(tmp_path: Path) -> None:
    held = FolderLock(tmp_path / "lock")
    with pytest.raises(StoreError, match=rf"another Tallywire service \(process {os.getpid()}\)") as told:
        FolderLock(tmp_path / "lock")
    assert str(tmp_path) in str(told.value)
    assert "fix:" in str(told.value)
    held.close()
    FolderLock(tmp_path / "lock").close()


def test_lock_of_a_killed_process_is_free(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from collector.history.lock import FolderLock;"
        "held = FolderLock(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "lock")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match=f"process {child.pid}"):
            FolderLock(tmp_path / "lock")
        child.kill()
        child.wait()
    FolderLock(tmp_path / "lock").close()


def test_folder_that_cannot_be_written_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be written"):
        FolderLock(tmp_path / "missing" / "lock")


def mounts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    table = tmp_path / "mounts"
    table.write_text("".join(f"{line}\n" for line in lines))
    monkeypatch.setattr(locks, "MOUNTS", table)


@pytest.mark.parametrize("kind", ["nfs4", "cifs", "9p", "fuse.sshfs"])
def test_network_file_system_is_refused(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mounts(tmp_path, monkeypatch, "/dev/sda1 / ext4 rw 0 0", f"server:/share {tmp_path} {kind} rw 0 0")
    with pytest.raises(StoreError, match=f"network file system \\({kind}\\)"):
        refuse_network(tmp_path / "data")


def test_local_disk_below_a_network_mount_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mounts(tmp_path, monkeypatch, f"server:/ {tmp_path} nfs rw 0 0", f"/dev/sdb1 {tmp_path}/disk ext4 rw 0 0")
    refuse_network(tmp_path / "disk" / "data")


def test_mount_point_with_a_space_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # proc(5), from memory: blanks in a mount point stand as the octal escape \040
    mounts(tmp_path, monkeypatch, "/dev/sda1 / ext4 rw 0 0", f"server:/ {tmp_path}/north\\040quay nfs rw 0 0")
    with pytest.raises(StoreError, match="network file system"):
        refuse_network(tmp_path / "north quay")


def test_without_a_mount_table_nothing_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(locks, "MOUNTS", tmp_path / "none")
    refuse_network(tmp_path)
