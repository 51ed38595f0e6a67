"""Which factors can matter for which systems, over two small runs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from small_portfolio import equipment, new_catalog

from auditor.compare.causes import KEYS
from auditor.compare.factors import Factor
from auditor.compare.rules import Rules, rules_of
from auditor.compare.trials import Trials
from auditor.compare.uses import uses
from auditor.policy import load_policy
from auditor.records.schema import TABLES
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import run_path
from auditor.trips import MEMORY

EVERY = {"S1", "S2", "S3", "S4"}


@pytest.fixture
def con() -> Iterator[Connection]:
    """Runs a and b of four systems; S4 has another module in b, and S9 is not asked about."""
    with duckdb.connect() as con:
        for schema, module in (("a", "Old"), ("b", "New")):
            con.execute(f"ATTACH ':memory:' AS {schema}")
            for table in TABLES:
                columns = ", ".join(f'"{column.name}" VARCHAR' for column in table.columns)
                con.execute(f"CREATE TABLE {schema}.{table.name} ({columns})")
            con.execute(
                f"INSERT INTO {schema}.system BY NAME FROM (VALUES ('S1', 'North', 'IEEE 1547-2018 CATEGORY II', NULL),"
                f" ('S2', 'South', NULL, NULL), ('S3', NULL, NULL, 'Mod 1'), ('S4', 'North', NULL, '{module}'),"
                " ('S9', 'North', NULL, NULL)) v(system_id, region, grid_profile, module_model)"
            )
            con.execute(
                f"INSERT INTO {schema}.circuit BY NAME FROM (VALUES ('S1', '1', ' unit  A', 'Trunk A'),"
                " ('S2', '1', 'Unit B', 'trunk a'), ('S3', '1', NULL, NULL), ('S9', '1', 'Unit A', 'Trunk A'))"
                " v(system_id, circuit_id, inverter_model, trunk_model)"
            )
            con.execute(
                f"INSERT INTO {schema}.unit BY NAME FROM (VALUES ('S3', '1', 'UNIT A', '1547-2018 Cat. 2'))"
                " v(system_id, circuit_id, inverter_model, grid_profile)"
            )
        con.execute("CREATE TEMP TABLE wanted AS SELECT unnest(['S1', 'S2', 'S3', 'S4']) AS system_id")
        yield con


def rules(folder: Path, as_of: date, specs_of: str = "as-of date") -> Rules:
    catalog = new_catalog(folder, equipment(later_a=1.2))
    return Rules(catalog, load_policy().model_copy(update={"specs_of": specs_of}), as_of)


def using(con: Connection, kind: str, key: str, before: Rules, after: Rules) -> set[str]:
    frame = uses(con, [Factor("policy", "rise\0target_pct", "", ""), Factor(kind, key, "", "")], before, after)  # type: ignore[arg-type]
    found = dict.fromkeys(EVERY, 0) | dict(frame.group_by("system_id").len().iter_rows())
    assert set(frame.filter(factor=0)["system_id"]) == EVERY, "a figure of the policy can matter anywhere"
    return {system for system, count in found.items() if count == 2}


@pytest.mark.parametrize(
    ("kind", "key", "systems"),
    [
        ("inverter", "unit a", {"S1", "S3"}),
        ("trunk", "trunk a", {"S1", "S2"}),
        ("module", "mod 1", {"S3"}),
        ("module", "old", {"S4"}),
        ("module", "new", {"S4"}),
        ("grid_profile", "ieee15472018categoryii", {"S1", "S3"}),
        ("table", "ampacity", EVERY),
        ("policy", "region\0North\0target_pct", {"S1", "S4"}),
        ("records", "", {"S4"}),
    ],
)
def test_an_entry_matters_where_the_records_name_it(
    con: Connection, tmp_path: Path, kind: str, key: str, systems: set[str]
) -> None:
    same = rules(tmp_path, date(2026, 1, 31))
    assert using(con, kind, key, same, same) == systems


@pytest.mark.parametrize(
    ("first", "second", "systems"),
    [
        # The later sheet of Unit A is in force from 2020-01-01 on.
        ("2019-12-31", "2020-01-01", {"S1", "S3"}),
        ("2020-01-01", "2019-12-31", {"S1", "S3"}),
        ("2020-01-01", "2026-01-31", set()),
        ("2015-01-01", "2019-12-31", set()),
    ],
)
def test_the_date_matters_where_a_sheet_takes_effect_in_between(
    con: Connection, tmp_path: Path, first: str, second: str, systems: set[str]
) -> None:
    days = date.fromisoformat(first), date.fromisoformat(second)
    before, after = (rules(tmp_path, day) for day in days)
    assert using(con, "as_of", "", before, after) == systems
    by_design = [rules(tmp_path, day, "design date") for day in days]
    assert using(con, "as_of", "", *by_design) == set()
    assert using(con, "as_of", "", before, by_design[1]) == EVERY


def test_a_run_of_an_earlier_version_lacks_a_column(con: Connection, tmp_path: Path) -> None:
    """What it has no column for is empty there, as where the systems are tried again: S2 has a fact more in b."""
    con.execute("ALTER TABLE a.circuit DROP COLUMN extra_trunk")
    con.execute("UPDATE b.circuit SET extra_trunk = '8@3.5' WHERE system_id = 'S2'")
    same = rules(tmp_path, date(2026, 1, 31))
    assert using(con, "records", "", same, same) == {"S2", "S4"}


def test_a_trial_keeps_the_rows_that_are_asked_for(changed: Store) -> None:
    wanted = pl.DataFrame(
        [("check", "voltage-rise", "each", "1"), ("system", None, "each", None), ("check", "busbar", "failing", None)],
        schema=dict.fromkeys(KEYS, pl.String),
        orient="row",
    )
    with duckdb.connect() as con:
        for schema, number in (("a", 1), ("b", 2)):
            con.execute(f"ATTACH '{run_path(changed, number)}' AS {schema} (READ_ONLY)")
        trials = Trials(con, rules_of(con, "a"), rules_of(con, "b"), [], MEMORY)
        kept = trials.verdicts(frozenset(), wanted)
    assert kept.select(KEYS).sort(KEYS).equals(wanted.sort(KEYS))
    assert kept.filter(check="voltage-rise")["verdict"].to_list() == ["pass"]  # 1.672 % of 2 %, see conftest
