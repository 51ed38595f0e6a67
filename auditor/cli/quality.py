"""`auditor quality`: whether designers, crews, offices or models differ by more than chance, and what to visit."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import polars as pl
import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.errors import AuditorError
from auditor.quality import field, patterns, words
from auditor.quality.compare import Comparison
from auditor.reports import quality
from auditor.reports.cases import DEFAULT_OUTCOME, UNITS, judged_by, sides
from auditor.reports.export import export_frame
from auditor.reports.found import FOUND_WORDS, read_found
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import current_number, open_snapshot

app = typer.Typer(help="Audit past work fairly: who differs by more than chance and case mix explain, and since when.")

#: By which rules a comparison can be made.
RULES = ("then", "now")
SHOWN_UNITS, SHOWN_CAUSES, SHOWN_REPEATS, SHOWN_ALIKE = 20, 8, 8, 8
OutputOption = Annotated[Path | None, typer.Option("--output", "-o", help="A .csv, .xlsx, .jsonl or .parquet file.")]
RunOption = Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")]


@app.callback(invoke_without_command=True)
def compare(
    context: typer.Context,
    by: Annotated[str, typer.Option("--by", help=f"{', '.join(UNITS)}.")] = "designer",
    outcome: Annotated[
        str,
        typer.Option(
            "--outcome", help="A check, 'verdict', 'severity:safety', or 'trips:BAND' for that band or more often."
        ),
    ] = DEFAULT_OUTCOME,
    region: Annotated[str, typer.Option("--region", help="Compare within this region alone.")] = "",
    rules: Annotated[
        str,
        typer.Option(
            "--rules",
            help="'then': by the specs of each design date; 'now': by the run's own. Default: then, where it is known.",
        ),
    ] = "",
    run: RunOption = None,
    part: Annotated[
        str, typer.Option("--part", help=f"What --output writes: {', '.join(quality.PARTS)}.")
    ] = quality.PARTS[0],
    output: OutputOption = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Compare by an outcome, adjusted for run lengths, units per branch, service and year; print or write it."""
    if context.invoked_subcommand:
        return
    place = Store(store)
    judging, beside = _runs(place, rules, run)
    asked = (by, outcome, region)
    with open_snapshot(place, judging) as con:
        found, judged = quality.comparison(con, *asked), judged_by(con)
        show.plain(judged)
        if output is None:
            given = {"outcome": outcome if outcome != DEFAULT_OUTCOME else "", "region": region, "rules": rules}
            _told(con, found, outcome, region)
            _beside(place, beside, asked)
            _more(by, given | {"run": "" if run is None else str(run)}, store)
            if beside is None and not rules and run is None and sides(place, judging).then is None:
                show.plain(f"By the specs of each design date: auditor recheck --as-of design-date{at_store(store)}")
            return
        frame = quality.part_of(con, found, part, region)
    if part == quality.PARTS[0] and beside is not None:
        with open_snapshot(place, beside) as con:
            frame = quality.with_other(frame, quality.comparison(con, *asked))
    written = export_frame(frame, output)
    show.plain(f"{output}: {show.counted(written.rows, 'row')}.")


def _runs(place: Store, rules: str, run: int | None) -> tuple[int, int | None]:
    """The run to compare by, and the one of today's rules to tell beside it, None where that is the same."""
    if rules not in ("", *RULES):
        raise AuditorError(f"--rules {rules}: say {' or '.join(RULES)}.")
    place.require()
    now = current_number(place) if run is None else run
    if rules == "now" or (run is not None and not rules):
        return now, None
    both = sides(place, now)
    if both.then is None and rules == "then":
        raise AuditorError(
            f"Run {now} was not judged by the specs of each design date yet. Run: auditor recheck --as-of design-date"
            f"{f' --run {run}' if run is not None else ''}{at_store(place.root)}"
        )
    return (now, None) if both.then is None else (both.then, both.now)


def _beside(place: Store, now: int | None, asked: tuple[str, str, str]) -> None:
    """Today's answer, beside that by the rules of then."""
    if now is None:
        return
    with open_snapshot(place, now) as con:
        found = quality.comparison(con, *asked)
        rules = judged_by(con)
    show.plain(
        f"\nBeside it by today's rules: {found.failed:,} of {found.judged:,} fail."
        f" {words.answer(found, UNITS[found.by])}\n  {rules}"
    )


def _told(con: Connection, found: Comparison, outcome: str, region: str) -> None:
    plural = UNITS[found.by]
    where = f", in {region}" if region else ""
    show.plain(
        f"{outcome}{where}: {found.failed:,} of {found.judged:,} fail; {found.unknown:,} more are unknown and do not"
        " count.\n"
    )
    show.plain(words.answer(found, plural))
    show.plain(words.method(found))
    spelt = quality.spelt_alike(found)
    if spelt:
        show.plain(f"\n{words.READ['alike']}")
        for pair in spelt[:SHOWN_ALIKE]:
            show.plain(f"  {pair}")
        if len(spelt) > SHOWN_ALIKE:
            show.plain(f"  and {len(spelt) - SHOWN_ALIKE:,} more pairs.")
    show.plain(f"\n{words.READ['table']}")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in (found.by, "judged", "fail", "expected", "unknown", "what is said of it"):
        table.add_column(name, justify="left" if name in (found.by, "what is said of it") else "right")
    told = quality.told(found)
    # All of whom there is evidence, then the largest; printed in the order of size.
    kept = pl.col("evidence").ne("no evidence") | (pl.int_range(pl.len()) < SHOWN_UNITS)
    for unit in told.filter(kept).iter_rows(named=True):
        counts = (f"{unit['judged']:,}", f"{unit['failed']:,}", f"{unit['expected']:.1f}", f"{unit['unknown']:,}")
        table.add_row(show.cell(unit["value"] or "not stated"), *counts, unit["says"])
    show.tabular(table)
    left = told.height - told.filter(kept).height
    if left:
        show.plain(f"and {left:,} smaller ones without evidence that they differ.")
    _patterns(quality.fault_counts(con, found.by, region))


def _more(by: str, given: Mapping[str, str], store: Path) -> None:
    """The command that writes what was printed."""
    also = "".join(f" --{name} {shlex.quote(value)}" for name, value in given.items() if value)
    show.plain(
        f"\nAll of it: auditor quality --by {by}{also} -o quality.xlsx{at_store(store)}   (--part"
        f" {', '.join(quality.PARTS[1:])} write the rest)"
    )


def _patterns(counts: pl.DataFrame) -> None:
    show.plain(f"\n{words.READ['causes']}")
    for row in patterns.pareto(counts).head(SHOWN_CAUSES).iter_rows(named=True):
        show.plain(f"  {row['cause']}: {show.counted(row['failed'], 'system')}, {row['cumulative']:.0%} so far")
    again = patterns.repeats(counts)
    show.plain(f"\n{words.READ['repeats']}")
    if not again.height:
        show.plain("  None: no evidence of a repeated fault.")
    for row in again.head(SHOWN_REPEATS).iter_rows(named=True):
        who, year = row["value"] or "not stated", row["year"] or "no date"
        show.plain(
            f"  {who}, {year}, {row['cause']}: {row['failed']} of {row['judged']}, {row['expected']:.1f} expected"
        )


@app.command("sample")
def sample(
    visits: Annotated[int, typer.Option("--visits", min=1, help="How many systems to visit.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="A .csv, .xlsx, .jsonl or .parquet file.")],
    seed: Annotated[int, typer.Option("--seed", help="The same seed draws the same systems.")] = 1,
    run: RunOption = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Draw the systems to inspect in the field: a stratified random sample with stated inclusion probabilities."""
    with open_snapshot(Store(store), run) as con:
        drawn = quality.field_sample(con, visits, seed)
        written = export_frame(drawn, output)
        show.plain(judged_by(con))
    show.plain(f"{output}: {show.counted(written.rows, 'system')} to visit, drawn with seed {seed}.")
    for row in drawn.group_by("stratum", maintain_order=True).first().iter_rows(named=True):
        show.plain(
            f"  desk verdict {row['stratum']}: {row['stratum_visits']:,} of {row['stratum_systems']:,}, each with"
            f" chance {row['chance']:.3f} (anticipated: {field.ANTICIPATED[row['stratum']]:.0%} deficient;"
            " an assumption that steers the visits and not the estimate)"
        )
    show.plain(f"Write {FOUND_WORDS} into its column `found`, then: auditor quality estimate {output}")


@app.command("estimate")
def estimate(
    results: Annotated[
        Path, typer.Argument(help="The sample with its column `found` filled in: the file that `quality sample` wrote.")
    ],
) -> None:
    """Estimate the share of deficient systems in the portfolio from what the visits found."""
    found = read_found(results)
    try:
        told = field.estimated(found)
    except ValueError as error:
        raise AuditorError(f"{results}: {error}. Visit more of the sample, or draw a smaller one.") from error
    show.plain(
        f"Deficient: {told.share:.1%} of {told.systems:,} systems (95 % interval {told.low:.1%} to {told.high:.1%}),"
        f" from {told.visited:,} visits that tell as much as {told.effective:.0f} drawn from all alike."
    )
    for row in told.strata.iter_rows(named=True):
        show.plain(
            f"  desk verdict {row['stratum']}: {row['deficient']:,} of {row['visited']:,} visited are deficient, of"
            f" {row['systems']:,} systems"
        )
    missed = found.height - told.visited
    if missed:
        show.plain(f"  {missed:,} were not visited; they count as missing by chance within their stratum.")
