"""The dashboard over the sample's snapshot, without a browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from dash import Dash

from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.guard import Access
from dashboard.snapshots import Snapshots


@pytest.fixture(scope="session")
def store(sample_store: tuple[Store, object]) -> Store:
    return sample_store[0]


@pytest.fixture(scope="session")
def app(store: Store) -> Dash:
    return create_app(store, access=Access())


@pytest.fixture
def context(store: Store) -> Iterator[Context]:
    snapshots = Snapshots(store)
    yield Context(store, snapshots)
    snapshots.close()


@pytest.fixture(scope="session")
def con(store: Store) -> Iterator[Connection]:
    with open_snapshot(store) as con:
        yield con
