"""One system as a snapshot holds it: its records and where they came from, the catalog, the policy and the date."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import duckdb
import numpy as np
import polars as pl

from auditor.audit import Results, audit
from auditor.catalog import Catalog
from auditor.checks.base import VERDICT
from auditor.electrical.arrays import IntArray
from auditor.errors import AuditorError
from auditor.held import FITTED, OBSERVED, holds, rows_of, snapshot_evidence
from auditor.policy import Policy
from auditor.prepare import Frames, Prepared, Records, prepare
from auditor.prepare.units import Turn, turns, worse_turn
from auditor.records.schema import TABLES

if TYPE_CHECKING:
    from auditor.one_system.profile import Profile
    from auditor.trips import Evidence

Connection = duckdb.DuckDBPyConnection

#: Where a row came from, beside its key.
ORIGIN = ("source_row", "import_id")


class NoSuchSystemError(AuditorError):
    """The snapshot holds no system of that id."""


@dataclass(frozen=True)
class Case:
    """Everything that the figures of one system rest on.

    `origins` gives, by table, the key of each row with its `source_row` and `import_id`; `imports` the files. `stored`
    are the snapshot's own results, None for records that it does not hold. `evidence` is what was measured and
    reported, as the audit took it, None where nothing was. What is worked out from them is worked out once, when it is
    first asked for.
    """

    system_id: str
    records: Records
    origins: dict[str, pl.DataFrame]
    imports: pl.DataFrame
    catalog: Catalog
    policy: Policy
    as_of: date
    stored: Results | None = None
    evidence: Evidence | None = None

    @cached_property
    def frames(self) -> Frames:
        """The catalog's tables."""
        return self.catalog.frames()

    @cached_property
    def prepared(self) -> Prepared:
        """The frames that the checks see."""
        return prepare(self.records, self.frames, self.policy, self.as_of)

    @cached_property
    def results(self) -> Results:
        """What the audit makes of the records: as stored, else worked out."""
        return self.stored or audit(self.records, self.frames, self.policy, self.as_of, evidence=self.evidence)

    @cached_property
    def turns(self) -> list[Turn]:
        """The units, in each direction of rotation; none where there is no circuit."""
        return turns(self.prepared, self.records.unit, self.frames)

    @cached_property
    def worse(self) -> IntArray:
        """For each circuit the turn that its rise is taken from."""
        return worse_turn(self.turns) if self.turns else np.zeros(0, dtype=np.int64)

    @cached_property
    def top_profile(self) -> Profile:
        """The voltage profile with the supply at the top of the service range."""
        from auditor.one_system.profile import profile  # the profile is a function of a case

        return profile(self)

    def with_records(self, records: Records) -> Case:
        """The same case with other records, to be judged anew."""
        return replace(self, records=records, stored=None)


def _results(con: Connection, name: str, system_id: str) -> pl.DataFrame:
    order = "system_id, circuit_id" if name == "circuit_result" else "system_id"
    frame = pl.from_arrow(
        con.sql(f"SELECT * FROM {name} WHERE system_id = ? ORDER BY {order}", params=[system_id]).to_arrow_table()
    )
    assert isinstance(frame, pl.DataFrame)
    verdicts = [c for c in frame.columns if c == "verdict" or c.endswith("_verdict")]
    return frame.with_columns(pl.col(c).cast(pl.String).cast(VERDICT) for c in verdicts)


def _evidence(con: Connection, system_id: str) -> Evidence | None:
    """The log's counts and the fitted supply that the snapshot holds of a system; None where it holds nothing."""
    which = "WHERE system_id = ?"
    told = (
        con.execute(f"SELECT 1 FROM {name} {which} LIMIT 1", [system_id]).fetchall()
        for name in (OBSERVED, FITTED)
        if holds(con, name)
    )
    # Evidence is slow to load, and few systems have any.
    return snapshot_evidence(con, among=f" {which}", params=[system_id]) if any(told) else None


def load(con: Connection, system_id: str) -> Case:
    """Read a system from a snapshot; NoSuchSystemError where the snapshot has none of that id."""
    tables = {table.name: rows_of(con, table, "WHERE system_id = ?", [system_id], also=ORIGIN) for table in TABLES}
    if not tables["system"].height:
        raise NoSuchSystemError(f"There is no system {system_id!r} in this snapshot.")
    catalog, policy, as_of = con.execute("SELECT catalog, policy, as_of FROM audit").fetchall()[0]
    imports = pl.from_arrow(
        con.sql(
            "SELECT import_id, file_name, mapping_name, imported_on FROM import ORDER BY import_id"
        ).to_arrow_table()
    )
    assert isinstance(imports, pl.DataFrame)
    return Case(
        system_id=system_id,
        records=Records(*(tables[table.name].drop(ORIGIN) for table in TABLES)),
        origins={table.name: tables[table.name].select(*table.key, *ORIGIN) for table in TABLES},
        imports=imports,
        catalog=Catalog.from_json(catalog),
        policy=Policy.model_validate_json(policy),
        as_of=date.fromisoformat(as_of),
        stored=Results(_results(con, "circuit_result", system_id), _results(con, "system_result", system_id)),
        evidence=_evidence(con, system_id),
    )
