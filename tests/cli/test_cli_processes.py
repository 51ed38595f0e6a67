"""Commands beside one another, stopped by hand, and where nothing can be written."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import SAMPLE, Run, expected_import

from auditor.store import Store
from auditor.store.snapshot import open_snapshot, snapshot_numbers

AUDITOR = (sys.executable, "-m", "auditor")
#: A command started by a shell in the background may have been told to ignore interrupts.
INTERRUPTIBLE = (
    sys.executable,
    "-c",
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "from auditor.cli import main; print('ready', flush=True); main(sys.argv[1:])",
)
HOLD = (
    "import sys, time; from pathlib import Path; from auditor.store import Store\n"
    "with Store(Path(sys.argv[1])).locked('import big.csv'):\n"
    "    print('held', flush=True); time.sleep(float(sys.argv[2]))"
)

#: Runs commands one after another in a process and says how each ended.
TOGETHER = """
import contextlib, io, json, sys
from auditor.cli import main
told = []
for command in json.loads(sys.argv[1]):
    err = io.StringIO()
    with contextlib.redirect_stderr(err), contextlib.redirect_stdout(io.StringIO()):
        try:
            main(command)
        except SystemExit as ended:
            told.append((ended.code, err.getvalue()))
print(json.dumps(told))
"""

#: Refused rows of tidy.csv whose ids can be read: circuits of which nothing is known.
PLACES = 6


@contextmanager
def held(store: Path, seconds: float) -> Iterator[None]:
    """Another process writes to the store for so long."""
    other = subprocess.Popen([sys.executable, "-c", HOLD, str(store), str(seconds)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        yield
    finally:
        other.kill()
        other.wait()


def test_a_busy_store_is_said_with_its_own_status(run: Run, full: Path, small: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(run("catalog", "--template").out, "utf-8")
    writers = (
        ("import", small),
        ("audit",),
        ("runs", "--keep", 1),
        ("catalog", "mine.toml"),
        ("policy", SAMPLE / "policy.toml"),
    )
    with held(full, 60):
        for command in writers:
            ran = run(*command, "--store", full)
            assert ran.status == 3, ran
            assert ran.err.startswith(f"auditor: {full}: `auditor import big.csv` (process ")
            assert ran.err.endswith("is writing to this store. Try again when it has ended, or add --wait.\n")
        for reader in (("runs",), ("export", "rejects", "-o", "x.csv"), ("catalog",), ("policy",)):
            assert run(*reader, "--store", full).status == 0


def test_wait_waits_for_the_other_command(run: Run, full: Path) -> None:
    with held(full, 0.7):
        start = time.monotonic()
        ran = run("audit", "--store", full, "--wait")
        assert ran.status == 0
        assert time.monotonic() - start > 0.5
    assert snapshot_numbers(Store(full)) == [1, 2]


def _until(path: Path, process: subprocess.Popen[str]) -> None:
    while not path.exists() and process.poll() is None:
        time.sleep(0.001)


@pytest.mark.skipif(os.name == "nt", reason="interrupts are sent differently")
@pytest.mark.parametrize("seconds", [0.0, 0.1, 0.3])
def test_a_command_stopped_by_hand_says_so_and_can_be_run_again(run: Run, store: Path, seconds: float) -> None:
    command = [*INTERRUPTIBLE, "import", str(SAMPLE / "tidy.csv"), "--store", str(store)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        _until(store / "lock.json", process)
        time.sleep(seconds)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    if process.returncode != 0:
        assert (process.returncode, err.splitlines()[-1]) == (
            130,
            "auditor: stopped. What was finished is kept; run the same command to go on.",
        ), out
        assert "Traceback" not in err
    assert run("import", SAMPLE / "tidy.csv", "--store", store).status == 0
    with open_snapshot(Store(store)) as con:
        assert con.execute("SELECT circuits FROM audit").fetchall() == [
            (expected_import()["tidy.csv"]["accepted"] + PLACES,)
        ]


@pytest.mark.skipif(os.name == "nt", reason="interrupts are sent differently")
def test_waiting_can_be_stopped_by_hand(full: Path) -> None:
    command = [*INTERRUPTIBLE, "audit", "--wait", "--store", str(full)]
    with (
        held(full, 60),
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process,
    ):
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(1)
        assert process.poll() is None
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert (process.returncode, err.splitlines()[-1][:17]) == (130, "auditor: stopped.")


def test_a_reader_that_hangs_up_gets_no_traceback(full: Path) -> None:
    with subprocess.Popen([*AUDITOR, "policy"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        err = process.stderr.read()
    assert "Traceback" not in err


def _bound() -> list[str]:
    """What makes a command obey permissions: nothing for a plain user, for root the loss of its exemption."""
    if os.name == "nt":
        pytest.skip("permissions work differently")
    if os.geteuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("root passes over permissions, and setpriv is not here")
    drop = "-dac_override,-dac_read_search"
    return ["setpriv", f"--inh-caps={drop}", f"--bounding-set={drop}"]


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """No one may write in a folder, nor in those within it."""
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    for path in folders:
        path.chmod(0o555)
    try:
        yield
    finally:
        for path in folders:
            path.chmod(0o755)


def test_a_folder_that_cannot_be_written_is_said(full: Path, small: Path, tmp_path: Path) -> None:
    prefix = _bound()
    shut = tmp_path / "shut"
    shut.mkdir()
    commands = (
        ("import", str(small), "--store", str(full)),
        ("audit", "--store", str(full)),
        ("runs", "--keep", "1", "--store", str(full)),
        ("policy", str(SAMPLE / "policy.toml"), "--store", str(full)),
        ("import", str(small), "--store", str(shut / "store")),
        ("export", "rejects", "-o", str(shut / "x.xlsx"), "--store", str(full)),
        ("export", "rejects", "-o", str(shut / "x.parquet"), "--store", str(full)),
    )
    with tempfile.TemporaryDirectory() as out, read_only(full), read_only(shut):
        reader = ("export", "systems", "-o", f"{out}/x.csv", "--store", str(full))
        told = json.dumps([*commands, reader])
        ran = subprocess.run(
            [*prefix, sys.executable, "-c", TOGETHER, told], capture_output=True, text=True, check=True
        )
    *refused, (status, _) = json.loads(ran.stdout)
    assert status == 0
    assert len(refused) == len(commands)
    for command, (status, err) in zip(commands, refused, strict=True):
        assert status == 1, (command, err)
        assert err.startswith("auditor: "), command
        assert "Permission denied" in err, command
        assert err.count("\n") == 1, command
    assert snapshot_numbers(Store(full)) == [1]
    assert list(shut.iterdir()) == []
