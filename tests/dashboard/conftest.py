"""The dashboard over the sample's snapshot, without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from dash import Dash
from flask.testing import FlaskClient

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


@pytest.fixture
def own(tmp_path: Path) -> Store:
    """A store of the test's own, which is not there yet."""
    return Store(tmp_path / "store")


@pytest.fixture
def context_of_own(own: Store) -> Context:
    return Context(own, Snapshots(own))


@pytest.fixture
def asking(own: Store) -> FlaskClient:
    return create_app(own, access=Access()).server.test_client()
