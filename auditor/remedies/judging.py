"""What the audit makes of candidates, held against the systems they were laid out from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from auditor.audit import Results, expected_audit
from auditor.checks import CHECKS, Check
from auditor.checks.base import known
from auditor.checks.terms import number
from auditor.policy import Policy
from auditor.prepare import Frames, Prepared, Records, prepare
from auditor.prepare.losses import wiring_loss_w
from auditor.remedies.base import Situation
from auditor.remedies.candidates import Laid, cloned

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: Verdicts are an enumeration, worst first: fail, unknown, and from here on nothing to mend.
FINE = 2
#: Figures of a system that are told before and after, by their name among the results.
FIGURES = {
    "rise": ("worst_total_rise_pct", "pct"),
    "trip_days": ("trip_days_per_year", ""),
    "lost": ("lost_kwh_per_year", "kwh"),
    "curtailed": ("curtailed_kwh_per_year", "kwh"),
}
_CIRCUIT = tuple(check for check in CHECKS if check.level == "circuit")
_OTHER = tuple(check for check in CHECKS if check.level != "circuit")
BIT = {check.name: 1 << place for place, check in enumerate(CHECKS)}


def named(figure: str, when: str) -> str:
    """The column of a figure "before" or "after", its unit last."""
    unit = FIGURES[figure][1]
    return f"{figure}_{when}_{unit}" if unit else f"{figure}_{when}"


def situated(
    records: Records,
    catalog: Frames,
    policy: Policy,
    as_of: date,
    tables: Tables | None = None,
    evidence: Evidence | None = None,
) -> Situation:
    """Audit systems and keep what the audit saw of them."""
    prepared = prepare(records, catalog, policy, as_of)
    results = expected_audit(prepared, catalog, policy, as_of, tables, evidence, shares=True)
    return Situation(records, prepared, results, catalog, policy, evidence)


def _evidence_of(root: Situation, laid: Laid) -> Evidence | None:
    """What is known of each candidate: what is known of its system, whose logs were kept as it stands."""
    known = root.evidence
    if known is None or not (known.months.height or known.supplies.height):
        return None
    ids = laid.candidate.select(pl.col("root").alias("system_id"), "clone")
    months, supplies = (_copied(frame, ids) for frame in (known.months, known.supplies))
    logged = ids.join(known.months.select("system_id").unique(), on="system_id", how="semi")
    return replace(known, months=months, supplies=supplies, kept_under=cloned(root.records, logged))


def _copied(frame: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    rows = frame.join(ids, on="system_id", maintain_order="left")
    return rows.with_columns(pl.col("clone").alias("system_id")).select(frame.columns)


def _bits(checks: Sequence[Check], flag: Callable[[Check], pl.Expr]) -> pl.Expr:
    """The bits of the checks for which a condition holds; null does not."""
    return pl.sum_horizontal(
        pl.when(flag(check)).then(pl.lit(BIT[check.name], pl.UInt32)).otherwise(pl.lit(0, pl.UInt32))
        for check in checks
    ).cast(pl.UInt32)


def _worse(check: Check) -> pl.Expr:
    """Whether a verdict that was fine is not any more, or one that was unknown fails; so where nothing is known."""
    after, before = (
        pl.col(f"{prefix}{check.column}_verdict").to_physical().clip(upper_bound=FINE) for prefix in ("", "was_")
    )
    return (after < before).fill_null(True)


def _was(frame: pl.DataFrame, keys: list[str], checks: Sequence[Check]) -> pl.DataFrame:
    return frame.select(*keys, *(pl.col(f"{c.column}_verdict").alias(f"was_{c.column}_verdict") for c in checks))


def _broken(root: Situation, laid: Laid, results: Results) -> pl.DataFrame:
    """By clone, the checks that are worse for some circuit, feeder or the system than before: `worse`, as bits."""
    own = laid.candidate.select(pl.col("clone").alias("system_id"), "root")
    parent = laid.parent.rename({"clone": "system_id"})
    circuit = results.circuit.select("system_id", "circuit_id", *(f"{c.column}_verdict" for c in _CIRCUIT))
    circuit = circuit.join(own, on="system_id").join(parent, on=["system_id", "circuit_id"], how="left")
    circuit = circuit.with_columns(pl.coalesce("parent_id", "circuit_id").alias("parent_id"))
    was = _was(root.results.circuit, ["system_id", "circuit_id"], _CIRCUIT)
    was = was.rename({"system_id": "root", "circuit_id": "parent_id"})
    circuits = circuit.join(was, on=["root", "parent_id"], how="left").select(
        "system_id", worse=_bits(_CIRCUIT, _worse)
    )
    system = results.system.select("system_id", *(f"{c.column}_verdict" for c in _OTHER)).join(own, on="system_id")
    was = _was(root.results.system, ["system_id"], _OTHER).rename({"system_id": "root"})
    systems = system.join(was, on="root", how="left").select("system_id", worse=_bits(_OTHER, _worse))
    return pl.concat([circuits, systems]).group_by("system_id").agg(pl.col("worse").bitwise_or())


def _fails(results: Results) -> pl.DataFrame:
    """By system, the checks that fail, as bits, with the figures that are told before and after."""
    return results.system.select(
        "system_id",
        _bits(CHECKS, lambda check: pl.col(f"{check.column}_verdict") == "fail").alias("fails"),
        pl.col("voltage_rise_verdict").cast(pl.String),
        *(pl.col(column).alias(figure) for figure, (column, _) in FIGURES.items()),
        "busbar_value",
        "busbar_limit",
    )


def _may_grow(laid: Laid, prepared: Prepared) -> pl.DataFrame:
    """By clone, by how much the home runs may grow at most until a circuit misses the target [m].

    Of a home run in several pieces nobody can say which one grows: there it is unknown.
    """
    per_m = pl.when(pl.col("home_run_runs") == 1).then(number("home_run_rise_pct") / number("home_run_length_m"))
    room = (number("rise_target_pct") - number("total_rise_pct")) / per_m
    grows = laid.grows.rename({"clone": "system_id"})
    rows = prepared.circuit.join(grows, on=["system_id", "circuit_id"], how="semi")
    return rows.group_by("system_id").agg(
        pl.when(known(room).all() & (room.min() >= 0)).then(room.min()).alias("home_run_may_grow_m")
    )


@dataclass(frozen=True)
class Lot:
    """Candidates that were judged in one call: their frames and results by clone, and `table`, one row each."""

    prepared: Prepared
    results: Results
    table: pl.DataFrame


def judged_candidates(root: Situation, laid: Laid, as_of: date, tables: Tables | None) -> Lot:
    """Audit all candidates in one call.

    The table's rows have `worse`, `fails`, the figures after, `wire_loss_w` and `home_run_may_grow_m`; those of
    candidates that no audit can judge are null.
    """
    prepared = prepare(laid.records, root.catalog, root.policy, as_of)
    known = _evidence_of(root, laid)
    results = expected_audit(prepared, root.catalog, root.policy, as_of, tables, known)
    loss = pl.Series("wire_loss_w", wiring_loss_w(prepared, laid.records.unit, root.catalog)).fill_nan(None)
    after = _fails(results).join(_broken(root, laid, results), on="system_id", how="left")
    after = after.join(prepared.system.select("system_id", loss), on="system_id", how="left")
    after = after.join(_may_grow(laid, prepared), on="system_id", how="left").rename({"system_id": "clone"})
    return Lot(prepared, results, laid.candidate.join(after, on="clone", how="left", maintain_order="left"))


def as_judged(base: Laid, lots: Sequence[Lot], root: Situation) -> Situation:
    """Some candidates of several lots as they were judged.

    Their rows' numbers tie feeders to circuits, and mean nothing else.
    """
    ids = base.candidate.select(pl.col("clone").alias("system_id"))

    def those(frames: list[pl.DataFrame]) -> pl.DataFrame:
        """Their rows, with feeders numbered on from lot to lot."""
        start, parts = 0, []
        for frame, lot in zip(frames, lots, strict=True):
            own = frame.join(ids, on="system_id", how="semi", maintain_order="left")
            numbered = [pl.col("feeder_row") + start] if "feeder_row" in own.columns else []
            parts.append(own.with_columns(numbered))
            start += lot.prepared.feeder.height
        return pl.concat(parts)

    prepared = Prepared(*(those([getattr(lot.prepared, n) for lot in lots]) for n in ("system", "feeder", "circuit")))
    results = Results(*(those([getattr(lot.results, n) for lot in lots]) for n in ("circuit", "system")))
    return Situation(base.records, prepared, results, root.catalog, root.policy)


def before(root: Situation) -> pl.DataFrame:
    """One row per recorded system: what it fails, its figures, its wires' loss [W] and the hours of loss in a year."""
    from auditor.trips.heat import loss_hours  # slow to load, as in `audit`

    loss = wiring_loss_w(root.prepared, root.records.unit, root.catalog)
    loss = np.where(np.isfinite(loss), loss, np.nan)
    frame = root.prepared.system.select("system_id", "rise_target_pct", pl.Series("wire_loss_w", loss).fill_nan(None))
    frame = frame.join(loss_hours(root.prepared, root.catalog, root.policy), on="system_id", how="left")
    return frame.join(_fails(root.results), on="system_id", how="left", maintain_order="left")


def check_names(masks: pl.Series) -> pl.Series:
    """The checks of each mask in words, joined by "; "; empty where there is none."""
    told = {
        mask: "; ".join(check.name for check in CHECKS if mask & BIT[check.name])
        for mask in masks.drop_nulls().unique().to_list()
    }
    return masks.replace_strict(told, default=None, return_dtype=pl.String)
