"""Settings of all tests, and the sample portfolio audited once."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
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


#: Systems of one circuit each, of whom too little is known for any check but the branch limit: on a 20 A breaker the
#: sheet of this inverter that is in force allows 15 units, that of 2016 allowed 16. Nothing is expected of trips, since
#: no grid profile is recorded.
FEW = """system_id,circuit_id,utility,designer,contact,design_date,service,inverter_model,inverter_count,trunk_model,\
orientation,feed,breaker_a
Q-1,1,Ennick,Ada,a@x.invalid,2016-03-01,120/240,Larkfield U240,14,Larkfield TC-2,portrait,centre,20
Q-2,1,Ennick,Bo,b@x.invalid,2016-03-01,120/240,Larkfield U240,14,Larkfield TC-2,portrait,centre,20
Q-3,1,,Bo,c@x.invalid,,120/240,Larkfield U240,12,Larkfield TC-2,portrait,centre,20
Q-4,1,<b>Vale</b>,Bo,,2016-03-01,120/240,Larkfield U240,16,Larkfield TC-2,portrait,centre,20
"""


def few_systems(root: Path) -> Store:
    """A new store with the few systems, imported and not audited yet."""
    store = Store(root)
    store.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", store.catalog / "equipment.toml")
    path = root.with_suffix(".csv")
    path.write_text(FEW, "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
    return store


def audited(store: Store) -> Store:
    """The store after an audit by its catalog and the default policy."""
    with store.locked("audit"), open_records(store) as con:
        publish(con, store, load_catalog([store.catalog]), load_policy(), AS_OF)
    return store


@pytest.fixture(scope="session")
def few(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Store]:
    """Makes new stores of the few systems, which are not audited yet."""
    return lambda: few_systems(tmp_path_factory.mktemp("few") / "store")


@pytest.fixture(scope="session")
def audit_few() -> Callable[[Store], Store]:
    """Audits a store of the few systems."""
    return audited


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
