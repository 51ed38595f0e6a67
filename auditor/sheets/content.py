"""What a sheet holds: for the utility what its staff ask for before they touch a tap or a service, for a crew what to
measure where. Both state what is assumed, and the run they rest on.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal

import duckdb
import polars as pl

from auditor.cautions import CAUTION, WORK_CAUTIONS
from auditor.one_system import Case, load
from auditor.one_system.path import path
from auditor.reports.complaints import Complaint, open_complaints, percent
from auditor.sheets import drawn
from auditor.sheets.blocks import Block, Bullets, Heading, Sheet, Table, Text
from auditor.store.decisions import Decision
from auditor.store.records_db import Connection

Audience = Literal["utility", "crew"]
AUDIENCES: tuple[Audience, ...] = ("utility", "crew")
NOTHING = "–"
HASH_CHARACTERS = 16
#: What a crew reads, in this order, with one meter: place, solar, legs.
ROUND = (
    ("main panel", "off", "L1-N, L2-N, L1-L2"),
    ("main panel", "on, near full output", "L1-N, L2-N, L1-L2"),
    ("combiner or junction box", "on", "across the circuit"),
    ("first unit of the circuit", "on", "across its terminals"),
    ("last unit of the circuit", "on", "across its terminals"),
)


def sheet(con: Connection, decisions: Iterable[Decision], system_id: str, audience: Audience) -> Sheet:
    """The sheet of one system; NoSuchSystemError where the snapshot has none of that id."""
    case = load(con, system_id)
    mine = _complaints(con, decisions, system_id)
    made = _utility if audience == "utility" else _crew
    about = con.execute("SELECT run, as_of, content_hash, catalog_hash, policy_hash, code_hash FROM audit").fetchall()[
        0
    ]
    hashes = zip(("results", "catalog", "policy", "code"), about[2:], strict=True)
    foot = f"Run {about[0]} as of {about[1]}; " + ", ".join(f"{name} {h[:HASH_CHARACTERS]}" for name, h in hashes) + "."
    record = case.records.system.row(0, named=True)
    title = f"System {system_id}" + (f", {record['site_label']}" if record["site_label"] else "")
    told = "Evidence for the utility" if audience == "utility" else "Work sheet for the crew"
    return Sheet(title, told, tuple(made(con, case, mine)), foot)


def _complaints(con: Connection, decisions: Iterable[Decision], system_id: str) -> list[Complaint]:
    return [one for one in open_complaints(con, decisions) if one.system_id == system_id]


def _utility(con: Connection, case: Case, complaints: list[Complaint]) -> list[Block]:
    return [
        *_answers(complaints, steps=False),
        Heading("Site"), _facts(case),
        *_readings(con, case),
        *_log(con, case),
        Heading("Settings"), *_settings(case),
        Heading("Voltage rise by part"), *_parts(case),
        *drawn.profile(case),
        *_assumed(con, case),
        Heading("Cautions"), Text(CAUTION), Bullets(WORK_CAUTIONS[:2]),
    ]  # fmt: skip


def _crew(con: Connection, case: Case, complaints: list[Complaint]) -> list[Block]:
    stop = any(one.state == "stop" for one in complaints)
    blocks: list[Block] = [Heading("Before anything else"), Bullets(WORK_CAUTIONS), *_answers(complaints)]
    if not stop:
        blocks += [Heading("What to measure"), *_round(complaints)]
    blocks += [Heading("What the model expects"), *_expected(case), *drawn.profile(case)]
    blocks += [Heading("The path as recorded"), _path(case), *_readings(con, case)]
    blocks += [Heading("Settings"), *_settings(case), *_assumed(con, case), Text(CAUTION)]
    return blocks


def _answers(complaints: list[Complaint], steps: bool = True) -> list[Block]:
    """What was decided on each complaint and what it rests on; a call says what to do, whoever reads it."""
    blocks: list[Block] = []
    for one in complaints:
        sure = f" ({percent(one.chance)} sure)" if one.state == "decided" and one.chance is not None else ""
        blocks.append(Heading(f"Complaint {one.complaint_id} of {one.opened:%Y-%m-%d}"))
        if one.text:
            blocks.append(Text(f"The customer says: {one.text}"))
        step = f" {one.next_step}" if steps or one.state == "stop" else ""
        blocks.append(Text(f"{one.answer[:1].upper()}{one.answer[1:]}{sure}.{step}", one.state == "stop"))
        said = [alarm["sentence"] for alarm in one.told.get("alarms", ())]
        said += one.told.get("evidence", ())
        said += [one.told["proof"]["sentence"]] if one.told.get("proof") else []
        if said:
            blocks.append(Bullets(tuple(said)))
    return blocks


def _round(complaints: list[Complaint]) -> list[Block]:
    looks = tuple(look["sentence"] for one in complaints for look in one.told.get("looks", ())[:2])
    blocks: list[Block] = [Text("With one meter, near noon of a clear day; write down time, output and instrument.")]
    if looks:
        blocks += [Text("First, since it would settle most:"), Bullets(tuple(dict.fromkeys(looks)))]
    rows = tuple((*row, "", "", "") for row in ROUND)
    return [*blocks, Table(("where", "solar", "across", "V read", "kW", "time"), rows)]


def _facts(case: Case) -> Table:
    record = case.records.system.row(0, named=True)
    result = case.results.system.row(0, named=True)
    kva = f"{record['transformer_kva']:g} kVA" if record["transformer_kva"] is not None else None
    rows = (
        ("utility, distribution feeder", _joined(record["utility"], record["distribution_feeder_id"])),
        ("service", _joined(record["service"], kva)),
        ("customers on the transformer", _shown(record["customers_on_transformer"])),
        ("latitude, longitude", _joined(_shown(record["latitude_deg"]), _shown(record["longitude_deg"]))),
        ("units, rated output", _joined(_shown(result["units"]), _figure(result["solar_kva"], "kVA", 2))),
        ("energized", _shown(record["energized_date"])),
        ("contact", _shown(record["contact"])),
    )
    return Table(("fact", "as recorded"), rows)


def _shown(value: Any) -> str:
    return NOTHING if value is None else str(value)


def _joined(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part and part != NOTHING) or NOTHING


def _figure(value: float | None, unit: str, decimals: int) -> str:
    return NOTHING if value is None else f"{value:,.{decimals}f} {unit}"


def _frame(con: Connection, table: str, system_id: str, order: str) -> pl.DataFrame:
    """Rows of a table that a run made before there was evidence may lack."""
    try:
        found = con.sql(f"FROM {table} WHERE system_id = ? ORDER BY {order}", params=[system_id])
    except duckdb.CatalogException:
        return pl.DataFrame()
    return pl.DataFrame(found.to_arrow_table())


def _readings(con: Connection, case: Case) -> list[Block]:
    """What was read, by place and instrument: shares over each limit and the worst hour, and the week around it."""
    rows = _frame(con, "reading_summary", case.system_id, "ALL")
    blocks: list[Block] = [Heading("Voltages that were read")]
    if not rows.height:
        return [*blocks, Text("The run holds no readings for a complaint about this system.")]
    table = tuple(
        (
            _joined(row["place"], row["circuit_id"], row["unit"], row["leg"]), row["instrument"] or NOTHING,
            f"{row['readings']:,}", f"{row['first']:%Y-%m-%d} to {row['last']:%Y-%m-%d}", f"{row['mean_v']:.1f}",
            f"{row['max_v']:.1f}", _share(row["over_top_pct"]), _share(row["over_threshold_pct"]),
            f"{row['worst_hour']:%Y-%m-%d %H}h: {row['worst_hour_v']:.1f}",
        )
        for row in rows.iter_rows(named=True)
    )  # fmt: skip
    head = ("place", "instrument", "readings", "from, to (UTC)", "mean V", "highest V", "% over range", "% over trip",
            "worst hour, UTC: V")  # fmt: skip
    hours = _frame(con, "reading_hour", case.system_id, "place, circuit_id, leg, hour")
    return [*blocks, Table(head, table, (2, 4, 5, 6, 7)), *drawn.hours(hours, case)]


def _share(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.1f}"


def _log(con: Connection, case: Case) -> list[Block]:
    rows = _frame(con, "observed", case.system_id, "month")
    if not rows.height:
        return []
    table = tuple(
        (f"{row['month']}", f"{row['logged_days']:.0f}", str(row["trip_days"]), str(row["trips"]), str(row["episodes"]))
        for row in rows.iter_rows(named=True)
    )
    head = ("month of the year", "days in the log", "days with a trip", "trips", "episodes")
    return [Heading("Overvoltage trips in the log"), Table(head, table, (1, 2, 3, 4))]


def _settings(case: Case) -> list[Block]:
    """The recorded profile's thresholds, and units with another one."""
    grids = [g for g in case.top_profile.grids.values() if g is not None]
    record = case.records.system.row(0, named=True)
    blocks: list[Block] = []
    if not grids or grids[0].profile is None:
        blocks.append(
            Text(f"Grid profile as recorded: {record['grid_profile'] or 'none'}; its thresholds are not known.")
        )
    else:
        rows = tuple(
            (level.name, level.kind, f"{level.level_v:.1f} V", f"{level.clearing_s:g} s", level.mark)
            for level in grids[0].levels
        )
        blocks.append(
            Text(f"Grid profile as recorded: {grids[0].profile}. What the units really hold must be read out.")
        )
        blocks.append(Table(("threshold", "kind", "level", "clears within", "level confirmed"), rows, (2, 3)))
    others = case.records.unit.filter(pl.col("grid_profile").is_not_null())
    if others.height:
        told = tuple(
            f"circuit {row['circuit_id']}, place {_shown(row['position'])}: {row['grid_profile']}"
            for row in others.iter_rows(named=True)
        )
        blocks += [Text("Units recorded with a profile of their own:"), Bullets(told)]
    return blocks


def _parts(case: Case) -> list[Block]:
    """Rise of each part by circuit, and the tables that the conductors' resistances come from."""
    parts = case.top_profile.parts
    if not parts.height:
        return [Text("No part of the rise is known.")]
    rows = tuple(
        (row["circuit_id"], row["part"], _figure(row["design_v"], "V", 2), _figure(row["design_pct"], "%", 2),
         "yes" if row["counted"] else "no")
        for row in parts.iter_rows(named=True)
    )  # fmt: skip
    head = ("circuit", "part", "rise", "of nominal", "counts for the target")
    return [Table(head, rows, (2, 3)), _sources(case)]


def _sources(case: Case) -> Text:
    used = case.records.run.select("size", "material").unique()
    tables = case.frames["conductor"].join(used, on=["size", "material"], how="semi").select("table", "source").unique()
    told = "; ".join(f"{table} ({source})" for table, source in tables.sort("table", "source").rows())
    temp_c = case.policy.rise.conductor_temp_c
    return Text(
        f"At rated output, design practice: rated current, nominal voltage, conductors at {temp_c:g} °C. Resistances: "
        + (told or "no conductor of this system is in the tables")
        + "."
    )


def _path(case: Case) -> Table:
    rows = tuple((part.name, "; ".join(part.lines)) for part in path(case).all_parts())
    return Table(("part", "as recorded"), rows)


def _expected(case: Case) -> list[Block]:
    """The voltages that the exact solution gives at each place with the supply at the top of its range."""
    points = case.top_profile.points.filter(pl.col("on_path") & pl.col("operating_v").is_not_null())
    last = points.group_by("circuit_id", "place", maintain_order=True).agg(pl.col("operating_v").last())
    if not last.height:
        return [Text("The voltages along the path are not known.")]
    wide = last.pivot("place", index="circuit_id", values="operating_v", maintain_order=True)
    places = [name for name in wide.columns if name != "circuit_id"]
    rows = tuple(
        (row["circuit_id"], *(_figure(row[place], "V", 1) for place in places)) for row in wide.iter_rows(named=True)
    )
    supply = case.top_profile.supply_v
    text = f"With {supply:.1f} V at the service and rated output, exactly solved; what counts is the difference."
    return [Text(text), Table(("circuit", *places), rows, tuple(range(1, len(places) + 1)))]


def _assumed(con: Connection, case: Case) -> list[Block]:
    """Everything that was assumed, and what is missing."""
    row = _frame(con, "system_result", case.system_id, "system_id").row(0, named=True)
    told = [f"trips: {text}" for text in (row.get("trip_assumed") or "").split("; ") if text]
    names = con.execute(
        "SELECT DISTINCT unnest(string_split(fact_names(assumed_bits), '; ')) AS name FROM circuit_result"
        " WHERE system_id = ? ORDER BY name",
        [case.system_id],
    ).fetchall()
    told += [f"wiring: {name}" for (name,) in names if name]
    missing = f"Missing for the likelihood of trips: {row['trip_missing']}." if row.get("trip_missing") else ""
    blocks: list[Block] = [Heading("Assumed"), Bullets(tuple(told) or ("nothing",))]
    return [*blocks, Text(missing)] if missing else blocks
