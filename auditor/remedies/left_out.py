"""Why a kind of remedy is not laid out for a circuit that calls for it, and which failing checks none of them mends."""

from __future__ import annotations

import polars as pl

from auditor.remedies import BY_NAME
from auditor.remedies.base import Situation, told
from auditor.remedies.judging import check_names
from auditor.remedies.split_branch import listed_apart

#: What of a circuit no record tells, by remedy; the first that holds counts. Conditions are over its frame.
_ARMS = pl.col("arms").list.len() > 2
_LYING = (pl.col("laid_out").not_(), "how its units lie along the cable is not recorded")
REASONS: dict[str, tuple[tuple[pl.Expr, str], ...]] = {
    "feed-point": (_LYING, (_ARMS, "it has more than two arms already")),
    "split-branch": (
        _LYING,
        (_ARMS, "it has more than two arms"),
        (pl.col("_apart"), "which of its different units would lie in which half is not recorded"),
    ),
    "feeder-size": (
        (pl.col("feeder_no_length"), "the length of its feeder is not recorded"),
        (pl.col("feeder_length_m").is_null(), "no feeder is recorded"),
    ),
    "home-run-size": (
        (pl.col("home_run_runs").is_null(), "no home run is recorded"),
        (pl.col("home_run_no_length"), "the length of its home run is not recorded"),
        (pl.col("home_run_no_size") | pl.col("home_run_no_material"), "size or material of its home run is not known"),
    ),
}
#: A row that stands for no kind of remedy.
NONE = "none"


def left_out(situation: Situation, laid: pl.Series) -> pl.DataFrame:
    """Rows without a candidate: `root`, `clone` (an order, no id), `remedy`, `done` and `left_why`.

    `laid` are the systems with candidates. One that fails or is likely to trip and has neither a candidate nor a reason
    for having none gets a row that says so.
    """
    apart = listed_apart(situation.records).with_columns(pl.lit(True).alias("_apart"))
    circuit = situation.circuit.filter("touched")
    circuit = circuit.join(apart, on=apart.columns[:2], how="left", maintain_order="left")
    found = [_of_remedy(circuit, name, number) for number, name in enumerate(REASONS)]
    rows = pl.concat(found)
    asked = situation.system.filter(pl.col("likely") | (pl.col("verdict") == "fail").fill_null(False))
    asked = asked.filter(pl.col("system_id").is_in(pl.concat([laid, rows["root"]]).implode()).not_())
    nothing = asked.select(pl.col("system_id").alias("root"))
    return pl.concat(
        [
            rows,
            nothing.with_columns(
                pl.lit(f"~{len(REASONS)}").alias("clone"),
                pl.lit(NONE).alias("remedy"),
                pl.lit("none of the remedies here").alias("done"),
                pl.lit(None, pl.String).alias("left_why"),
            ),
        ]
    )


def _of_remedy(circuit: pl.DataFrame, remedy: str, number: int) -> pl.DataFrame:
    title = BY_NAME[remedy].title
    reason = pl.coalesce(*(pl.when(held.fill_null(False)).then(pl.lit(words)) for held, words in REASONS[remedy]))
    rows = circuit.select(pl.col("system_id").alias("root"), "circuit_id", reason.alias("_reason"))
    rows = (
        rows.drop_nulls("_reason")
        .group_by("root", "_reason", maintain_order=True)
        .agg(
            pl.when(pl.len() > 1).then(pl.lit("circuits ")).otherwise(pl.lit("circuit ")).first().alias("_which"),
            told(pl.col("circuit_id"), ", ").alias("_circuits"),
        )
    )
    words = pl.format("{}{}: {}", "_which", "_circuits", "_reason")
    return rows.group_by("root", maintain_order=True).agg(
        pl.lit(f"~{number}").alias("clone"),
        pl.lit(remedy).alias("remedy"),
        pl.lit(title[:1].lower() + title[1:]).alias("done"),
        words.str.join("; ").alias("left_why"),
    )


def why_none(fails: pl.Series) -> pl.Series:
    """What is said of a system without any candidate: `fails` are the checks that it fails, as bits."""
    names = check_names(fails)
    mends_not = pl.when(names != "").then(pl.format("none of them mends {}", pl.lit(names)))
    return pl.select(mends_not.otherwise(pl.lit("none of them makes its trips rarer"))).to_series()
