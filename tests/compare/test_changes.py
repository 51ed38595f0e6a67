"""What became of a system's expected trips, in words."""

from __future__ import annotations

import duckdb
import pytest

from auditor.compare import changes


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (("some years", 0.5), ("most months", 20.0), "more trips"),
        (("most months", 20.0), ("some years", 0.5), "fewer trips"),
        (("some years", 0.5), ("now and then", 0.5), "another band"),
        ((None, None), ("some years", 0.5), "became known"),
        (("some years", 0.5), (None, None), "became unknown"),
    ],
)
def test_trips_are_fewer_only_where_they_are(
    before: tuple[str | None, float | None], after: tuple[str | None, float | None], told: str
) -> None:
    with duckdb.connect() as con:
        con.execute(
            "CREATE TABLE moved_system AS SELECT 'S' AS system_id, false AS came, false AS went,"
            " ?::VARCHAR AS trip_band_x, ?::DOUBLE AS trip_days_per_year_x,"
            " ?::VARCHAR AS trip_band_y, ?::DOUBLE AS trip_days_per_year_y",
            [*before, *after],
        )
        assert [row[4] for row in con.execute(changes._trip_rows()).fetchall()] == [told]
