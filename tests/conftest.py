"""Settings of all tests, and the sample portfolio audited once."""

from __future__ import annotations

import os
import shutil
import tempfile
from datetime import date
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, settings

from auditor.catalog import load_catalog
from auditor.cli.demo import FILES
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.records_db import open_records

settings.register_profile(
    "ci", max_examples=30, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("local", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "local"))

#: Tables of the likelihood cost about a second each: all stores of all tests share them, by what they are made of.
os.environ.setdefault("AUDITOR_TABLES", str(Path(tempfile.gettempdir()) / "auditor-test-tables"))

SAMPLE = Path(__file__).parents[1] / "sample_portfolio"
AS_OF = date(2026, 1, 31)


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, dict[str, Imported]]:
    """A store with the whole sample imported, audited and published, and what each import said; not to be changed."""
    store = Store(tmp_path_factory.mktemp("sample") / "store")
    store.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", store.catalog / "equipment.toml")
    shutil.copyfile(SAMPLE / "policy.toml", store.policy)
    told = {}
    with store.locked("import"), open_records(store) as con:
        for name, mapping in FILES:
            done = import_file(
                con, store, SAMPLE / name, SAMPLE / mapping if mapping else None, imported_on="2026-01-31"
            )
            told[name] = done
        # Tables that one process of the tests makes the others find, if they wait for it.
        Path(os.environ["AUDITOR_TABLES"]).mkdir(parents=True, exist_ok=True)
        with FileLock(os.environ["AUDITOR_TABLES"] + ".lock"):
            publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF)
    return store, told
