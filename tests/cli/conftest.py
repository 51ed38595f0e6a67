"""Runs commands as a user does, in this process where that is enough."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command_line import SAMPLE, Ran, Refused, Run

from auditor.cli import main, show
from auditor.store import Store
from auditor.store.importing import Imported


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run a command in this process, in a folder of its own."""
    monkeypatch.delenv("AUDITOR_STORE", raising=False)
    monkeypatch.setattr(show, "FIRST_LINE_S", 3_600.0)  # a slow machine says nothing more than a fast one
    monkeypatch.chdir(tmp_path)

    def command(*args: object) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        told = capsys.readouterr()
        assert isinstance(ended.value.code, int)
        assert "Traceback" not in told.out + told.err
        return Ran(ended.value.code, told.out, told.err)

    return command


@pytest.fixture
def refused(run: Run) -> Refused:
    """Run a command that must fail with one sentence on the error stream; return the sentence."""

    def command(*args: object, status: int = 1) -> str:
        ran = run(*args)
        assert ran.status == status, ran
        assert ran.err.startswith("auditor: "), ran
        assert ran.err.count("\n") == 1, ran
        return ran.err.removeprefix("auditor: ").rstrip("\n")

    return command


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """An empty store with the sample's equipment and policy."""
    place = Store(tmp_path / "store")
    place.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", place.catalog / "equipment.toml")
    shutil.copyfile(SAMPLE / "policy.toml", place.policy)
    return place.root


@pytest.fixture
def full(sample_store: tuple[Store, dict[str, Imported]], tmp_path: Path) -> Path:
    """A copy of the store with the whole sample in it."""
    return Path(shutil.copytree(sample_store[0].root, tmp_path / "full"))


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """The first rows of the sample's tidy file."""
    path = tmp_path / "small.csv"
    path.write_text("".join((SAMPLE / "tidy.csv").read_text("utf-8").splitlines(keepends=True)[:21]), "utf-8")
    return path
