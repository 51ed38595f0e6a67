"""Which missing facts unknown verdicts wait for, counted over a snapshot."""

from __future__ import annotations

import polars as pl

from auditor.store.records_db import Connection


def unknown_verdicts(con: Connection) -> tuple[int, int]:
    """The verdicts that are unknown, and how many of them name the facts that they wait for."""
    row = con.execute(
        "SELECT count(*), count(*) FILTER (missing <> 0) FROM judged WHERE verdict = 'unknown'"
    ).fetchall()[0]
    return int(row[0]), int(row[1])


def settling(con: Connection) -> pl.DataFrame:
    """By fact: label, `alone` unknown verdicts that wait for it and nothing else, `with_others`, and systems.

    `systems` have a verdict that waits for the fact; `whole` of them wait for it alone and for nothing else.
    The fact that settles most verdicts comes first.
    """
    # Few different sets of facts are missing: they are counted first and taken apart after.
    query = """
        WITH sets AS (
          SELECT missing::HUGEINT AS missing, count(*) AS n FROM judged WHERE verdict = 'unknown' AND missing <> 0
          GROUP BY ALL),
        verdicts AS (
          SELECT f.number, f.fact, f.label, coalesce(sum(n) FILTER (bit_count(missing) = 1), 0)::BIGINT AS alone,
            coalesce(sum(n) FILTER (bit_count(missing) > 1), 0)::BIGINT AS with_others
          FROM sets JOIN fact f ON (missing >> f.number) & 1 = 1 GROUP BY ALL),
        waits AS (SELECT waits_for::HUGEINT AS waits_for, count(*) AS n FROM shown WHERE waits_for <> 0 GROUP BY ALL),
        systems AS (
          SELECT f.number, sum(n)::BIGINT AS systems,
            coalesce(sum(n) FILTER (bit_count(waits_for) = 1), 0)::BIGINT AS whole
          FROM waits JOIN fact f ON (waits_for >> f.number) & 1 = 1 GROUP BY ALL)
        SELECT fact, label, alone, with_others, coalesce(systems, 0) AS systems, coalesce(whole, 0) AS whole
        FROM verdicts LEFT JOIN systems USING (number) ORDER BY alone DESC, with_others DESC, number"""
    return pl.DataFrame(con.sql(query).to_arrow_table())
