"""From records to a table of candidates: each remedy by itself, then combinations of two where one is not enough."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import TYPE_CHECKING

import polars as pl

from auditor.policy import Policy
from auditor.prepare import Frames, Records
from auditor.remedies import BY_NAME, EFFORTS, REMEDIES
from auditor.remedies.base import CANDIDATE, LIKELY_TRIP_DAYS, Proposal, Remedy, Situation
from auditor.remedies.candidates import Laid, chosen, first_laid, next_laid, together
from auditor.remedies.judging import (
    BIT,
    FIGURES,
    as_judged,
    before,
    check_names,
    judged_candidates,
    named,
    situated,
)
from auditor.remedies.left_out import NONE, left_out, why_none

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: What remedies are combined for.
WORTH_TWO = BIT["voltage-rise"] | BIT["terminal-voltage"] | BIT["busbar"]
#: Candidates of a system that a second remedy is tried on: those with the least rise left.
BASES = 2
#: The remedy that mends a busbar and leaves the rise as it is.
PANEL = "panel-connection"

#: The columns of the table, in order, with their types. `candidate` numbers those of a system from one.
COLUMNS: dict[str, pl.DataType] = {
    "system_id": pl.String(), "candidate": pl.Int64(), "remedy": pl.String(), "done": pl.String(),
    "effort": pl.String(), "proposed": pl.Boolean(), "why_not": pl.String(), "meets_target": pl.Boolean(),
    "mends": pl.String(), "still_fails": pl.String(), "rise_target_pct": pl.Float64(),
    "rise_before_pct": pl.Float64(), "rise_after_pct": pl.Float64(), "home_run_may_grow_m": pl.Float64(),
    "busbar_before_a": pl.Float64(), "busbar_after_a": pl.Float64(), "busbar_limit_after_a": pl.Float64(),
    "trip_days_before": pl.Float64(), "trip_days_after": pl.Float64(), "trip_days_removed": pl.Float64(),
    "lost_before_kwh": pl.Float64(), "lost_after_kwh": pl.Float64(), "curtailed_before_kwh": pl.Float64(),
    "curtailed_after_kwh": pl.Float64(), "wire_loss_before_kwh": pl.Float64(), "wire_loss_after_kwh": pl.Float64(),
    "verify_first": pl.String(), "cannot_check": pl.String(),
}  # fmt: skip
#: What the choice and the costs rest on beside these.
INNER: dict[str, pl.DataType] = {
    "clone": pl.String(), "effort_rank": pl.Int64(), "fails_left": pl.Int64(), "helps": pl.Boolean(),
    "steps": pl.Int64(), "grows": pl.Boolean(),
}  # fmt: skip

HELD = "neutral and connections first: until they are known to be sound, no setting is changed"
DOUBTFUL = "The record before all: it holds a value that can hardly be meant (auditor export warnings)."
CALLED = "a safety call stands open: a suspected neutral or hot connection comes before any other work"


@dataclass(frozen=True)
class Candidates:
    """The table of candidates with COLUMNS and INNER, and by `clone` the wire that each needs and its remedies.

    `laid` holds the candidates as they were laid out.
    """

    table: pl.DataFrame
    wire: pl.DataFrame
    part: pl.DataFrame
    laid: tuple[Laid, ...] = ()

    def records_of(self, clone: str, system_id: str) -> Records:
        """The records of a candidate, under the system's own id; ValueError where none of that name was laid out."""
        for laid in self.laid:
            one = chosen(laid, pl.DataFrame({"clone": [clone]})).records
            if one.system.height:
                back = pl.lit(system_id).alias("system_id")
                return Records(*(t.with_columns(back) for t in (one.system, one.circuit, one.unit, one.run)))
        raise ValueError(f"{clone}: there is no such candidate with records")


def work_out(
    records: Records,
    catalog: Frames,
    policy: Policy,
    as_of: date,
    tables: Tables | None = None,
    cleared: Collection[str] = (),
    evidence: Evidence | None = None,
    called: Collection[str] = (),
    doubtful: Collection[str] = (),
) -> Candidates:
    """Return the candidates of every system that fails what wiring, panel or settings mend, or is likely to trip.

    `evidence` is what was measured and reported of them, and `cleared` names the systems whose neutral and connections
    are known to be sound. For those that are `called`, with a safety call, nothing is proposed; of those that are
    `doubtful`, whose records hold what can hardly be meant, the record is to be verified first. A system's candidates
    depend on its own records and evidence alone. Rows are sorted by system and candidate.
    """
    for remedy in REMEDIES:
        catalog = remedy.catalog(catalog) if remedy.catalog else catalog
    root = situated(records, catalog, policy, as_of, tables, evidence)
    was = before(root)
    proposals = [(remedy, remedy.propose(root)) for remedy in REMEDIES]
    judge = partial(judged_candidates, root, as_of=as_of, tables=tables)
    laid = [first_laid(records, _parted(proposals, pl.col("enough")))]
    lots = [judge(laid[0])]
    left = _unmended(lots[0].table, was)
    if left.height:
        # What is not enough by itself is a base for a second remedy, where nothing else is enough.
        short = pl.col("enough").not_() & pl.col("system_id").is_in(left["root"].implode())
        laid.append(first_laid(records, _parted(proposals, short), lots[0].table.height))
        lots.append(judge(laid[1]))
        judged = pl.concat([lot.table for lot in lots])
        base = chosen(together(laid), _bases(judged, left, was))
        if base.candidate.height:
            laid.append(next_laid(base, _following(as_judged(base, lots, root), judged), judged.height))
            lots.append(judge(laid[2]))
    grows = pl.concat([each.grows.select("clone").unique() for each in laid])
    table = pl.concat([lot.table for lot in lots])
    table = pl.concat([table, left_out(root, table["root"])], how="diagonal")
    table = table.with_columns(
        pl.when(pl.col("root").is_in(list(doubtful)))
        .then(pl.lit(f"{DOUBTFUL} ") + pl.col("verify_first"))
        .otherwise("verify_first")
        .alias("verify_first")
    )
    told = _told(table, was, grows, cleared, called)
    wire, part = (pl.concat([getattr(each, name) for each in laid]) for name in ("wire", "part"))
    return Candidates(told, wire, part, tuple(laid))


def _parted(proposals: Sequence[tuple[Remedy, Proposal]], condition: pl.Expr) -> list[tuple[Remedy, Proposal]]:
    """The proposals with those candidates alone for which a condition holds."""
    return [(remedy, replace(each, candidate=each.candidate.filter(condition))) for remedy, each in proposals]


def _unmended(table: pl.DataFrame, was: pl.DataFrame) -> pl.DataFrame:
    """The systems (`root`) that fail what remedies are combined for, and that no candidate mends."""
    mended = table.filter(((pl.col("fails") & WORTH_TWO) == 0) & (pl.col("worse") == 0)).select("root")
    failing = was.filter((pl.col("fails") & WORTH_TWO) != 0).select(pl.col("system_id").alias("root"))
    return failing.join(mended, on="root", how="anti")


def _bases(table: pl.DataFrame, left: pl.DataFrame, was: pl.DataFrame) -> pl.DataFrame:
    """The candidates that a second remedy is tried on: of the systems `left`, those with the least rise.

    Where the rise is left, another remedy for it must be able to follow.
    """
    fails = pl.col("fails") & WORTH_TWO
    for_rise = [remedy.name for remedy in REMEDIES if set(remedy.then) - {PANEL}]
    for_busbar = [remedy.name for remedy in REMEDIES if PANEL in remedy.then]
    of = pl.col("last").is_in
    follows = pl.when(fails != BIT["busbar"]).then(of(for_rise)).otherwise(of(for_busbar))
    rows = table.filter((fails != 0) & follows).join(left, on="root", how="semi")
    rows = rows.join(was.select(pl.col("system_id").alias("root"), was_rise="rise"), on="root", how="left")
    rows = rows.filter((pl.col("rise") < pl.col("was_rise")).fill_null(False))
    ranked = rows.sort("root", "rise", "clone").with_columns(pl.int_range(pl.len()).over("root").alias("_rank"))
    return ranked.filter(pl.col("_rank") < BASES).select("clone")


def _following(situation: Situation, table: pl.DataFrame) -> list[tuple[Remedy, Proposal]]:
    """What may follow each base and is reckoned to be enough then; `table` holds the bases as they were judged.

    Another place at the panel follows where the busbar alone is left, and where it mends the busbar by itself.
    """
    left = pl.col("fails") & WORTH_TWO
    ids = situation.records.system.select(pl.col("system_id").alias("clone"))
    base = table.join(ids, on="clone", how="semi").select(pl.col("clone").alias("system_id"), "root", "last", left)
    mends = table.filter((pl.col("last") == PANEL) & ((left & BIT["busbar"]) == 0) & (pl.col("worse") == 0))
    mends = mends.sort("root", "variant").unique("root", keep="first").select("root", "variant")
    found = []
    for name in sorted({follower for remedy in REMEDIES for follower in remedy.then}):
        leading = [each.name for each in REMEDIES if name in each.then]
        proposed = BY_NAME[name].propose(situation)
        rows = base.filter(pl.col("last").is_in(leading), (pl.col("fails") == BIT["busbar"]) == (name == PANEL))
        candidate = proposed.candidate.filter("enough").join(rows, on="system_id", maintain_order="left")
        if name == PANEL:
            candidate = candidate.join(mends, on=["root", "variant"], how="semi", maintain_order="left")
        found.append((BY_NAME[name], replace(proposed, candidate=candidate.select(list(CANDIDATE)))))
    return found


def _told(
    table: pl.DataFrame, was: pl.DataFrame, grows: pl.DataFrame, cleared: Collection[str], called: Collection[str]
) -> pl.DataFrame:
    """The table in its columns: what was and what would be, whether it is proposed, and whether it helps."""
    old = was.rename({c: f"was_{c}" for c in was.columns if c not in ("system_id", "rise_target_pct")})
    frame = table.join(old, left_on="root", right_on="system_id", how="left", maintain_order="left")
    col = pl.col
    broken, settings = col("worse").fill_null(0) != 0, col("settings") & col("root").is_in(list(cleared)).not_()
    frame = frame.with_columns(
        check_names(frame["worse"]).alias("_worse"),
        pl.when(col("remedy") == NONE).then(why_none(frame["was_fails"])).otherwise("left_why").alias("left_why"),
    ).with_columns(
        pl.when(col("root").is_in(list(called))).then(pl.lit(CALLED))
        .when(col("left_why").is_not_null()).then("left_why")
        .when(broken).then(pl.format("it would make worse: {}", "_worse")).when(settings).then(pl.lit(HELD))
        .alias("why_not"),
        (col("was_fails") & (col("fails") ^ 0xFFFFFFFF)).alias("_mended"),
        col("trip_days").alias("_days"),
    )  # fmt: skip
    hours = col("was_loss_hours") / 1000
    frame = frame.with_columns(
        check_names(frame["_mended"]).alias("mends"),
        check_names(frame["fails"]).alias("still_fails"),
        col("why_not").is_null().alias("proposed"),
        col("fails").bitwise_count_ones().cast(pl.Int64).alias("fails_left"),
        pl.when(col("voltage_rise_verdict") != "unknown").then(col("voltage_rise_verdict") == "pass")
        .alias("meets_target"),
        (col("was_trip_days") - col("trip_days")).alias("trip_days_removed"),
        (col("was_wire_loss_w") * hours).alias("wire_loss_before_kwh"),
        (col("wire_loss_w") * hours).alias("wire_loss_after_kwh"),
        *(col(f"was_{figure}").alias(named(figure, "before")) for figure in FIGURES),
        *(col(figure).alias(named(figure, "after")) for figure in FIGURES),
    )  # fmt: skip
    fewer = col("fails_left") < col("was_fails").bitwise_count_ones().cast(pl.Int64)
    rarer = (col("trip_days") < LIKELY_TRIP_DAYS) & (col("was_trip_days") >= LIKELY_TRIP_DAYS)
    efforts = dict(enumerate(EFFORTS))
    frame = frame.with_columns(
        (col("proposed") & (fewer | rarer)).fill_null(False).alias("helps"),
        # Two remedies are more effort than either by itself.
        col("clone").is_in(grows["clone"].implode()).alias("grows"),
        (col("effort") * 2 + col("steps") - 1).alias("effort_rank"),
        col("effort").replace_strict(efforts, return_dtype=pl.String).alias("effort"),
        col("root").alias("system_id"),
        col("was_busbar_value").alias("busbar_before_a"),
        col("busbar_value").alias("busbar_after_a"),
        col("busbar_limit").alias("busbar_limit_after_a"),
    ).sort("root", "clone")
    frame = frame.with_columns((pl.int_range(pl.len()).over("root") + 1).alias("candidate"))
    return frame.select(pl.col(name).cast(kind) for name, kind in (COLUMNS | INNER).items())
