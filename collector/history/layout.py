"""Where the parts of a history lie in its data folder."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

DAY_S = 86400


def day_of(time_s: float) -> int:
    """Number of the UTC day that holds a time [days since 1970]."""
    return int(time_s // DAY_S)


def day_name(day: int) -> str:
    """A UTC day as YYYY-MM-DD."""
    return datetime.fromtimestamp(day * DAY_S, UTC).strftime("%Y-%m-%d")


def day_number(name: str) -> int:
    """The UTC day of a name YYYY-MM-DD. Raises ValueError for anything else."""
    return int(datetime.strptime(name, "%Y-%m-%d").replace(tzinfo=UTC).timestamp()) // DAY_S


def address(path: Path, *, read_only: bool) -> str:
    """A database file as SQLite takes it; on a read-only disk, where no index of a log can be made, as one that never changes."""
    mode = "mode=ro" if read_only else "mode=rwc"
    log = path.with_name(path.name + "-wal")
    if read_only and path.exists() and os.statvfs(path).f_flag & os.ST_RDONLY and not log.exists():
        mode += "&immutable=1"
    return f"file:{quote(str(path))}?{mode}"


@dataclass(frozen=True, slots=True)
class Layout:
    """The files of a data folder: `state.db`, `hot/DAY.db`, `archive/LOOP/DAY.parquet`, `lock`."""

    root: Path
    shared: Path | None = None
    """The folder of sealed days where several collectors share one."""

    @property
    def sealed(self) -> Path:
        """The folder of sealed days."""
        return self.shared or self.root / "archive"

    @property
    def state(self) -> Path:
        """Events, alerts, rollups, manifest."""
        return self.root / "state.db"

    @property
    def lock(self) -> Path:
        """Held by the one service that writes."""
        return self.root / "lock"

    def hot(self, day: int) -> Path:
        """Samples of a day that is not yet sealed."""
        return self.root / "hot" / f"{day_name(day)}.db"

    def hot_days(self) -> list[int]:
        """Days that have a hot file, oldest first."""
        out = []
        for path in (self.root / "hot").glob("*.db"):
            try:
                out.append(day_number(path.stem))
            except ValueError:
                continue
        return sorted(out)

    def archive(self, loop: str, day: int) -> Path:
        """Sealed samples of a loop and day."""
        return self.sealed / loop / f"{day_name(day)}.parquet"

    def sweep(self) -> None:
        """Remove what a kill left halfway: logs without their hot file, archive files under their temporary name."""
        for path in (self.root / "hot").glob("*.db-*"):
            if not path.with_name(path.name.rpartition("-")[0]).exists():
                path.unlink()
        for path in self.sealed.glob("*/*.tmp"):
            path.unlink()

    def make(self) -> None:
        """Make the folders."""
        hot = () if self.shared else (self.root / "hot",)
        for folder in (self.root, *hot, self.sealed):
            folder.mkdir(parents=True, exist_ok=True)
