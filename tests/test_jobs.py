"""Jobs: a command as a child with its progress in a file; one at a time, stopped, killed, seen by another server."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from auditor import jobs
from auditor.errors import AuditorError, StoreBusyError
from auditor.store import Store

PATIENCE_S = 90.0


@pytest.fixture
def store(tmp_path: Path) -> Store:
    place = Store(tmp_path / "store")
    place.create()
    return place


@pytest.fixture
def busy(store: Store, tmp_path: Path) -> jobs.Job:
    """A job that runs until it is stopped: it waits for the store, which somebody else holds."""
    file = tmp_path / "late.csv"
    file.write_text("system_id,circuit_id\n" + "".join(f"S{n},1\n" for n in range(20)), "utf-8")
    with store.locked("test"):
        job = jobs.start(store, ["import", str(file), "--store", str(store.root), "--wait"], "the import of late.csv")
        yield until(store, job.number, "running")
        jobs.stop(store, job.number)


def until(store: Store, number: int, *states: str) -> jobs.Job:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        job = jobs.read(store, number)
        assert job is not None
        if job.state in states:
            return job
        time.sleep(0.05)
    pytest.fail(f"the job is {job}")


def test_a_command_runs_to_its_end_and_leaves_what_it_said(store: Store, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("system_id,circuit_id,breaker_a\nS1,1,20\n", "utf-8")
    assert jobs.latest(store) is None
    job = jobs.start(store, ["import", str(tmp_path / "a.csv"), "--store", str(store.root)], "the import of a.csv")
    ended = until(store, job.number, "done", "failed")
    assert (ended.state, ended.status) == ("done", 0), ended
    assert "rows in 1 = accepted 1" in ended.out
    assert ended.note == "the import of a.csv"
    assert ended.done == ended.total == 1
    assert ended.phase == "Auditing circuits"
    assert ended.started <= ended.ended
    assert jobs.latest(store) == ended


def test_a_command_that_refuses_has_failed_with_its_status(store: Store) -> None:
    job = jobs.start(store, ["import", "nowhere.csv", "--store", str(store.root)])
    ended = until(store, job.number, "done", "failed")
    assert (ended.state, ended.status) == ("failed", 1)
    assert "there is no such file" in ended.err


def test_what_is_no_command_fails_too(store: Store) -> None:
    job = jobs.start(store, ["no-such-command"])
    ended = until(store, job.number, "done", "failed")
    assert ended.state == "failed"
    assert ended.status
    assert "no-such-command" in ended.err


def test_one_job_at_a_time(store: Store, busy: jobs.Job) -> None:
    with pytest.raises(StoreBusyError, match=r"the import of late\.csv is still running"):
        jobs.start(store, ["runs", "--store", str(store.root)])
    assert jobs.numbers(store) == [busy.number]


def test_a_stopped_job_says_so_and_makes_room(store: Store, busy: jobs.Job) -> None:
    stopped = jobs.stop(store, busy.number)
    assert stopped is not None
    assert stopped.state == "stopped"
    after = jobs.start(store, ["runs", "--store", str(store.root)])
    assert after.number == busy.number + 1
    assert until(store, after.number, "done", "failed").state == "done"
    again = jobs.stop(store, busy.number)
    assert again is not None
    assert again.state == "stopped"
    assert jobs.read(store, after.number).state == "done"  # type: ignore[union-attr]


def test_a_killed_command_has_failed(store: Store, busy: jobs.Job) -> None:
    os.kill(busy.process, signal.SIGKILL)
    assert until(store, busy.number, "failed").state == "failed"


def test_another_server_sees_the_same_job(store: Store, busy: jobs.Job) -> None:
    """A process that started nothing reads the state, and tells a dead command from one that runs."""
    look = (
        "import sys; from pathlib import Path; from auditor import jobs; from auditor.store import Store;"
        " print(jobs.read(Store(Path(sys.argv[1])), int(sys.argv[2])).state)"
    )

    def seen() -> str:
        import subprocess

        command = [sys.executable, "-c", look, str(store.root), str(busy.number)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()

    assert seen() == "running"
    os.kill(busy.process, signal.SIGKILL)
    until(store, busy.number, "failed")
    assert seen() == "failed"


def test_a_job_whose_starter_died_before_its_command_began_has_failed(store: Store) -> None:
    store.jobs.mkdir()
    old = jobs.Job(3, ("runs",), "", "2020-01-01T00:00:00+00:00")
    jobs._write(jobs._path(store, 3), old)
    found = jobs.read(store, 3)
    assert found is not None
    assert found.state == "failed"
    assert jobs.start(store, ["runs", "--store", str(store.root)]).number == 4


def test_a_command_that_is_gone_without_a_word_has_failed_or_was_stopped(store: Store) -> None:
    """As a server finds it that was started anew: the file says running, and nobody holds the lock."""
    store.jobs.mkdir()
    path = jobs._path(store, 1)
    jobs._write(path, jobs.Job(1, ("runs",), "", jobs._now(), state="running", process=os.getpid()))
    for state in ("failed", "stopped"):
        found = jobs.read(store, 1)
        assert found is not None
        assert (found.state, found.open) == (state, False)
        path.with_suffix(".stop").touch()


def test_a_file_that_cannot_be_read_is_no_job(store: Store) -> None:
    store.jobs.mkdir()
    (store.jobs / "0007.json").write_text("{", "utf-8")
    assert jobs.read(store, 7) is None
    assert jobs.read(store, 8) is None
    assert jobs.start(store, ["runs", "--store", str(store.root)]).number == 8


def test_old_jobs_are_dropped(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "KEPT", 2)
    for _ in range(4):
        job = jobs.start(store, ["runs", "--store", str(store.root)])
        until(store, job.number, "done", "failed")
    assert jobs.numbers(store) == [3, 4]
    assert {path.name.split(".")[0] for path in store.jobs.glob("*.out")} == {"0003", "0004"}


def test_a_process_that_is_no_job_reports_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv(jobs.VARIABLE, raising=False)
    with jobs.reporting() as ended:
        jobs.advance("Reading", 1, 2)
        ended(0)
    monkeypatch.setenv(jobs.VARIABLE, str(tmp_path / "0001.json"))
    with pytest.raises(AuditorError, match="is no job"), jobs.reporting():
        pass


def test_progress_is_written_as_it_goes_and_not_too_often(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    store.jobs.mkdir()
    path = jobs._path(store, 1)
    jobs._write(path, jobs.Job(1, ("runs",), "", jobs._now()))
    monkeypatch.setenv(jobs.VARIABLE, str(path))
    written = []
    monkeypatch.setattr(jobs, "_write", lambda at, job, write=jobs._write: (written.append(job.done), write(at, job)))
    with jobs.reporting() as ended:
        for n in range(1_000):
            jobs.advance("Reading", n, 1_000)
        assert len(written) < 200
        job = jobs.read(store, 1)
        assert job is not None
        assert (job.state, job.phase, job.total, job.process) == ("running", "Reading", 1_000, os.getpid())
        ended(3)
    job = jobs.read(store, 1)
    assert job is not None
    assert (job.state, job.status, job.done) == ("failed", 3, 999)
