"""A small store to test with."""

from __future__ import annotations

from pathlib import Path

import pytest
from mending_cases import HEADER, MESSY, bring, given
from store_files import new_store

from auditor.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty store with the sample's equipment and policy."""
    return new_store(tmp_path / "store")


@pytest.fixture
def messy(store: Store, tmp_path: Path) -> Store:
    """A store with two rows that need mending."""
    bring(store, given(tmp_path / "in", HEADER + MESSY))
    return store
