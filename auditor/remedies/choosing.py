"""Which candidate of each system to take: the one of least cost, or of least effort where nothing has a price."""

from __future__ import annotations

import polars as pl

from auditor.remedies.base import MEETS

#: The columns of the choice: by what a candidate was chosen, null for the others, and how many were equal to it.
COLUMNS: dict[str, pl.DataType] = {"choice": pl.String(), "ties": pl.Int64()}


def with_choice(table: pl.DataFrame) -> pl.DataFrame:
    """Add COLUMNS to priced candidates. All that tie are marked.

    Of the candidates that help, those count that leave the fewest checks failing; among them the least cost decides
    where any has one, else the least effort.
    """
    helps = pl.col("helps").fill_null(False)
    left = pl.when(helps).then("fails_left")
    among = helps & (left == left.min().over("system_id"))
    cost = pl.when(among).then("cost")
    least = cost.min().over("system_id")
    effort = pl.when(among).then("effort_rank")
    by_cost, by_effort = cost <= least * MEETS, effort == effort.min().over("system_id")
    frame = table.with_columns(
        pl.when(least.is_not_null() & by_cost.fill_null(False))
        .then(pl.lit("least cost"))
        .when(least.is_null() & by_effort.fill_null(False))
        .then(pl.lit("least effort"))
        .alias("choice")
    )
    ties = pl.col("choice").is_not_null().sum().over("system_id")
    return frame.with_columns(pl.when(pl.col("choice").is_not_null()).then(ties).cast(pl.Int64).alias("ties"))
