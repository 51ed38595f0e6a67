"""What a sheet holds: for the utility what its staff ask for before they touch a tap or a service, for a crew what to
measure where. Both state what is assumed, and the run they rest on.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import polars as pl

from auditor.cautions import CAUTION, WORK_CAUTIONS
from auditor.one_system import Case, load
from auditor.one_system.path import path
from auditor.reports.complaints import Complaint, open_complaints, percent
from auditor.sheets import drawn
from auditor.sheets.blocks import Block, Bullets, Heading, Sheet, Table, Text
from auditor.sheets.measured import log, readings, to_measure
from auditor.sheets.words import NOTHING, figure, held, joined, shown
from auditor.store.decisions import Decision
from auditor.store.records_db import Connection

Audience = Literal["utility", "crew"]
AUDIENCES: tuple[Audience, ...] = ("utility", "crew")
HASH_CHARACTERS = 16
#: A part's rise in volts and in percent of nominal.
_RISES = ("design_v", "design_pct")
#: A voltage at fewer places shows no rise.
FEWEST_PLACES = 2
#: What a utility asks for and no record holds; to be written in by hand.
BY_HAND = ("address", "meter number", "the utility's case number", "calibration of the instrument", "photographs")


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
        *_addressee(complaints), *_answers(complaints, steps=False),
        Heading("Site"), _facts(case),
        *readings(con, case),
        *log(con, case),
        Heading("Settings"), *_settings(case),
        Heading("Voltage rise by part"), *_parts(case),
        *drawn.profile(case),
        Heading("To write in before it is sent"), Table(("fact", ""), tuple((fact, "") for fact in BY_HAND)),
        *_assumed(con, case, complaints),
        Heading("Cautions"), Text(CAUTION), Bullets(WORK_CAUTIONS[:2]),
    ]  # fmt: skip


def _addressee(complaints: list[Complaint]) -> list[Block]:
    """Where all that is known is behind the meter, the utility is the wrong one to ask."""
    if not complaints or any(one.reader == "utility" for one in complaints):
        return []
    return [Text("What is suspected lies behind the meter: a licensed electrician is called, not the utility.", True)]


def _crew(con: Connection, case: Case, complaints: list[Complaint]) -> list[Block]:
    """A safety call comes first, and leaves out what would be measured or compared."""
    cautions: list[Block] = [Heading("Before anything else"), Bullets(WORK_CAUTIONS)]
    if any(one.state == "stop" for one in complaints):
        blocks = [*_answers(complaints), *cautions]
    else:
        blocks = [*cautions, *_answers(complaints), *to_measure(case, complaints)]
        blocks += [Heading("What the model expects"), *_expected(case), *drawn.profile(case)]
    blocks += [Heading("The path as recorded"), _path(case), *readings(con, case)]
    blocks += [Heading("Settings"), *_settings(case), *_assumed(con, case, complaints), Text(CAUTION)]
    return blocks


def _answers(complaints: list[Complaint], steps: bool = True) -> list[Block]:
    """What was decided on each complaint and what it rests on; a call says what to do, whoever reads it."""
    blocks: list[Block] = []
    for one in complaints:
        sure = f" ({percent(one.chance)} likely)" if one.state == "decided" and one.chance is not None else ""
        blocks.append(Heading(f"Complaint {one.complaint_id} of {one.opened:%Y-%m-%d}"))
        if one.text:
            blocks.append(Text(f"The customer says: {one.text}"))
        step = f" {one.next_step}" if steps or one.state == "stop" else ""
        told = "Cause: cannot be told from what is known" if one.state == "cannot tell" else f"Cause: {one.answer}"
        told = f"{one.answer[:1].upper()}{one.answer[1:]}" if one.state == "stop" else told
        blocks.append(Text(f"{told}{sure}.{step}", one.state == "stop"))
        said = [alarm["sentence"] for alarm in one.told.get("alarms", ())]
        said += one.told.get("evidence", ())
        said += [one.told["proof"]["sentence"]] if one.told.get("proof") else []
        if said:
            blocks.append(Bullets(tuple(said)))
        if one.told.get("counted"):
            blocks.append(Text(one.told["counted"]))
    return blocks


def _facts(case: Case) -> Table:
    record = case.records.system.row(0, named=True)
    result = case.results.system.row(0, named=True)
    kva = f"{record['transformer_kva']:g} kVA" if record["transformer_kva"] is not None else None
    rows = (
        ("utility, distribution feeder", joined(record["utility"], record["distribution_feeder_id"])),
        ("service", joined(record["service"], kva)),
        ("customers on the transformer", shown(record["customers_on_transformer"])),
        ("latitude, longitude", joined(shown(record["latitude_deg"]), shown(record["longitude_deg"]))),
        ("units, rated output", joined(shown(result["units"]), figure(result["solar_kva"], "kVA", 2))),
        ("energized", shown(record["energized_date"])),
        ("contact", shown(record["contact"])),
    )
    return Table(("fact", "as recorded"), rows)


def _settings(case: Case) -> list[Block]:
    """The recorded profile's thresholds, what the utility requires, and units with another profile."""
    grids = [g for g in case.top_profile.grids.values() if g is not None]
    record = case.records.system.row(0, named=True)
    required = case.policy.triage.required(record["utility"])
    blocks: list[Block] = [Text(f"The utility requires {required}.")] if required else []
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
        blocks.append(Table(("threshold", "kind", "level", "clears within", "the level is known"), rows, (2, 3)))
    others = case.records.unit.filter(pl.col("grid_profile").is_not_null())
    if others.height:
        told = tuple(
            f"circuit {row['circuit_id']}, place {shown(row['position'])}: {row['grid_profile']}"
            for row in others.iter_rows(named=True)
        )
        blocks += [Text("Units recorded with a profile of their own:"), Bullets(told)]
    return blocks


def _parts(case: Case) -> list[Block]:
    """Rise of each part by circuit, and the tables that the conductors' resistances come from."""
    parts = case.top_profile.parts
    if not parts.height:
        return [Text("No part of the rise is known.")]
    rows: list[tuple[str, ...]] = []
    targets = dict(case.results.circuit.select("circuit_id", "rise_target_pct").iter_rows())
    for (circuit_id,), mine in parts.group_by("circuit_id", maintain_order=True):
        for row in mine.iter_rows(named=True):
            counts = "yes" if row["counted"] else "no"
            figures = figure(row["design_v"], "V", 2), figure(row["design_pct"], "%", 2)
            rows.append((circuit_id, row["part"], *figures, counts))
        against = NOTHING if targets.get(circuit_id) is None else f"target {targets[circuit_id]:g} %"
        counted = mine.filter("counted")
        total = [None if counted[name].null_count() else float(counted[name].sum()) for name in _RISES]
        figures = figure(total[0], "V", 2), figure(total[1], "%", 2)
        rows.append((circuit_id, "sum of what counts", *figures, against))
    head = ("circuit", "part", "rise", "of nominal", "counts for the target")
    return [Table(head, tuple(rows), (2, 3)), _sources(case)]


def _sources(case: Case) -> Text:
    """The tables of the conductors' resistances, with edition and how they are known."""
    used = set(case.records.run.select("size", "material").iter_rows())
    tables = {
        (row.table, row.edition, row.material, row.mark)
        for row in case.catalog.conductor
        if (row.size, row.material) in used
    }
    told = "; ".join(f"{table}, {edition}, {material} ({mark})" for table, edition, material, mark in sorted(tables))
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
    if last["place"].n_unique() < FEWEST_PLACES:
        return [Text("The voltages along the path are not known.")]
    wide = last.pivot("place", index="circuit_id", values="operating_v", maintain_order=True)
    places = [name for name in wide.columns if name != "circuit_id"]
    rows = tuple(
        (row["circuit_id"], *(figure(row[place], "V", 1) for place in places)) for row in wide.iter_rows(named=True)
    )
    supply = case.top_profile.supply_v
    text = (
        f"With {supply:.1f} V at the service and rated output, exactly solved. What counts is the difference between"
        " two places; at half the output half of it is expected."
    )
    return [Text(text), Table(("circuit", *places), rows, tuple(range(1, len(places) + 1)))]


def _assumed(con: Connection, case: Case, complaints: list[Complaint]) -> list[Block]:
    """Everything that was assumed, by what rests on it, and what is missing."""
    row = held(con, "system_result", case.system_id, "system_id").row(0, named=True)
    names = con.execute(
        "SELECT DISTINCT unnest(string_split(fact_names(assumed_bits), ', ')) AS name FROM circuit_result"
        " WHERE system_id = ? ORDER BY name",
        [case.system_id],
    ).fetchall()
    causes = dict.fromkeys(text for one in complaints for text in one.told.get("assumed", ()))
    trips = dict.fromkeys(text for text in (row.get("trip_assumed") or "").split("; ") if text)
    about = {
        "For the cause": [text for text in causes if text not in trips],
        "For the trips": list(trips),
        "For the wiring": [name for (name,) in names if name],
    }
    told = tuple(f"{what}: {', '.join(texts)}." for what, texts in about.items() if texts)
    missing = f"Missing for the likelihood of trips: {row['trip_missing']}." if row.get("trip_missing") else ""
    blocks: list[Block] = [Heading("Assumed"), Bullets(told) if told else Text("Nothing.")]
    return [*blocks, Text(missing)] if missing else blocks
