"""Exports that people drop on the page: kept for an hour, read and verified in processes of their own."""

from __future__ import annotations

import asyncio
import json
import secrets
import shutil
import sys
import tempfile
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool

from collector.clock import Clock
from collector.exports.answers import site_of
from collector.exports.asking import from_mapping
from collector.exports.child import ReadExport, read_in_child
from collector.exports.read import Overrules
from collector.exports.tidy import Between
from collector.replay.storing import lost
from config.errors import TallywireError

MOST = 4
"""Exports that are kept at once; the oldest goes."""
KEPT_S = 3600.0
LONGEST_S = 1800.0


class State(StrEnum):
    """How far an export is."""

    READING = "reading"
    ASKING = "asking"
    VERIFYING = "verifying"
    DONE = "done"
    FAILED = "failed"


@dataclass(slots=True)
class Job:
    """One export: its file, what was understood, what was answered, and the report at the end."""

    key: str
    name: str
    folder: Path
    made: float
    state: State = State.READING
    read: ReadExport | None = None
    answers: dict[str, Any] = field(default_factory=dict)
    lost: tuple[str, ...] = ()
    """What is not known because the recorder stored only changes, by the answers."""
    report: dict[str, Any] | None = None
    problem: TallywireError | None = None
    task: asyncio.Task[None] | None = None

    @property
    def file(self) -> Path:
        """The file as it was sent, under a name of ours."""
        return self.folder / f"export{Path(self.name).suffix[:8]}"


class Jobs:
    """All exports that are kept. To be closed at the end, which removes them."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._jobs: dict[str, Job] = {}

    def begin(self, name: str) -> Job:
        """A new export, for its file to be written to `job.file`; old ones go."""
        now = self._clock.now()
        old = [key for key, job in self._jobs.items() if now - job.made > KEPT_S]
        old += list(self._jobs)[: max(0, len(self._jobs) - len(old) - MOST + 1)]
        for key in dict.fromkeys(old):
            self.drop(key)
        folder = Path(tempfile.mkdtemp(prefix="tallywire-"))
        job = Job(key=secrets.token_urlsafe(12), name=name[:120] or "export", folder=folder, made=now)
        self._jobs[job.key] = job
        return job

    def find(self, key: str) -> Job | None:
        """An export that is kept."""
        return self._jobs.get(key)

    def drop(self, key: str) -> None:
        """Forget an export and remove its file."""
        job = self._jobs.pop(key, None)
        if job is not None:
            if job.task is not None:
                job.task.cancel()
            shutil.rmtree(job.folder, ignore_errors=True)

    def read(self, job: Job) -> None:
        """Read the file that has arrived, beside everything else."""
        job.state = State.READING
        job.task = asyncio.create_task(self._guarded(job, self._read(job)), name=f"read {job.key}")

    def verify(self, job: Job, answers: dict[str, Any]) -> None:
        """Verify with these answers, beside everything else.

        Raises
        ------
        TallywireError
            An answer cannot be used.
        """
        if job.read is None or job.state not in (State.ASKING, State.DONE):
            raise TallywireError("this export is not ready to be verified", fix="wait until it is read")
        asked = from_mapping(answers, job.read, "answers")
        job.lost = tuple(lost(site_of(asked.answers)))
        job.answers, job.report, job.state = answers, None, State.VERIFYING
        job.task = asyncio.create_task(self._guarded(job, self._verify(job)), name=f"verify {job.key}")

    def close(self) -> None:
        """Remove everything."""
        for key in list(self._jobs):
            self.drop(key)

    async def _guarded(self, job: Job, work: Any) -> None:
        try:
            await work
        except TallywireError as error:
            job.problem, job.state = error, State.FAILED
        except TimeoutError:
            job.problem = TallywireError("the verification took too long", fix="export fewer days")
            job.state = State.FAILED

    async def _read(self, job: Job) -> None:
        try:
            job.read = await run_in_threadpool(read_in_child, job.file, job.folder / "export.parquet", Overrules())
        except TallywireError as error:
            raise TallywireError(error.what, where=job.name, fix=error.fix) from error
        job.state = State.ASKING

    async def _verify(self, job: Job) -> None:
        answers, out = job.folder / "answers.json", job.folder / "report.json"
        answers.write_text(json.dumps(job.answers), encoding="utf-8")
        linear = [
            part for name, how in job.answers.get("between", {}).items() if how == Between.LINEAR for part in ("--linear", name)
        ]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "collector", "verify", str(job.file), "--answers", str(answers), "--json", str(out), *linear,
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        try:
            async with asyncio.timeout(LONGEST_S):
                _, said = await process.communicate()
        except BaseException:
            process.kill()
            raise
        if process.returncode not in (0, 1, 3):
            raise TallywireError(
                said.decode("utf-8", "replace").removeprefix("tallywire: ").strip()[:400] or "it could not be verified"
            )
        job.report = json.loads(out.read_text(encoding="utf-8"))
        job.state = State.DONE
