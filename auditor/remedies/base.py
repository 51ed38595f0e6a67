"""What a remedy is: a function that lays out candidates from what is known, and one that alters records by them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import polars as pl

from auditor.audit import Results
from auditor.checks.terms import number
from auditor.policy import Policy
from auditor.prepare import Frames, Prepared, Records

if TYPE_CHECKING:
    from auditor.trips import Evidence

#: From least to most effort; what stands behind is more work than what stands before, whatever it costs.
EFFORTS = ("letter", "settings", "panel work", "roof work", "new conductors")
Effort = Literal["letter", "settings", "panel work", "roof work", "new conductors"]

#: Trip-days a year from which a system counts as likely to trip, though every check may pass.
LIKELY_TRIP_DAYS = 1.0

#: Relative tolerance with which a computed rise meets its target, as the checks have it.
MEETS = 1 + 1e-9

#: A candidate: whose, which of its remedy's, what is done in words, how many circuits it touches, and whether it is
#: reckoned to be enough by itself. One that is not is laid out only where no other is.
CANDIDATE: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "variant": pl.String(),
    "done": pl.String(),
    "circuits": pl.Int64(),
    "enough": pl.Boolean(),
}
#: New wire: one row per piece of a run, for what it costs. `place` is the role of the run, and `run_of` the circuit or
#: combiner that it belongs to.
WIRE: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "variant": pl.String(),
    "place": pl.String(),
    "run_of": pl.String(),
    "size": pl.String(),
    "material": pl.String(),
    "length_m": pl.Float64(),
}
#: The remedies that a candidate consists of, each with the circuits or feeders that it touches.
PART: dict[str, pl.DataType] = {"remedy": pl.String(), "circuits": pl.Int64()}
#: Circuits whose home run grows by a way that no record holds.
GROWS: dict[str, pl.DataType] = {"system_id": pl.String(), "variant": pl.String(), "circuit_id": pl.String()}
#: Circuits that an alteration makes out of others.
PARENT: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "variant": pl.String(),
    "circuit_id": pl.String(),
    "parent_id": pl.String(),
}


@dataclass(frozen=True)
class Situation:
    """Systems as they are recorded, and what the audit makes of them."""

    records: Records
    prepared: Prepared
    results: Results
    catalog: Frames
    policy: Policy
    evidence: Evidence | None = None

    @cached_property
    def system(self) -> pl.DataFrame:
        """The systems' facts and figures beside their verdicts and expected trips; `likely` marks those that trip."""
        taken = self.prepared.system
        new = [c for c in self.results.system.columns if c not in taken.columns or c == "system_id"]
        frame = taken.join(self.results.system.select(new), on="system_id", how="left", maintain_order="left")
        return frame.with_columns(
            (number("trip_days_per_year") >= LIKELY_TRIP_DAYS).fill_null(False).alias("likely"),
            (pl.col("voltage_rise_verdict") == "fail").fill_null(False).alias("rise_fails"),
        )

    @cached_property
    def circuit(self) -> pl.DataFrame:
        """The circuits' facts, figures and verdicts; `over` misses the rise target, `touched` is worth altering.

        Where a system trips though no circuit misses the target, those count that have at least half of its worst rise.
        """
        keys = ["system_id", "circuit_id"]
        taken = self.prepared.circuit
        new = [c for c in self.results.circuit.columns if c not in taken.columns]
        frame = taken.join(self.results.circuit.select(*keys, *new), on=keys, how="left", maintain_order="left")
        of_system = self.system.select("system_id", "likely", "rise_fails", "worst_total_rise_pct")
        frame = frame.join(of_system, on="system_id", how="left", maintain_order="left")
        over, hot = ((pl.col(f"{check}_verdict") == "fail") for check in ("voltage_rise", "terminal_voltage"))
        large = number("total_rise_pct") >= 0.5 * number("worst_total_rise_pct")
        trips = pl.col("likely") & pl.col("rise_fails").not_() & large
        return frame.with_columns(
            over.fill_null(False).alias("over"),
            pl.any_horizontal(over.fill_null(False), hot.fill_null(False), trips.fill_null(False)).alias("touched"),
        )


@dataclass(frozen=True)
class Proposal:
    """The candidates of one remedy: tables of CANDIDATE, WIRE, PARENT and GROWS rows, and `change`.

    `change` has system_id, variant and what `apply` reads of the candidates, one row for each that it alters.
    """

    candidate: pl.DataFrame
    change: pl.DataFrame
    wire: pl.DataFrame
    parent: pl.DataFrame
    grows: pl.DataFrame


def _in_schema(frame: pl.DataFrame | None, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    return pl.DataFrame(schema=schema) if frame is None else frame.select(pl.col(n).cast(k) for n, k in schema.items())


def proposal(
    candidate: pl.DataFrame,
    change: pl.DataFrame,
    wire: pl.DataFrame | None = None,
    parent: pl.DataFrame | None = None,
    grows: pl.DataFrame | None = None,
) -> Proposal:
    """Return a proposal with its tables in their declared columns; those not given have no row."""
    return Proposal(
        _in_schema(candidate if "enough" in candidate.columns else candidate.with_columns(enough=True), CANDIDATE),
        change,
        _in_schema(wire, WIRE),
        _in_schema(parent, PARENT),
        _in_schema(grows, GROWS),
    )


@dataclass(frozen=True)
class Remedy:
    """A remedy; its module's docstring is its documentation.

    `propose` lays out candidates; `apply` alters records, whose systems are candidates by now, by the rows of `change`
    (None where nothing in the records changes, so that no audit can judge it). `verify` is what to make sure of on site
    first, `unchecked` what no record can tell. `settings` marks what waits until neutral and connections are cleared;
    `then` says which remedies may follow it; `catalog` adds entries that its records name.
    """

    name: str
    title: str
    effort: Effort
    verify: str
    unchecked: str
    propose: Callable[[Situation], Proposal]
    apply: Callable[[Records, pl.DataFrame], Records] | None
    settings: bool = False
    then: tuple[str, ...] = ()
    catalog: Callable[[Frames], Frames] | None = None

    @property
    def documentation(self) -> str:
        """The docstring of the remedy's module."""
        return (sys.modules[self.propose.__module__].__doc__ or "").strip()


#: So many circuits of a candidate are named one by one.
NAMED = 4


def told(words: pl.Expr, by: str = "; ") -> pl.Expr:
    """The words of several circuits in one sentence; only the first of many are named."""
    more = pl.when(pl.len() > NAMED).then(pl.format(by + "and {} more", pl.len() - NAMED)).otherwise(pl.lit(""))
    return pl.concat_str(words.head(NAMED).str.join(by), more)


def listed(changes: pl.DataFrame, words: pl.Expr) -> pl.DataFrame:
    """CANDIDATE rows from rows of circuits or feeders with system_id, variant and `enough`, in the rows' order."""
    return changes.group_by("system_id", "variant", maintain_order=True).agg(
        told(words).alias("done"), pl.len().cast(pl.Int64).alias("circuits"), pl.col("enough").all()
    )


def altered(frame: pl.DataFrame, change: pl.DataFrame, keys: list[str], columns: dict[str, str]) -> pl.DataFrame:
    """The frame with columns replaced by those of `change`, in the rows whose keys it names.

    `columns` gives the change's column for each of the frame's; a null there is a value like any other.
    """
    right = change.select(*keys, *(pl.col(new).alias(f"_{old}") for old, new in columns.items()))
    joined = frame.join(
        right.with_columns(pl.lit(True).alias("_here")), on=keys, how="left", nulls_equal=True, maintain_order="left"
    )
    here = pl.col("_here").fill_null(False)
    return joined.with_columns(
        pl.when(here).then(pl.col(f"_{old}").cast(frame.schema[old])).otherwise(old).alias(old) for old in columns
    ).select(frame.columns)
