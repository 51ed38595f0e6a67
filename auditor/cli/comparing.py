"""`auditor recheck` and `auditor compare`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditor.catalog import load_catalog
from auditor.cautions import CAUTION
from auditor.cli import show, show_audit, show_changes
from auditor.cli.options import DEFAULT_STORE, CatalogOption, StoreOption, at_store, day
from auditor.cli.told import write as write_report
from auditor.compare.altering import altered, setting_of
from auditor.compare.comparison import compare as compared
from auditor.compare.part import Part
from auditor.compare.queries import export_sql, notices_sql
from auditor.compare.recheck import recheck as judged_again
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.reports.export import XLSX_CHARACTERS, export_query
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import current_number, open_snapshot

DESIGN_DATE = "design-date"


def recheck(
    store: StoreOption = DEFAULT_STORE,
    run: Annotated[int | None, typer.Option("--run", help="The run to judge again; default: the one shown.")] = None,
    catalog: CatalogOption = None,
    policy: Annotated[Path | None, typer.Option("--policy", help="A policy file to use instead of the run's.")] = None,
    as_of: Annotated[
        str,
        typer.Option(
            "--as-of",
            help=f"Date whose specs are in force, or {DESIGN_DATE} for each system's own; default: the run's.",
        ),
    ] = "",
    figure: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="One figure as it might be, such as 'trunk: Example TC: rated_a = 16' or 'policy: rise.target_pct ="
            " 1.5'; may be repeated.",
        ),
    ] = None,
    utility: Annotated[list[str] | None, typer.Option("--utility", help="Only systems of this utility.")] = None,
    designer: Annotated[list[str] | None, typer.Option("--designer", help="Only systems of this designer.")] = None,
    region: Annotated[list[str] | None, typer.Option("--region", help="Only systems in this region.")] = None,
    band: Annotated[list[str] | None, typer.Option("--band", help="Only systems in this band of trip-days.")] = None,
    check: Annotated[list[str] | None, typer.Option("--check", help="Only systems that fail this check.")] = None,
    verdict: Annotated[list[str] | None, typer.Option("--verdict", help="Only systems with this verdict.")] = None,
    system: Annotated[list[str] | None, typer.Option("--system", help="Only this system.")] = None,
    listed: Annotated[
        Path | None,
        typer.Option("--systems", help="Only the systems in this file: one id a line, or a CSV with system_id."),
    ] = None,
    called: Annotated[str, typer.Option("--part", help="What the part is called where the run is shown.")] = "",
    report: Annotated[Path | None, typer.Option("--report", help="Write which run was made as JSON, too.")] = None,
) -> None:
    """Judge the records of a run, or a part of them, under other rules: a run of its own that waits for no one.

    Filters may be repeated: values of one are alternatives, filters narrow each other.
    """
    place = Store(store)
    place.require()
    base = current_number(place) if run is None else run
    settings = [setting_of(text) for text in figure or ()]
    given = [("catalog", catalog), ("policy", policy), ("as-of", as_of)]
    told = [f"--{name} {value}" for name, value in given if value] + [f"--set '{one.words}'" for one in settings]
    utility, designer, region, band, check, verdict, system = (
        values or [] for values in (utility, designer, region, band, check, verdict, system)
    )
    part = Part(utility, designer, region, band, check, verdict, system, listed, called)
    if called and not part.any:
        raise AuditorError(f"--part {called}: names a part; choose it, too, by --utility or another filter.")
    with show.progress("Auditing circuits") as advance:
        done = judged_again(
            place,
            base,
            lambda rules: altered(_altered(rules, catalog, policy, as_of), settings),
            part=part,
            told=" ".join(told),
            progress=advance,
            made=advance.table_made,
        )
    if report is not None:
        write_report(report, {"run": done.number, "recheck_of": base, "systems": done.systems})
    with open_snapshot(place, done.number) as con:
        show_audit.audited(con, place.root)
        if as_of == DESIGN_DATE:
            _undated(con)


def _altered(rules: Rules, catalog: Path | None, policy: Path | None, as_of: str) -> Rules:
    """The rules with what was given in place of theirs."""
    if catalog is not None and not catalog.is_dir():
        raise AuditorError(f"--catalog {catalog}: there is no such folder.")
    specs = rules.catalog if catalog is None else load_catalog([catalog])
    judging = rules.policy if policy is None else load_policy(policy)
    if as_of == DESIGN_DATE:
        return Rules(specs, judging.model_copy(update={"specs_of": "design date"}), rules.as_of)
    return Rules(specs, judging, day(as_of) or rules.as_of)


def _undated(con: Connection) -> None:
    count = con.execute("SELECT count(*) FROM system WHERE design_date IS NULL").fetchall()[0][0]
    if count:
        show.plain(f"\nWithout a design date, what rests on specs is unknown: {show.counted(count, 'system')}.")


def compare(
    before: Annotated[int, typer.Argument(help="A run, as `auditor runs` lists it.")],
    after: Annotated[int, typer.Argument(help="The run to compare it with.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Every change, as a .csv, .xlsx, .jsonl or .parquet file.")
    ] = None,
    check: Annotated[str, typer.Option("--check", help="Only this check.")] = "",
    system: Annotated[list[str] | None, typer.Option("--system", help="Only this system; may be repeated.")] = None,
    notices: Annotated[
        Path | None, typer.Option("--notices", help="Whom to tell: the systems with a verdict that became worse.")
    ] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Say what changed from one run to another, by how much, and which changed input is the cause."""
    place, systems = Store(store), tuple(system or ())
    for name in systems:
        _require_system(place, (before, after), name)
    with show.progress("Looking for causes, circuits tried") as advance:
        con = compared(place, before, after, advance, advance.table_made)
    with con:
        show_changes.compared(con, check, systems)
        written = [(output, export_sql(con, check, systems)), (notices, notices_sql(con, check, systems))]
        for path, query in written:
            if path is not None:
                _write(con, query, path)
        if output is None:
            show.plain(f"\nEvery change: auditor compare {before} {after} -o changes.xlsx{at_store(place.root)}")
        if notices is None:
            show.plain(f"Whom to tell: auditor compare {before} {after} --notices notices.xlsx{at_store(place.root)}")
    show.plain(f"\n{CAUTION}")


def _require_system(store: Store, runs: tuple[int, int], system: str) -> None:
    for run in runs:
        with open_snapshot(store, run) as con:
            if con.execute("SELECT 1 FROM system_result WHERE system_id = ?", [system]).fetchall():
                return
    raise AuditorError(f"--system {system}: neither run holds such a system.")


def _write(con: Connection, query: str, path: Path) -> None:
    written = export_query(con, query, path)
    show.plain(f"{path}: {show.counted(written.rows, 'row')}.")
    for column, count in written.cut.items():
        show.plain(
            f"  Warning: {show.counted(count, 'text')} of column {column} cut: a worksheet's cell holds"
            f" {XLSX_CHARACTERS:,} characters. .csv, .jsonl and .parquet hold them whole."
        )
