"""One writer to a data folder: a lock that ends with the process, and a refusal of file systems that would corrupt it."""

from __future__ import annotations

import fcntl
import os
import re
from pathlib import Path

from config.errors import StoreError

MOUNTS = Path("/proc/self/mounts")
NETWORK = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "fuse.sshfs"}
"""File systems on which SQLite's write-ahead log is not safe."""


class FolderLock:
    """Holds the lock file of a data folder until closed; the kernel gives it back when the process dies.

    Raises
    ------
    StoreError
        Another service writes here, or the folder cannot be written.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise StoreError(
                f"the data folder cannot be written ({error.strerror})", where=str(path.parent), fix="name another with --data"
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._file, 32, 0).decode(errors="replace").strip()
            os.close(self._file)
            raise StoreError(
                f"another Tallywire service (process {holder or 'unknown'}) writes to this data folder",
                where=str(path.parent),
                fix="stop it, or name another folder with --data",
            ) from error
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def close(self) -> None:
        """Give the lock back; a second time does nothing."""
        held, self._file = self._file, -1
        if held >= 0:
            os.close(held)


def refuse_network(folder: Path) -> None:
    """Raise StoreError where the folder lies on a file system of another machine."""
    try:
        mounts = MOUNTS.read_text(encoding="utf-8").splitlines()
    except OSError:
        return
    target = folder.resolve()
    best = ("", "")
    for line in mounts:
        parts = line.split()
        if len(parts) < 3:
            continue
        point = re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), parts[1])
        if target.is_relative_to(point) and len(point) >= len(best[0]):
            best = (point, parts[2])
    if best[1] in NETWORK:
        raise StoreError(
            f"the data folder lies on a network file system ({best[1]}), where a crash can damage the history",
            where=str(folder),
            fix="name a folder on a local disk with --data",
        )
