"""A small store to test with."""

from __future__ import annotations

from pathlib import Path

import pytest
from store_files import new_store

from auditor.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty store with the sample's equipment and policy."""
    return new_store(tmp_path / "store")
