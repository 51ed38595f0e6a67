"""Readings from Parquet: read by their types, refused where a type cannot hold them, and as from CSV."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest
from store_files import tally

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.evidence import import_evidence, readings_of
from auditor.store.records_db import open_records


def test_parquet_is_read_by_its_types(store: Store) -> None:
    path = store.root.parent / "a.parquet"
    frame = pl.DataFrame(
        {
            "system_id": [17, 17, 17, 18],
            "place": ["service"] * 4,
            "leg": pl.Series(["L1-L2"] * 4, dtype=pl.Categorical),
            "start": pl.Series([datetime(2025, 6, 1, 17, 15 * n) for n in range(4)]).dt.replace_time_zone("UTC"),
            "duration_s": [900] * 4,
            "mean_v": pl.Series([243.1, float("nan"), float("inf"), 239.0], dtype=pl.Float32),
        }
    )
    frame.with_columns(pl.col("start").dt.convert_time_zone("America/Chicago")).write_parquet(path)
    with open_records(store) as con:
        done = import_evidence(con, store, path, "readings", imported_on="2026-01-31")
        assert tally(done) == (4, 2, 2, 0)
        found = readings_of(con, "17").row(0)
        told = con.execute('SELECT row_number, "column", code, system_id FROM reject ORDER BY 1').fetchall()
    assert found[5] == datetime(2025, 6, 1, 17)
    assert found[7] == pytest.approx(243.1, rel=1e-6)
    assert told == [(2, "mean_v", "type-error", "17"), (3, "mean_v", "type-error", "17")]


@pytest.mark.parametrize(
    ("column", "said"),
    [
        (pl.Series("system_id", [1.0]), "'system_id' is stored as double; store it as text"),
        (pl.Series("start", [datetime(2025, 6, 1).date()]), "'start' is stored as date32.*timestamps"),
        (pl.Series("start", [datetime(2025, 6, 1)]), "states no zone"),
        (pl.Series("mean_v", [[240.0]]), "'mean_v' is stored as .*list.*numbers"),
    ],
)
def test_parquet_types_that_cannot_hold_it_are_refused(store: Store, column: pl.Series, said: str) -> None:
    path = store.root.parent / "a.parquet"
    frame = pl.DataFrame(
        {"system_id": "S1", "place": "service", "start": "2025-06-01T12:00Z", "duration_s": 9, "mean_v": 1}
    )
    frame.with_columns(column).write_parquet(path)
    with open_records(store) as con, pytest.raises(AuditorError, match=said):
        import_evidence(con, store, path, "readings", imported_on="2026-01-31")


def test_csv_and_parquet_of_the_same_rows_are_the_same(store: Store) -> None:
    frame = pl.DataFrame(
        {
            "system_id": "S1",
            "place": "service",
            "start": f"2025-06-{d:02d}T12:00Z",
            "duration_s": 900,
            "mean_v": 240 + d / 10,
        }
        for d in range(1, 20)
    )
    folder = store.root.parent
    frame.write_csv(folder / "a.csv")
    frame.with_columns(pl.col("start").str.to_datetime("%Y-%m-%dT%H:%MZ").dt.replace_time_zone("UTC")).write_parquet(
        folder / "a.parquet"
    )
    with open_records(store) as con:
        import_evidence(con, store, folder / "a.csv", "readings", imported_on="2026-01-31")
        again = import_evidence(con, store, folder / "a.parquet", "readings", imported_on="2026-01-31")
        assert tally(again) == (19, 0, 0, 19)
