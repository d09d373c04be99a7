"""The folder that the work of a replay and the one who waits for it share: how far each loop is, what is kept, and when to stop."""

from __future__ import annotations

import json
import multiprocessing
from pathlib import Path

from collector.replay.loop_run import LoopDone
from collector.replay.states import load, save


class StoppedError(Exception):
    """The work was stopped on demand, behind a state that was kept."""


class Notes:
    """Files of one replay in a folder that exists; every one is there whole or not at all."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @classmethod
    def of(cls, folder: str) -> Notes | None:
        """The notes in a folder, None where this machine cannot see it."""
        return cls(Path(folder)) if folder and Path(folder).is_dir() else None

    def state(self, loop: str) -> Path:
        """Where the state of a loop that is half done is kept."""
        return self.folder / f"{loop}.state"

    def result(self, loop: str) -> LoopDone | None:
        """What came of a loop, None where it is not done. Raises DataFileError where the file is damaged."""
        return load(self._result(loop), LoopDone)

    def keep_result(self, done: LoopDone) -> None:
        """Keep what came of a loop; its state is not needed any more."""
        save(self._result(done.loop), done)
        self.state(done.loop).unlink(missing_ok=True)

    def tell(self, loop: str, done: float, rows: int) -> None:
        """Say how far a loop is: the fraction that is done (0 to 1) and the samples that were judged."""
        path = self.folder / f"{loop}.progress"
        temporary = path.with_suffix(".progress-tmp")
        temporary.write_text(json.dumps([done, rows]), encoding="utf-8")
        temporary.replace(path)

    def progress(self) -> dict[str, tuple[float, int]]:
        """How far each loop is that has told of itself."""
        out = {}
        for path in self.folder.glob("*.progress"):
            try:
                done, rows = json.loads(path.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            out[path.stem] = (float(done), int(rows))
        return out

    def ask_to_stop(self) -> None:
        """Let every loop stop at the next piece."""
        (self.folder / "stop").touch()

    def begin(self) -> None:
        """Forget how far an earlier run was and that it was stopped; what is kept stays."""
        for path in [
            self.folder / "stop",
            *self.folder.glob("*.progress"),
            *self.folder.glob("*-tmp"),
            *self.folder.glob("*.tmp"),
        ]:
            path.unlink(missing_ok=True)

    def stop_wanted(self) -> bool:
        """Whether to stop: somebody asked for it, or whoever waits for a process of a pool is gone."""
        parent = multiprocessing.parent_process()
        return (self.folder / "stop").exists() or (parent is not None and not parent.is_alive())

    def _result(self, loop: str) -> Path:
        return self.folder / f"{loop}.done"
