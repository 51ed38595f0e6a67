"""The complaints page's questions to a snapshot: readings by hour, and the rise that is computed between two places."""

from __future__ import annotations

import duckdb
import polars as pl

from auditor.store.records_db import Connection

#: Parts of a circuit's rise behind each place where readings are taken.
_BEHIND = {
    "service": ("service_entrance", "feeder", "home_run", "trunk"),
    "main panel": ("feeder", "home_run", "trunk"),
    "combiner": ("home_run", "trunk"),
    "junction box": ("trunk",),
}


def hours(con: Connection, system_id: str) -> pl.DataFrame:
    """Hourly means in the week around the highest hour, by place; none for a run made before there were any."""
    try:
        found = con.sql("FROM reading_hour WHERE system_id = ? ORDER BY ALL", params=[system_id])
    except duckdb.CatalogException:
        return pl.DataFrame()
    return pl.DataFrame(found.to_arrow_table())


def limits(con: Connection, system_id: str) -> dict[str, float]:
    """The top of the service range and the first threshold [% of nominal], as far as the run knows them."""
    rows = con.execute(
        """SELECT max(100 * c.service_top_v / c.unit_voltage_v), any_value(r.first_threshold_pct)
           FROM system_result r LEFT JOIN circuit_result c USING (system_id) WHERE system_id = ?""",
        [system_id],
    ).fetchall()
    top, first = rows[0] if rows else (None, None)
    return {name: value for name, value in (("range", top), ("trip", first)) if value is not None}


def apart(con: Connection, system_id: str) -> tuple[pl.DataFrame, str, float | None]:
    """What lay between the place nearest to the source and the units, hour by hour: `current`, the current's share of
    rated, and `apart_pct`; what that place is, and the rise that is computed behind it [% at rated output]. Empty where
    two places were not read at once.
    """
    found = hours(con, system_id)
    empty = pl.DataFrame(schema={"current": pl.Float64, "apart_pct": pl.Float64})
    if not found.height:
        return empty, "", None
    whole = found.filter(~pl.col("leg").fill_null("").str.ends_with("N"), pl.col("share").is_not_null())
    unit = whole.filter(pl.col("place") == "unit")
    near = next((place for place in _BEHIND if (whole["place"] == place).any()), "")
    if not near or not unit.height:
        return empty, "", None
    other = whole.filter(pl.col("place") == near).select("hour", pl.col("v_pct").alias("near_pct"))
    pairs = unit.join(other, on="hour").select(
        (pl.col("share") * 100 / pl.col("v_pct")).alias("current"),
        (pl.col("v_pct") - pl.col("near_pct")).alias("apart_pct"),
    )
    parts = " + ".join(f"{part}_rise_pct" for part in _BEHIND[near])
    circuit = unit["circuit_id"][0]
    rise = con.execute(
        f"SELECT {parts} FROM circuit_result WHERE system_id = ? AND circuit_id = ?", [system_id, circuit]
    ).fetchall()
    return pairs.sort("current"), near, rise[0][0] if rise else None
