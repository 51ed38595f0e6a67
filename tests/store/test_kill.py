"""Commands killed at any moment: readers always find a whole audit, and the next command finishes the work.

A killed process is not a power cut: what the operating system has taken over is still written.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from store_files import SAMPLE, new_store, rows_of

from auditor.cli import main
from auditor.policy import DEFAULT
from auditor.records.schema import TABLES
from auditor.store import Store
from auditor.store.originals import read_manifest
from auditor.store.records_db import open_records
from auditor.store.snapshot import current_number, open_snapshot, snapshot_numbers

pytestmark = pytest.mark.skipif(os.name == "nt", reason="processes are killed differently")

TABLE_NAMES = [*(table.name for table in TABLES), *(f"{table.name}_past" for table in TABLES), "import", "reject"]


@dataclass(frozen=True)
class Uninterrupted:
    """A prepared store, the commands that will be killed, and what they come to when they are not."""

    folder: Path
    store: Store
    import_command: tuple[str, ...]
    audit_command: tuple[str, ...]
    before: str
    imported: str
    audited: str
    records: list[object]
    import_seconds: float
    audit_seconds: float


def call(*args: object) -> int:
    """Run a command in this process."""
    with pytest.raises(SystemExit) as ended:
        main([str(arg) for arg in args])
    return int(str(ended.value.code))


def start(command: tuple[str, ...], store: Store) -> subprocess.Popen[bytes]:
    args = [sys.executable, "-m", "auditor", *command, "--store", str(store.root)]
    return subprocess.Popen(args, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def until(happened: Callable[[], bool], store: Store, process: subprocess.Popen[bytes]) -> bool:
    """Wait until something is seen in the store; False where the command ended before.

    Nothing happens there before the lock is held, and much in little time afterwards.
    """
    while process.poll() is None:
        if happened():
            return True
        time.sleep(0.000_05 if (store.root / "lock.json").exists() else 0.002)
    return False


def content(store: Store, number: int | None = None) -> str:
    with open_snapshot(store, number) as con:
        return str(con.execute("SELECT content_hash FROM audit").fetchall()[0][0])


def records(store: Store) -> list[object]:
    with store.locked("test"), open_records(store) as con:
        return [con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in TABLE_NAMES]


def _seconds(command: tuple[str, ...], store: Store) -> float:
    """How long a command holds the store's lock."""
    process = start(command, store)
    assert until((store.root / "lock.json").exists, store, process)
    began = time.monotonic()
    assert process.wait() == 0
    return time.monotonic() - began


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Uninterrupted:
    """A store with 100 rows of the sample in it, and a file that changes some of them and adds others."""
    folder = tmp_path_factory.mktemp("kill")
    prepared, store = new_store(folder / "prepared"), Store(folder / "whole")
    first, second, strict = folder / "first.csv", folder / "second.csv", folder / "strict.toml"
    first.write_text(rows_of(SAMPLE / "tidy.csv", 100), "utf-8")
    header, *rows = (SAMPLE / "tidy.csv").read_text("utf-8").splitlines(keepends=True)
    changed = [row.replace(",copper,", ",aluminium,", 1) for row in rows[60:100]]
    second.write_text("".join([header, *changed, *rows[100:160]]), "utf-8")
    strict.write_text(DEFAULT.read_text("utf-8").replace("target_pct = 2.0", "target_pct = 0.5"), "utf-8")
    assert call("import", first, "--store", prepared.root) == 0
    before = content(prepared)
    import_command = ("import", str(second))
    audit_command = ("audit", "--policy", str(strict))
    shutil.copytree(prepared.root, store.root)
    import_seconds = _seconds(import_command, store)
    imported, held = content(store), records(store)
    shutil.rmtree(store.root)
    shutil.copytree(prepared.root, store.root)
    audit_seconds = _seconds(audit_command, store)
    audited = content(store)
    assert len({before, imported, audited}) == 3
    return Uninterrupted(
        folder, prepared, import_command, audit_command, before, imported, audited, held, import_seconds, audit_seconds
    )


@pytest.fixture
def store(whole: Uninterrupted, tmp_path: Path) -> Store:
    """A copy of the prepared store."""
    return Store(Path(shutil.copytree(whole.store.root, tmp_path / "store")))


def check_whole(store: Store, number: int) -> None:
    """A snapshot agrees with itself."""
    with open_snapshot(store, number) as con:
        run, systems, circuits = con.execute("SELECT run, systems, circuits FROM audit").fetchall()[0]
        assert run == number
        for name, rows in (("system", systems), ("circuit", circuits)):
            assert con.execute(f"SELECT count(*) FROM {name}").fetchall() == [(rows,)]
            assert con.execute(f"SELECT count(*) FROM {name}_result").fetchall() == [(rows,)]
        findings = con.execute("SELECT count(*), count(sentence) FROM finding").fetchall()[0]
        assert findings[0] == findings[1] > rows
        imports = con.execute("SELECT count(*), max(import_id) FROM import").fetchall()[0]
        assert imports[0] == imports[1]


def check_readers(store: Store, allowed: set[str]) -> None:
    """What a reader finds after the kill: a whole audit, the old one or the new one, and no other."""
    assert (store.root / "CURRENT").read_text("utf-8") == f"audit-{current_number(store):04d}.duckdb\n"
    assert content(store) in allowed
    for number in snapshot_numbers(store):
        check_whole(store, number)
        assert content(store, number) in allowed
    assert {path.suffix for path in store.snapshots.iterdir()} == {".duckdb"}


def manifest_lines(store: Store) -> int:
    return store.manifest.read_bytes().count(b"\n")


#: Moments of a command that show in the folder: the kill comes as soon as they are seen.
MOMENTS: dict[str, Callable[[Store], bool]] = {
    "the lock is held": lambda s: (s.root / "lock.json").exists(),
    "the original is being kept": lambda s: len(list(s.originals.iterdir())) > 2,
    "the manifest has its line": lambda s: manifest_lines(s) == 2,
    "results are written": lambda s: any(s.scratch.glob("*.parquet")),
    "the snapshot is begun": lambda s: any(s.scratch.glob("audit*.duckdb")),
    "the snapshot has its place": lambda s: (s.snapshots / "audit-0002.duckdb").exists(),
}
#: What lies between them is killed at its commit points below.
IMPORT_MOMENTS = ("the lock is held", "the original is being kept", "results are written", "the snapshot is begun")
AUDIT_MOMENTS = ("results are written", "the snapshot has its place")

#: Moments too short to be seen from outside: the command kills itself before or after it calls this function.
POINTS = (
    ("auditor.store.originals.append_manifest", "before"),
    ("auditor.store.originals.append_manifest", "after"),
    ("auditor.cli.importing.publish", "before"),
    ("auditor.store.snapshot._put", "before"),
    ("auditor.store.snapshot.replace_text", "before"),
    ("auditor.store.snapshot.replace_text", "after"),
)
SELF_KILLER = """
import importlib, os, signal, sys
place, name, when, *args = sys.argv[1:]
from auditor.cli import main
module = importlib.import_module(place)
function = getattr(module, name)
def deadly(*args, **options):
    if when == "after":
        function(*args, **options)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(module, name, deadly)
main(args)
"""


def _fractions(seed: int, count: int) -> list[float]:
    """Shares of the run, one in each of `count` equal parts of it."""
    chance = random.Random(seed)
    return [(place + chance.random()) / count for place in range(count)]


def kill(command: tuple[str, ...], store: Store, moment: str | float, seconds: float) -> bool:
    """Start a command and kill it at a moment; return whether it was still running."""
    process = start(command, store)
    if isinstance(moment, str):
        seen = MOMENTS[moment]
        assert until(lambda: seen(store), store, process), process.stderr
    else:
        until((store.root / "lock.json").exists, store, process)
        time.sleep(moment * seconds)
    process.kill()
    _, said = process.communicate()
    assert b"Traceback" not in said
    return process.returncode != 0


def check_finished(whole: Uninterrupted, store: Store) -> None:
    """After the import was run again: all of it is there, once, and nothing else."""
    check_readers(store, {whole.before, whole.imported})
    assert content(store) == whole.imported
    assert records(store) == whole.records
    assert list(store.scratch.iterdir()) == []
    assert not (store.root / "lock.json").exists()


@pytest.mark.long
@pytest.mark.parametrize("moment", [*IMPORT_MOMENTS, *_fractions(20, 1)])
def test_a_killed_import(whole: Uninterrupted, store: Store, moment: str | float) -> None:
    kill(whole.import_command, store, moment, whole.import_seconds)
    check_readers(store, {whole.before, whole.imported})
    kept = len(read_manifest(store))
    assert kept in (1, 2)
    if moment in ("results are written", "the snapshot is begun"):
        assert kept == 2
    assert call(*whole.import_command, "--store", store.root) == 0
    check_finished(whole, store)


@pytest.mark.parametrize(("function", "when"), POINTS)
def test_an_import_killed_at_a_commit_point(whole: Uninterrupted, store: Store, function: str, when: str) -> None:
    place, _, name = function.rpartition(".")
    args = [place, name, when, *whole.import_command, "--store", str(store.root)]
    ended = subprocess.run([sys.executable, "-c", SELF_KILLER, *args], capture_output=True, check=False)
    assert ended.returncode == -9, ended.stderr
    published = (function, when) == ("auditor.store.snapshot.replace_text", "after")
    assert content(store) == (whole.imported if published else whole.before)
    assert len(read_manifest(store)) == (1 if (name, when) == ("append_manifest", "before") else 2)
    check_readers(store, {whole.before, whole.imported})
    assert call(*whole.import_command, "--store", store.root) == 0
    check_finished(whole, store)


@pytest.mark.long
@pytest.mark.parametrize("moment", [*AUDIT_MOMENTS, *_fractions(21, 1)])
def test_a_killed_audit(whole: Uninterrupted, store: Store, moment: str | float) -> None:
    kill(whole.audit_command, store, moment, whole.audit_seconds)
    check_readers(store, {whole.before, whole.audited})
    assert call(*whole.audit_command, "--store", store.root) == 0
    check_readers(store, {whole.before, whole.audited})
    assert content(store) == whole.audited
    assert list(store.scratch.iterdir()) == []


def test_an_audit_finishes_the_import_that_was_killed_after_its_line(whole: Uninterrupted, store: Store) -> None:
    kill(whole.import_command, store, "the manifest has its line", whole.import_seconds)
    assert call("audit", "--store", store.root) == 0
    assert content(store) == whole.imported
    assert records(store) == whole.records
