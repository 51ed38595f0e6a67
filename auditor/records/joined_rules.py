"""What holds between sheets that belong together: who refers to whom, and what a refused row takes along."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from auditor.records.bindings import KEYS
from auditor.records.frames import FAULT_SCHEMA, ROW_NUMBER
from auditor.records.mapping import SheetRole
from auditor.records.parts import HOME_RUN_COLUMNS
from auditor.records.schema import RUN, RUN_COLUMNS
from auditor.records.sheet_table import SheetTable

ROW_KEYS: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64(), "system_id": pl.String(), "circuit_id": pl.String()}
_CAUSE = "cause"


@dataclass
class Sheet:
    """One of the sheets, cast: its good rows, the keys of its refused ones, and why they were refused.

    `duplicates` counts rows that repeat an earlier one word for word; `blank` those that hold nothing.
    """

    role: SheetRole
    table: SheetTable
    rows: pl.DataFrame
    refused: pl.DataFrame
    rejects: list[pl.DataFrame] = field(default_factory=list)
    warnings: list[pl.DataFrame] = field(default_factory=list)
    blank: int = 0
    duplicates: int = 0

    @property
    def name(self) -> str:
        """What people call the sheet."""
        return self.table.sheet.name

    def header_of(self, canonical: str) -> str:
        """Return what a reject calls a canonical column."""
        bound = {b.canonical: b.shown_header for b in self.table.plan.bindings}
        return bound.get(canonical, canonical)

    def refuse(self, rows: pl.DataFrame, canonical: str, code: str, sentence: pl.Expr) -> None:
        """Refuse these of the rows for one reason; `sentence` is made of the columns of `rows`."""
        if not rows.height:
            return
        told = rows.select(
            ROW_NUMBER,
            pl.lit(self.header_of(canonical)).alias("column"),
            pl.lit(canonical).alias("canonical"),
            pl.col(canonical).cast(pl.String).alias("raw"),
            pl.lit(code).alias("code"),
            sentence.alias("sentence"),
        )
        self.rejects.append(told.cast(pl.Schema(FAULT_SCHEMA)))
        self.refused = pl.concat([self.refused, rows.select(list(ROW_KEYS))])
        self.rows = self.rows.join(rows.select(ROW_NUMBER).unique(), on=ROW_NUMBER, how="anti", maintain_order="left")

    def refuse_with(self, causes: pl.DataFrame, keys: Sequence[str], sheet: str) -> None:
        """Refuse rows that share their keys with refused rows of another sheet."""
        first = causes.group_by(keys).agg(pl.col(ROW_NUMBER).min().alias(_CAUSE))
        self.refuse(self.rows.join(first, on=keys), keys[-1], "related-row", _refused_with(sheet))

    def refuse_orphans(self, rows: pl.DataFrame, owner: Sheet, keys: Sequence[str], held: pl.DataFrame | None) -> None:
        """Refuse those of the rows whose owner is neither among the other sheet's good rows nor held elsewhere."""
        orphans = rows.join(owner.rows.select(keys).unique(), on=keys, how="anti")
        first = owner.refused.group_by(keys).agg(pl.col(ROW_NUMBER).min().alias(_CAUSE))
        known = orphans.join(first, on=keys, how="left")
        self.refuse(known.filter(pl.col(_CAUSE).is_not_null()), keys[-1], "related-row", _refused_with(owner.name))
        named = pl.format("no row of sheet '{}' has ", pl.lit(owner.name)) + pl.concat_str(
            [pl.format("{} {}", pl.lit(key), pl.col(key)) for key in keys], separator=", "
        )
        unknown = known.filter(pl.col(_CAUSE).is_null())
        if held is not None:
            unknown = unknown.join(held.select(keys).unique(), on=keys, how="anti")
        self.refuse(unknown, keys[-1], "foreign-key", named)

    def drop_repeats(self) -> None:
        """Leave out rows that say word for word what an earlier one says."""
        cells = [name for name in self.rows.columns if name != ROW_NUMBER]
        kept = self.rows.unique(cells, keep="first", maintain_order=True)
        self.duplicates += self.rows.height - kept.height
        self.rows = kept


def _refused_with(sheet: str) -> pl.Expr:
    return pl.format("row {} of sheet '{}', which belongs with it, was refused", _CAUSE, pl.lit(sheet))


def resolve(sheets: dict[SheetRole, Sheet], held: pl.DataFrame | None = None) -> None:
    """Apply the rules in place: first those of the runs by themselves, then who needs whom.

    `held` are the system_id and circuit_id of circuits that rows may belong with though no sheet has them.
    """
    circuits, systems, runs = sheets["circuits"], sheets.get("systems"), sheets.get("runs")
    if systems is not None:
        systems.drop_repeats()
    if runs is not None:
        _check_places(runs)
        _check_stated_twice(runs, circuits, systems)
        _number(runs)
        shared = runs.refused.filter(pl.col("circuit_id").is_null())
        for sheet in (systems, circuits):
            if sheet is not None:
                sheet.refuse_with(shared, ["system_id"], runs.name)
        circuits.refuse_with(runs.refused.filter(pl.col("circuit_id").is_not_null()), KEYS, runs.name)
    if systems is not None:
        circuits.refuse_orphans(circuits.rows, systems, ["system_id"], held)
    if runs is not None:
        own = pl.col("circuit_id").is_not_null()
        runs.refuse_orphans(runs.rows.filter(own), circuits, KEYS, held)
        runs.refuse_orphans(runs.rows.filter(~own), systems or circuits, ["system_id"], held)


def _check_places(runs: Sheet) -> None:
    """A home run belongs to a circuit; every other run is shared."""
    home, lone = pl.col("role") == "home run", pl.col("circuit_id").is_null()
    runs.refuse(
        runs.rows.filter(home & lone), "circuit_id", "constraint-error", pl.lit("a home run needs its circuit's id")
    )
    told = pl.format("a {} is shared by circuits; leave circuit_id empty", "role")
    runs.refuse(runs.rows.filter(~home & ~lone), "circuit_id", "constraint-error", told)
    runs.rows = runs.rows.with_columns(pl.when(pl.col("role") != "home run").then(pl.col("combiner_id")))


def _check_stated_twice(runs: Sheet, circuits: Sheet, systems: Sheet | None) -> None:
    """A run that columns of another sheet state already cannot be stated again."""
    for sheet in (circuits, systems):
        if sheet is None:
            continue
        for role in dict.fromkeys(role for role, _ in RUN_COLUMNS.values()):
            columns = [name for name, (own, _) in RUN_COLUMNS.items() if own == role and name in sheet.rows.columns]
            if not columns:
                continue
            stating = sheet.rows.filter(pl.any_horizontal(pl.col(name).is_not_null() for name in columns))
            keys = list(KEYS) if set(columns) <= set(HOME_RUN_COLUMNS) else ["system_id"]
            keys += ["combiner_id"] if role == "feeder" and "combiner_id" in stating.columns else []
            first = stating.group_by(keys).agg(pl.col(ROW_NUMBER).min().alias(_CAUSE))
            again = runs.rows.filter(pl.col("role") == role).join(first, on=keys, nulls_equal=True)
            told = pl.format("row {} of sheet '{}' states this {} already", _CAUSE, pl.lit(sheet.name), "role")
            runs.refuse(again, "role", "primary-key", told)


def _number(runs: Sheet) -> None:
    """Number runs that state no order by their place among those of one owner.

    Two rows that state one order speak of one run, and may disagree on it. A row whose place another row's order takes
    is refused.
    """
    group = ["system_id", "circuit_id", "combiner_id", "role"]
    stated = pl.col("run_order").is_not_null().alias("stated")
    place = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over(group)
    rows = runs.rows.with_columns(stated, pl.coalesce("run_order", place).alias("run_order"))
    facts = pl.struct(name for name in rows.columns if name in {c.name for c in RUN.columns})
    key = [*group, "run_order"]
    told = rows.with_columns(
        pl.col(ROW_NUMBER).first().over(key).alias(_CAUSE),
        pl.col("stated").all().over(key).alias("one_run"),
        (pl.int_range(pl.len()).over([*key, facts]) > 0).alias("again"),
    )
    same = told.filter(pl.col("one_run") & pl.col("again"))
    runs.rows = rows.drop("stated").join(same.select(ROW_NUMBER), on=ROW_NUMBER, how="anti", maintain_order="left")
    runs.duplicates += same.height
    taken = told.filter(~pl.col("one_run") & (pl.col(ROW_NUMBER) != pl.col(_CAUSE)))
    sentence = pl.format("row {} has the order {} among these runs already", _CAUSE, "run_order")
    runs.refuse(taken, "run_order", "primary-key", sentence)
