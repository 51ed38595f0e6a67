"""Which of the inputs that differ between two runs moved a verdict: switched alone, and together where none does.

A trial is the audit of some systems with some factors as they are after and all others as they are before. A factor is
a cause where it brings the later verdict about by itself. Where none does, the smallest sets that do are named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import comb

import polars as pl

#: What tells the rows of a comparison apart; `verdict` is what a trial makes of one.
KEYS = ("kind", "check", "system_id", "circuit_id")
#: Trials of sets of factors at most; beyond, a cause cannot be told.
MOST_TRIALS = 200

NOTHING = "cannot be told: no input of this system differs"
OTHER_VERSION = "cannot be told: a run was made by another version of the program, which judges this otherwise"
TOO_MANY = "cannot be told: none by itself, and not every combination was tried"
PROGRAM = "the program itself"

#: From the factors that are switched and the KEYS of some rows to these rows' KEYS and `verdict`.
Trial = Callable[[frozenset[int], pl.DataFrame], pl.DataFrame]


@dataclass(frozen=True)
class Versions:
    """Whether two runs were made by one version of the program, and each by the one that runs now."""

    alike: bool = True
    before_is_now: bool = True
    after_is_now: bool = True


@dataclass
class _Search:
    """Rows whose cause is sought, and the causes found so far."""

    uses: pl.DataFrame
    names: Sequence[str]
    trial: Trial
    found: list[pl.DataFrame] = field(default_factory=list)
    trials: int = 0

    def reached(self, chosen: frozenset[int], rows: pl.DataFrame, verdict: str = "after") -> pl.DataFrame:
        """Those rows to which a trial gives the verdict of that column."""
        if not rows.height:
            return rows
        self.trials += 1
        got = self.trial(chosen, rows.select(KEYS))
        beside = rows.join(got, on=KEYS, how="left", nulls_equal=True)
        return beside.filter(pl.col("verdict").eq_missing(pl.col(verdict))).select(rows.columns)

    def settle(self, rows: pl.DataFrame, cause: str | pl.Expr) -> None:
        """Give rows their cause."""
        told = pl.lit(cause) if isinstance(cause, str) else cause
        self.found.append(rows.select("row", told.cast(pl.String).alias("cause")))

    def using(self, rows: pl.DataFrame, factor: int) -> pl.DataFrame:
        """The rows of systems that use a factor."""
        return rows.join(self.uses.filter(pl.col("factor") == factor), on="system_id", how="semi")


def find_causes(
    rows: pl.DataFrame, uses: pl.DataFrame, names: Sequence[str], trial: Trial, versions: Versions = Versions()
) -> pl.DataFrame:
    """Return `row` and `cause` for every row.

    `rows` has row, the KEYS, before and after; `uses` system_id and factor, the numbers of the factors that can matter
    for a system; `names` says what a number stands for. `trial` takes the factors that are switched and the KEYS of
    rows, and returns these with `verdict`. A system that uses one factor alone needs no trial.
    """
    search = _Search(uses, names, trial)
    count = uses.group_by("system_id").agg(pl.len().alias("n"), pl.col("factor").min().alias("_first"))
    rows = rows.join(count, on="system_id", how="left").with_columns(pl.col("n").fill_null(0))
    search.settle(rows.filter(pl.col("n") == 0), NOTHING if versions.alike else PROGRAM)
    rows = _trusted(search, rows.filter(pl.col("n") > 0), versions)
    sole = rows.filter(pl.col("n") == 1)
    named = dict(enumerate(names))
    search.settle(sole, pl.col("_first").replace_strict(named, default=None, return_dtype=pl.String))
    rest = _alone(search, rows.filter(pl.col("n") > 1))
    pairs = rest.filter(pl.col("n") == 2)
    _together(search, pairs, _signatures(uses, pairs))
    _sets(search, rest.filter(pl.col("n") > 2))
    return pl.concat(search.found)


def _trusted(search: _Search, rows: pl.DataFrame, versions: Versions) -> pl.DataFrame:
    """The rows that this version of the program judges as the runs did; the others are settled."""
    if versions.alike and versions.after_is_now:
        return rows
    doubted = rows.filter(pl.col("n") > 1) if versions.alike else rows
    kept = doubted
    if not versions.after_is_now:
        kept = search.reached(frozenset(range(len(search.names))), kept)
    if not versions.before_is_now:
        by_program = search.reached(frozenset(), kept)
        search.settle(by_program, PROGRAM if not versions.alike else OTHER_VERSION)
        kept = search.reached(frozenset(), kept.join(by_program, on="row", how="anti"), "before")
    settled = pl.concat([pl.DataFrame(schema={"row": rows.schema["row"]}), *(f.select("row") for f in search.found)])
    lost = doubted.join(kept, on="row", how="anti").join(settled, on="row", how="anti")
    search.settle(lost, OTHER_VERSION)
    return pl.concat([rows.join(doubted, on="row", how="anti"), kept])


def _alone(search: _Search, rows: pl.DataFrame) -> pl.DataFrame:
    """Settle the rows that a factor moves by itself; return the others."""
    parts = [rows.select("row", pl.lit("").alias("name")).clear()]
    for factor, name in enumerate(search.names):
        moved = search.reached(frozenset({factor}), search.using(rows, factor))
        parts.append(moved.select("row", pl.lit(name).alias("name")))
    by_row = pl.concat(parts).group_by("row", maintain_order=True).agg("name")
    told = pl.col("name").list.join("; ")
    several = pl.when(pl.col("name").list.len() > 1).then(pl.concat_str(pl.lit("each by itself: "), told))
    search.settle(by_row, several.otherwise(told))
    return rows.join(by_row, on="row", how="anti")


def _signatures(uses: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """The row's factors as a text, such as "0,3"; systems alike in that are tried together."""
    of_system = uses.sort("system_id", "factor").group_by("system_id", maintain_order=True)
    texts = of_system.agg(pl.col("factor").cast(pl.String).str.join(",").alias("signature"))
    return rows.join(texts, on="system_id", how="left").select("row", "signature")


def _together(search: _Search, rows: pl.DataFrame, sets: pl.DataFrame) -> None:
    """Settle rows by the sets of factors that move them, `signature` of one or more lines a row."""
    words = {
        text: "; ".join(search.names[int(number)] for number in text.split(","))
        for text in sets["signature"].unique().to_list()
    }
    named = sets.with_columns(pl.col("signature").replace_strict(words, return_dtype=pl.String).alias("name"))
    by_row = named.group_by("row", maintain_order=True).agg(pl.col("name").str.join(", or "))
    search.settle(by_row.join(rows, on="row", how="semi"), pl.concat_str(pl.lit("only together: "), "name"))


def _sets(search: _Search, rows: pl.DataFrame) -> None:
    """Settle rows that no single factor moves, by the smallest sets that do; each set is tried once for all systems."""
    if not rows.height:
        return
    rows = rows.join(_signatures(search.uses, rows), on="row").join(_needed(search, rows), on="row", how="left")
    rows = rows.with_columns(pl.col("needed").fill_null(""))
    rows = _settle_needed(search, rows)
    for size in range(2, len(search.names) + 1):
        whole = rows.filter(pl.col("signature").str.split(",").list.len() == size).select("row", "signature")
        pairs = [(_numbers(has), _numbers(must)) for has, must in rows.select("signature", "needed").unique().rows()]
        open_pairs = [(has, must) for has, must in pairs if len(must) < size < len(has)]
        asked = sum(comb(len(has - must), size - len(must)) for has, must in open_pairs)
        if search.trials + asked > MOST_TRIALS:
            search.settle(rows, TOO_MANY)
            return
        more = ((must, some) for has, must in open_pairs for some in combinations(has - must, size - len(must)))
        sets = [whole]
        for chosen in sorted({tuple(sorted(must | set(some))) for must, some in more}):
            moved = search.reached(frozenset(chosen), _may_be(rows, frozenset(chosen)))
            sets.append(moved.select("row", pl.lit(",".join(map(str, chosen))).alias("signature")))
        found = pl.concat(sets)
        _together(search, rows, found)
        rows = rows.join(found, on="row", how="anti")


def _settle_needed(search: _Search, rows: pl.DataFrame) -> pl.DataFrame:
    """Settle the rows that the factors they cannot do without move by themselves; return the others."""
    sets = [rows.filter(pl.col("needed") == pl.col("signature")).select("row", "signature")]
    part = rows.filter(pl.col("needed") != pl.col("signature"), pl.col("needed").str.contains(","))
    for (text,), group in part.group_by("needed", maintain_order=True):
        moved = search.reached(_numbers(str(text)), group)
        sets.append(moved.select("row", pl.col("needed").alias("signature")))
    found = pl.concat(sets)
    _together(search, rows, found)
    return rows.join(found, on="row", how="anti")


def _needed(search: _Search, rows: pl.DataFrame) -> pl.DataFrame:
    """The factors without which all others do not move a row, as a text; none for rows that can do without each."""
    everything = frozenset(range(len(search.names)))
    parts = [rows.select("row", pl.lit(0, pl.Int64).alias("factor")).clear()]
    for factor in sorted(everything):
        using = search.using(rows, factor)
        moved = search.reached(everything - {factor}, using)
        kept = using.join(moved, on="row", how="anti")
        parts.append(kept.select("row", pl.lit(factor, pl.Int64).alias("factor")))
    by_row = pl.concat(parts).sort("row", "factor").group_by("row", maintain_order=True)
    return by_row.agg(pl.col("factor").cast(pl.String).str.join(",").alias("needed"))


def _may_be(rows: pl.DataFrame, chosen: frozenset[int]) -> pl.DataFrame:
    """The rows that a set may move: all its factors matter there, not only they do, and it holds those needed."""
    pairs = rows.select("signature", "needed").unique().rows()
    fitting = [pair for pair in pairs if _numbers(pair[1]) <= chosen < _numbers(pair[0])]
    wanted = pl.DataFrame(fitting, schema=["signature", "needed"], orient="row")
    return rows.join(wanted.cast(pl.String), on=["signature", "needed"], how="semi")


def _numbers(text: str) -> frozenset[int]:
    return frozenset(int(number) for number in text.split(",") if number)
