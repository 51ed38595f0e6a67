"""Which of the inputs in which two runs differ can matter for a system: SQL over their records, attached as a and b."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import polars as pl

from auditor.catalog import alias_key
from auditor.compare.factors import BY_ENTRY, DATED, SEPARATOR, Factor, model_key
from auditor.compare.rules import Rules
from auditor.held import FITTED, OBSERVED, columns_of, holds
from auditor.records.schema import TABLES, Table
from auditor.store.records_db import Connection, quoted

#: Where the records name an entry of the catalog.
NAMED_IN = {
    "inverter": (("circuit", "inverter_model"), ("unit", "inverter_model")),
    "trunk": (("circuit", "trunk_model"),),
    "module": (("system", "module_model"),),
    "grid_profile": (("system", "grid_profile"), ("unit", "grid_profile")),
}
_KEY: dict[str, Callable[[str], str]] = {"grid_profile": alias_key}
#: Parts of the policy that no verdict of a check rests on.
OF_TRIPS = (f"trips{SEPARATOR}", f"supply{SEPARATOR}")


def uses(con: Connection, factors: Sequence[Factor], before: Rules, after: Rules) -> pl.DataFrame:
    """Return system_id and factor (its number) for the systems of the table `wanted`."""
    con.execute("CREATE OR REPLACE TEMP TABLE used (system_id VARCHAR, factor INTEGER)")
    for number, factor in enumerate(factors):
        for query in _queries(con, factor, before, after):
            con.execute(
                f"INSERT INTO used SELECT system_id, {number} FROM ({query}) SEMI JOIN wanted USING (system_id)"
            )
    frame = pl.DataFrame(con.sql("SELECT DISTINCT system_id, factor FROM used ORDER BY ALL").to_arrow_table())
    return frame.cast({"factor": pl.Int64})


def _queries(con: Connection, factor: Factor, before: Rules, after: Rules) -> Iterator[str]:
    """The systems that a factor can matter for."""
    if factor.kind in BY_ENTRY:
        yield from _naming(con, factor.kind, {factor.key, *_aliases(factor, before, after)})
    elif factor.kind == "as_of":
        dated = before.policy.specs_of == after.policy.specs_of == "design date"
        if before.policy.specs_of != after.policy.specs_of:
            yield "FROM wanted"
        for kind in DATED:
            yield from [] if dated else _naming(con, kind, _turning(kind, before, after))
    elif factor.kind == "records":
        yield from _revised(con)
    elif factor.kind == "evidence":
        yield from _told_anew(con)
    elif factor.kind == "policy" and factor.key.startswith(f"region{SEPARATOR}"):
        region = factor.key.split(SEPARATOR)[1].replace("'", "''")
        yield from (f"SELECT system_id FROM {schema}.system WHERE region = '{region}'" for schema in ("a", "b"))
    else:
        yield "FROM wanted"


def _aliases(factor: Factor, before: Rules, after: Rules) -> set[str]:
    """What else a grid profile is called in either catalog."""
    profiles = (profile for rules in (before, after) for profile in rules.catalog.grid_profile)
    if factor.kind != "grid_profile":
        return set()
    return {key for profile in profiles if alias_key(profile.name) == factor.key for key in profile.alias_keys}


def _turning(kind: str, before: Rules, after: Rules) -> set[str]:
    """The models of which a revision takes effect between the two as-of dates, in either catalog."""
    first, last = sorted((before.as_of, after.as_of))
    entries = (entry for rules in (before, after) for entry in getattr(rules.catalog, kind))
    return {model_key(entry.model) for entry in entries if first < entry.effective <= last}


def _naming(con: Connection, kind: str, keys: set[str]) -> Iterator[str]:
    """The systems whose records name an entry, however it is spelt."""
    key = _KEY.get(kind, model_key)
    for schema in ("a", "b"):
        for table, column in NAMED_IN[kind]:
            if column not in columns_of(con, schema, table):
                continue
            place = f"{schema}.{table}"
            texts = con.execute(f"SELECT DISTINCT {column} FROM {place} WHERE {column} IS NOT NULL").fetchall()
            spelt = ", ".join("'" + text.replace("'", "''") + "'" for (text,) in texts if key(text) in keys)
            if spelt:
                yield f"SELECT system_id FROM {place} WHERE {column} IN ({spelt})"


def evidence_differs(con: Connection) -> bool:
    """Whether the runs rest on other logs or readings."""
    return any(con.execute(f"SELECT 1 FROM ({query}) LIMIT 1").fetchall() for query in _told_anew(con))


def _told_anew(con: Connection) -> Iterator[str]:
    """The systems whose logs or fitted supply differ; a run that has no such table holds nothing of the kind."""
    for table in (OBSERVED, FITTED):
        held = [schema for schema in ("a", "b") if holds(con, table, schema)]
        if len(held) == 1:
            yield f"SELECT system_id FROM {held[0]}.{table}"
        elif held:
            a, b = (f"FROM {schema}.{table}" for schema in held)
            yield f"SELECT system_id FROM (({a} EXCEPT {b}) UNION ALL ({b} EXCEPT {a}))"


def _revised(con: Connection) -> Iterator[str]:
    """The systems of which a row came, went or changed; a column that the version of a run lacks is empty there."""
    for table in TABLES:
        a, b = (
            f"(SELECT {_declared(con, schema, table)} FROM {schema}.{quoted(table.name)}"
            " SEMI JOIN wanted USING (system_id))"
            for schema in "ab"
        )
        yield f"SELECT system_id FROM ({a} EXCEPT ALL {b}) UNION ALL SELECT system_id FROM ({b} EXCEPT ALL {a})"


def _declared(con: Connection, schema: str, table: Table) -> str:
    held = columns_of(con, schema, table.name)
    return ", ".join(quoted(c.name) if c.name in held else f"NULL AS {quoted(c.name)}" for c in table.columns)
