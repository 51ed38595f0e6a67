"""Audits of some systems with some factors switched, for the causes of what two runs say otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from auditor.audit import audit, judge
from auditor.checks import CHECKS
from auditor.compare.causes import KEYS
from auditor.compare.factors import Factor, switched
from auditor.compare.rules import Rules
from auditor.held import records_of, snapshot_evidence
from auditor.prepare import Records
from auditor.store.records_db import Connection

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: Systems that are audited at once: memory is bounded by them.
AT_ONCE = 20_000
WORKERS = 2
_TEXT = pl.String()


@dataclass(frozen=True)
class Trials:
    """What trials of two runs, attached as `a` and `b`, are made of."""

    con: Connection
    before: Rules
    after: Rules
    factors: Sequence[Factor]
    tables: Tables
    told: Callable[[int], None] = lambda circuits: None

    def verdicts(self, chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        """The wanted KEYS of verdicts of checks and over all, with the `verdict`."""
        return self._tried(chosen, wanted, self._judged)

    def bands(self, chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        """The wanted KEYS of bands of expected trip-days, with the band as `verdict`."""
        return self._tried(chosen, wanted, self._expected)

    def _tried(
        self, chosen: frozenset[int], wanted: pl.DataFrame, made: Callable[[_Held, Rules], pl.DataFrame]
    ) -> pl.DataFrame:
        """What a trial makes of the wanted rows; what else it says of their systems is dropped slice by slice."""
        systems = wanted["system_id"].unique().sort()
        factors = [self.factors[number] for number in sorted(chosen)]
        rules = switched(self.before, self.after, factors)
        kinds = {factor.kind for factor in factors}
        schemas = ("b" if "records" in kinds else "a", "b" if "evidence" in kinds else "a")
        parts: list[pl.DataFrame] = []

        def kept(some: _Held) -> pl.DataFrame:
            return made(some, rules).join(wanted, on=KEYS, how="semi", nulls_equal=True)

        with ThreadPoolExecutor(WORKERS) as pool:
            for first in range(0, len(systems), AT_ONCE * WORKERS):
                slices = [systems[at : at + AT_ONCE] for at in range(first, first + AT_ONCE * WORKERS, AT_ONCE)]
                held = [_held(self.con, schemas, some) for some in slices if len(some)]
                parts += pool.map(kept, held)
                self.told(sum(some.records.circuit.height for some in held))
        return pl.concat(parts)

    def _judged(self, held: _Held, rules: Rules) -> pl.DataFrame:
        judged = judge(held.records, rules.catalog.frames(), rules.policy, rules.as_of)
        parts = list(_long(judged.circuit, "circuit"))
        parts += [*_long(judged.system, "system"), _keyed(judged.system, "system", None, "verdict")]
        return pl.concat(parts)

    def _expected(self, held: _Held, rules: Rules) -> pl.DataFrame:
        catalog = rules.catalog.frames()
        results = audit(held.records, catalog, rules.policy, rules.as_of, self.tables, held.evidence)
        return _keyed(results.system, "trips", None, "trip_band")


def _keyed(frame: pl.DataFrame, kind: str, check: str | None, verdict: str) -> pl.DataFrame:
    circuit = pl.col("circuit_id") if "circuit_id" in frame.columns else pl.lit(None, _TEXT)
    keys = (pl.lit(kind), pl.lit(check, _TEXT), pl.col("system_id"), circuit)
    named = (key.alias(name) for key, name in zip(keys, KEYS, strict=True))
    return frame.select(*named, pl.col(verdict).cast(pl.String).alias("verdict"))


def _long(frame: pl.DataFrame, level: str) -> Iterator[pl.DataFrame]:
    for check in CHECKS:
        if (check.level == "circuit") == (level == "circuit"):
            yield _keyed(frame, "check", check.name, f"{check.column}_verdict")


@dataclass(frozen=True)
class _Held:
    """What runs hold of some systems."""

    records: Records
    evidence: Evidence


def _held(con: Connection, schemas: tuple[str, str], systems: pl.Series) -> _Held:
    """The systems' records in one of the runs and their evidence in one; a column that its version lacks is empty."""
    of_records, of_evidence = schemas
    con.register("tried", systems.to_frame("system_id").to_arrow())
    try:
        records = records_of(con, "SEMI JOIN tried USING (system_id)", schema=of_records)
        return _Held(records, snapshot_evidence(con, of_evidence, " SEMI JOIN tried USING (system_id)"))
    finally:
        con.unregister("tried")
