"""A small store to test with."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from auditor.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


def rows_of(path: Path, count: int) -> str:
    """The header and first rows of a sample file."""
    return "".join(path.read_text("utf-8").splitlines(keepends=True)[: count + 1])


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty store with the sample's equipment and policy."""
    place = Store(tmp_path / "store")
    place.create()
    shutil.copytree(SAMPLE / "catalog", place.catalog, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copyfile(SAMPLE / "policy.toml", place.policy)
    return place
