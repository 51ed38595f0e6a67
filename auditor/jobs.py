"""An `auditor` command as a child process, one at a time in a store, with its progress in files that anyone may read.

A job is `jobs/NNNN.json` in the store's folder, with what the command printed beside it. Whoever starts it writes the
first state, the command writes all that follow; a lock that the command holds as long as it lives tells a job that runs
from one that was killed, whoever asks and whatever was started anew in between.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout

from auditor.errors import AuditorError, StoreBusyError
from auditor.store.folder import Store

State = Literal["queued", "running", "done", "failed", "stopped"]
#: States of a job that may still change.
OPEN: tuple[State, ...] = ("queued", "running")

#: The environment variable that tells a command which job it is.
VARIABLE = "AUDITOR_JOB"
#: Jobs whose files are kept.
KEPT = 50
#: Characters of what a command printed that are kept in sight.
TAIL = 6_000
#: Longest wait for a command to start, and for one to end that was told to [s]; least time between two writes.
START_S, STOP_S, WRITE_S = 60.0, 15.0, 0.2


@dataclass(frozen=True)
class Job:
    """A command that was started. `note` says what it is for, `phase`, `done` and `total` how far it is.

    `status` is the command's exit status, None while it has none. `out` and `err` end with what it printed last.
    """

    number: int
    args: tuple[str, ...]
    note: str
    started: str
    state: State = "queued"
    process: int = 0
    phase: str = ""
    done: int = 0
    total: int | None = None
    ended: str = ""
    status: int | None = None
    out: str = ""
    err: str = ""

    @property
    def open(self) -> bool:
        """Whether it may still change."""
        return self.state in OPEN

    @property
    def refusal(self) -> str:
        """What a command that was stopped or failed said last."""
        if self.state == "stopped":
            return "Stopped. Nothing was changed."
        text = "\n" + self.err.strip()
        text = text[max(0, text.rfind("\nauditor: ")) :].removeprefix("\nauditor: ").strip()
        return text or "The command ended without a word. Try again."


def numbers(store: Store) -> list[int]:
    """The numbers of the jobs whose files are kept, ascending."""
    return sorted(int(path.stem) for path in store.jobs.glob("*.json") if path.stem.isdecimal())


def start(store: Store, args: Sequence[str], note: str = "") -> Job:
    """Start `auditor ARGS` and return at once; StoreBusyError where another job runs.

    The command outlives whoever started it. It must be told the store in its arguments.
    """
    store.jobs.mkdir(parents=True, exist_ok=True)
    with FileLock(store.jobs / "start.lock"):
        last = latest(store)
        if last is not None and last.open:
            raise StoreBusyError(f"{last.note or ' '.join(last.args)} is still running. Wait until it has ended.")
        _drop_old(store)
        job = Job(max([0, *numbers(store)]) + 1, tuple(args), note, _now())
        path = _path(store, job.number)
        _write(path, job)
        with path.with_suffix(".out").open("wb") as out, path.with_suffix(".err").open("wb") as err:
            process = subprocess.Popen(
                [sys.executable, "-m", "auditor", *args],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                env=os.environ | {VARIABLE: str(path)},
                start_new_session=True,
            )
    threading.Thread(target=_await, args=(process, path), daemon=True).start()
    return job


def _await(process: subprocess.Popen[bytes], path: Path) -> None:
    """Write the end of a command that could not write it itself."""
    status = process.wait()
    job = _load(path)
    if job is not None and job.open:
        state: State = "stopped" if path.with_suffix(".stop").exists() else "failed"
        _write(path, replace(job, state=state, status=status, ended=_now()))


def read(store: Store, number: int) -> Job | None:
    """A job as it stands now, or None. One whose command is gone without a word has failed, or was stopped."""
    path = _path(store, number)
    job = _load(path)
    if job is not None and job.open and not _lives(path, job):
        # It may have ended, or begun, between the two looks.
        job = _load(path)
        if job is not None and job.open and not _lives(path, job):
            job = replace(job, state="stopped" if path.with_suffix(".stop").exists() else "failed")
    return None if job is None else replace(job, out=_tail(path, ".out"), err=_tail(path, ".err"))


def latest(store: Store) -> Job | None:
    """The job that was started last, or None."""
    held = numbers(store)
    return read(store, held[-1]) if held else None


def stop(store: Store, number: int) -> Job | None:
    """Tell a job's command to end, and wait until it has; the store is left as its last finished step left it."""
    path = _path(store, number)
    job = read(store, number)
    if job is None or not job.open:
        return job
    path.with_suffix(".stop").touch()
    until = time.monotonic() + STOP_S
    while job is not None and job.open and time.monotonic() < until:
        if job.process and _held(path):
            _end(job.process)
        time.sleep(0.05)
        job = read(store, number)
    return job


def _end(process: int) -> None:
    try:
        os.kill(process, signal.SIGTERM)
    except OSError:
        return  # It has ended by itself.


def _lives(path: Path, job: Job) -> bool:
    if _held(path):
        return True
    age = (datetime.now(UTC) - datetime.fromisoformat(job.started)).total_seconds()
    return job.state == "queued" and age < START_S and not path.with_suffix(".stop").exists()


def _held(path: Path) -> bool:
    """Whether a command holds a job's lock."""
    try:
        with FileLock(path.with_suffix(".lock"), timeout=0):
            return False
    except Timeout:
        return True


def _path(store: Store, number: int) -> Path:
    return store.jobs / f"{number:04d}.json"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _write(path: Path, job: Job) -> None:
    """Replace a job's file at once. It need not outlast the machine: neither does the command."""
    part = path.with_suffix(".part")
    part.write_text(json.dumps({k: v for k, v in asdict(job).items() if k not in ("out", "err")}), "utf-8")
    part.replace(path)


def _load(path: Path) -> Job | None:
    try:
        held = json.loads(path.read_text("utf-8"))
        return Job(**held | {"args": tuple(held["args"])})
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _tail(path: Path, suffix: str) -> str:
    try:
        with path.with_suffix(suffix).open("rb") as file:
            file.seek(0, os.SEEK_END)
            file.seek(max(0, file.tell() - TAIL))
            return file.read().decode("utf-8", "replace")
    except OSError:
        return ""


def _drop_old(store: Store) -> None:
    for number in numbers(store)[: -KEPT + 1]:
        for path in store.jobs.glob(f"{number:04d}.*"):
            path.unlink(missing_ok=True)


class _Reporter:
    """The command's side: it owns the file from the moment it holds the lock."""

    def __init__(self, path: Path, job: Job) -> None:
        self._path = path
        self._job = replace(job, state="running", process=os.getpid())
        self._written = time.monotonic()
        _write(path, self._job)

    def advance(self, phase: str, done: int, total: int | None) -> None:
        changed = phase != self._job.phase
        self._job = replace(self._job, phase=phase, done=done, total=total)
        if changed or time.monotonic() - self._written >= WRITE_S:
            self._written = time.monotonic()
            _write(self._path, self._job)

    def end(self, status: int) -> None:
        _write(self._path, replace(self._job, state="failed" if status else "done", status=status, ended=_now()))


_REPORTER: ContextVar[_Reporter | None] = ContextVar("reporter", default=None)


@contextmanager
def reporting() -> Iterator[Callable[[int], None]]:
    """Report this process as the job that the environment names; yields what takes its exit status.

    Without a job nothing is reported. AuditorError where the job is not there or runs already.
    """
    name = os.environ.pop(VARIABLE, "")
    if not name:
        yield lambda status: None
        return
    path = Path(name)
    job = _load(path)
    if job is None or job.state != "queued":
        raise AuditorError(f"{path}: is no job that waits for its command. Start it from the dashboard.")
    try:
        with FileLock(path.with_suffix(".lock"), timeout=STOP_S):
            if path.with_suffix(".stop").exists():
                raise AuditorError("Stopped before it began.")
            reporter = _Reporter(path, job)
            held = _REPORTER.set(reporter)
            try:
                yield reporter.end
            finally:
                _REPORTER.reset(held)
    except Timeout as error:
        raise AuditorError(f"{path}: another process runs this job.") from error


def advance(phase: str, done: int, total: int | None) -> None:
    """Tell how far the running command is, where it runs as a job."""
    reporter = _REPORTER.get()
    if reporter is not None:
        reporter.advance(phase, done, total)
