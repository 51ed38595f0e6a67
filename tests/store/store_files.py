"""What the tests of the store share."""

from __future__ import annotations

import shutil
from pathlib import Path

from auditor.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


def rows_of(path: Path, count: int) -> str:
    """The header and first rows of a sample file."""
    return "".join(path.read_text("utf-8").splitlines(keepends=True)[: count + 1])


def new_store(root: Path) -> Store:
    """An empty store with the sample's equipment and policy."""
    place = Store(root)
    place.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", place.catalog / "equipment.toml")
    shutil.copyfile(SAMPLE / "policy.toml", place.policy)
    return place
