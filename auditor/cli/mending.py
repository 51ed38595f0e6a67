"""`auditor mend`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.errors import AuditorError
from auditor.mend import keep, safety_calls, store_prices, systems_to_mend, told, work_out_all
from auditor.remedies.mending import Candidates
from auditor.remedies.new_way import WAY
from auditor.remedies.prices import load_prices
from auditor.reports.export import export_frame, require_suffix
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot

VERIFY = "Before any work: verify what stands beside each candidate (-o FILE holds it all). A licensed person does it."
NO_PRICES = "No price is shown without a price file: --prices FILE."

PricesOption = Annotated[
    Path | None,
    typer.Option("--prices", help="Your price file; default: prices.toml in the store, where there is one."),
]


def mend(
    systems: Annotated[list[str] | None, typer.Argument(help="The systems to mend.")] = None,
    every: Annotated[
        bool, typer.Option("--all", help="All that fail or are likely to trip; kept for the plan page.")
    ] = False,
    prices: PricesOption = None,
    cleared: Annotated[
        list[str] | None,
        typer.Option("--cleared", help="A system whose neutral and connections were found sound; may be repeated."),
    ] = None,
    way: Annotated[
        list[str] | None,
        typer.Option("--way", help="SYSTEM/CIRCUIT=METRES of a home run's way to a new feed point; may be repeated."),
    ] = None,
    budget: Annotated[float | None, typer.Option("--budget", help="Plan for all under this budget.")] = None,
    crew_days: Annotated[
        float | None, typer.Option("--crew-days", help="Plan for all under so many crew days.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="A .csv, .xlsx, .jsonl or .parquet file for the candidates.")
    ] = None,
    run: Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Say what would mend systems: each way judged by the same audit, with what to verify on site first.

    With --budget or --crew-days: what to mend first so that the most expected trip-days go. -o then holds the plan.
    """
    place, ids = Store(store), list(systems or [])
    _check(ids, every, budget, crew_days)
    if output is not None:
        require_suffix(output)
    held = load_prices(prices) if prices else store_prices(place)
    with open_snapshot(place, run) as con:
        wanted = systems_to_mend(con) if every else ids
        found = _worked_out(con, place, wanted, cleared or [], told_ways(con, way or []))
        table = told(found, held)
        if every:
            keep(place, con, table, held)
    if budget is not None or crew_days is not None:
        table = _plan(table, budget, crew_days)
    elif every:
        _summary(table, place)
    else:
        _of_systems(table, ids)
    if output is not None:
        written = export_frame(table, output)
        show.plain(f"{output}: {show.counted(written.rows, 'row')}.")
    if held is None:
        show.plain(NO_PRICES)
    else:
        show.plain(f"Prices: {held.name}. They rest on: {held.rests_on}")
    show.plain(VERIFY)


def _check(ids: list[str], every: bool, budget: float | None, crew_days: float | None) -> None:
    if bool(ids) == every:
        raise AuditorError("Name the systems to mend, or say --all: one of the two.")
    if budget is not None and crew_days is not None:
        raise AuditorError("Plan under --budget or under --crew-days, not both.")
    if (budget is not None or crew_days is not None) and not every:
        raise AuditorError("A plan is made over all systems: say --all.")


def told_ways(con: Connection, ways: list[str]) -> pl.DataFrame:
    """The ways that were told as SYSTEM/CIRCUIT=METRES; AuditorError for one that is none, or of no circuit."""
    rows = []
    for text in ways:
        name, _, metres = text.rpartition("=")
        found = con.execute(
            "SELECT system_id, circuit_id FROM circuit WHERE concat(system_id, '/', circuit_id) = ?", [name]
        ).fetchall()
        try:
            way_m = float(metres)
        except ValueError:
            way_m = -1.0
        if not 0 <= way_m < float("inf") or not name:
            raise AuditorError(f"--way {text}: write SYSTEM/CIRCUIT=METRES, such as S1/2=9.5.")
        if not found:
            raise AuditorError(f"--way {text}: this run holds no circuit {name}.")
        rows.append((*found[0], way_m))
    frame = pl.DataFrame(rows, schema=WAY, orient="row")
    return frame.unique(["system_id", "circuit_id"], keep="last", maintain_order=True)


def _worked_out(con: Connection, place: Store, ids: list[str], cleared: list[str], ways: pl.DataFrame) -> Candidates:
    from auditor.trips import Tables  # It is slow to load.

    wanted = [*ids, *cleared]
    rows = con.execute("SELECT system_id FROM system_result WHERE system_id IN (SELECT unnest(?::VARCHAR[]))", [wanted])
    known = {row[0] for row in rows.fetchall()}
    for system in wanted:
        if system not in known:
            raise AuditorError(f"{system}: this run holds no such system.")
    called = safety_calls(con)
    for system in cleared:
        if system in called:
            raise AuditorError(
                f"{system}: a safety call stands open (complaint {called[system]}), so it is not cleared. See: auditor"
                f" triage {called[system]}"
            )
    with show.progress("Working remedies out") as advance:
        tables = Tables(place.root / "tables", advance.table_made)
        return work_out_all(con, sorted(set(ids)), tables=tables, cleared=cleared, ways=ways, progress=advance)


def _change(row: dict[str, Any], before: str, after: str, digits: int, unit: str) -> str:
    """A figure before and after; what is not known is a question mark, and nothing where nothing is laid out."""
    if row["effort"] is None:
        return ""
    one, other = ("?" if row[name] is None else f"{row[name]:.{digits}f}" for name in (before, after))
    return f"{one} > {other}{unit}" if one != other or one == "?" else f"{one}{unit}"


def _money(row: dict[str, object]) -> str:
    cost, lacking = row["cost"], row["not_priced"]
    if cost is None:
        return "" if lacking is None else f"no price of {lacking}"
    return f"{cost:,.0f} {row['currency']}" + (" and more" if lacking else "")


def _candidates(rows: pl.DataFrame) -> Table:
    table = Table(box=None, pad_edge=False, title_justify="left")
    for name in ("", "what", "rise", "trip-days", "effort", "cost", ""):
        table.add_column(name, overflow="fold")
    for row in rows.iter_rows(named=True):
        ties = f", one of {row['ties']} equal" if (row["ties"] or 1) > 1 else ""
        said = f"{row['choice']}{ties}" if row["choice"] else row["why_not"] or _standing(row)
        more = "".join(f"; {row[name]}" for name in ("new_way", "trips_unknown") if row[name])
        table.add_row(
            str(row["candidate"]), show.safe(row["done"] + more),
            _change(row, "rise_before_pct", "rise_after_pct", 2, " %"),
            _change(row, "trip_days_before", "trip_days_after", 1, ""), row["effort"], _money(row), said,
        )  # fmt: skip
    return table


def _standing(row: dict[str, object]) -> str:
    """What a candidate that was not chosen leaves."""
    if row["still_fails"]:
        return f"still fails: {row['still_fails']}"
    along = " along the cable; not known until the way is told" if row["meets_target"] is None else ""
    return f"meets every check that failed{along}" if row["mends"] else ""


def _of_systems(table: pl.DataFrame, ids: list[str]) -> None:
    for system in ids:
        rows = table.filter(pl.col("system_id") == system)
        if not rows.height:
            show.plain(f"{show.safe(system)}: nothing to mend that wiring, panel, settings or supply would.")
            continue
        target = rows["rise_target_pct"][0]
        show.plain(f"{show.safe(system)} (rise target {target:g} %):")
        show.tabular(_candidates(rows))
        for sentence in rows.filter(pl.col("choice").is_not_null())["verify_first"].unique(maintain_order=True):
            show.plain(f"  Verify first: {sentence}")


def _summary(table: pl.DataFrame, place: Store) -> None:
    table = table.filter(pl.col("effort").is_not_null())  # the others say why there is none
    systems = table["system_id"].n_unique()
    chosen = table.filter(pl.col("choice").is_not_null())
    show.plain(
        f"{show.counted(table.height, 'candidate')} for {show.counted(systems, 'system')};"
        f" {show.counted(chosen['system_id'].n_unique(), 'system')} would be helped by one of them."
    )
    each = chosen.group_by("remedy").agg(pl.col("system_id").n_unique().alias("n")).sort("n", "remedy", descending=True)
    for remedy, count in each.iter_rows():
        show.plain(f"  {count:6,}  {remedy}")
    show.plain(f"What to mend first: auditor mend --all --budget AMOUNT, or --crew-days DAYS{at_store(place.root)}")


def _plan(table: pl.DataFrame, budget: float | None, crew_days: float | None) -> pl.DataFrame:
    from auditor.remedies.plan import Spent, curve, eligible, plan  # The solver is slow to load.

    spent: Spent = "cost" if budget is not None else "crew_days"
    amount = budget if budget is not None else crew_days
    assert amount is not None
    frame = eligible(table, spent)
    if not frame.height:
        raise AuditorError("No candidate has a price and removes trip-days, so there is nothing to plan. See --prices.")
    made = plan(frame, amount, spent)
    unknown = table.filter(pl.col("trips_unknown").is_not_null() & pl.col("proposed"))["system_id"].n_unique()
    if unknown:
        show.plain(f"Left out: {show.counted(unknown, 'system')} whose log the model does not explain.")
    unit = f" {frame['currency'][0]}" if budget is not None else " crew days"
    show.plain(
        f"{show.counted(made.chosen.height, 'system')} for {made.spent:,.2f}{unit} of {amount:,.2f}: {made.removed:.1f}"
        " expected trip-days a year fewer."
    )
    if made.at_most > made.removed * (1 + 1e-6):
        show.plain(f"  Not proved best in time: no plan removes more than {made.at_most:.1f}.")
    show.plain(f"{'budget' if budget is not None else 'crew days':>14}  {'systems':>8}  trip-days fewer")
    for step in curve(frame, spent).iter_rows(named=True):
        show.plain(f"{step['budget']:14,.1f}  {step['systems']:8,}  {step['removed']:10,.1f}")
    return made.chosen
