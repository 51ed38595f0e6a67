"""Writes the sample's files as people deliver them: a tidy CSV, a foreign export with its mapping, nested JSON."""

from __future__ import annotations

import csv
import datetime
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from sample_portfolio.company import INSTALLER
from sample_portfolio.plan import Circuit, Run, System

_TIDY = """
system_id circuit_id site_label region utility designer design_date energized_date latitude_deg longitude_deg service
inverter_model inverter_count trunk_model orientation feed arm_counts breaker_a home_run_length_m home_run_size
home_run_material home_run_raceway feeder_length_m feeder_size feeder_material busbar_a main_breaker_a transformer_kva
service_drop_length_m service_drop_size service_drop_material module_model module_count tilt_deg azimuth_deg
grid_profile circuit_phases office crew distribution_feeder_id power_factor power_factor_mode customers_on_transformer
ambient_c raceway_conductors low_design_temp_c combiner_id first_section_m service_entrance_length_m
service_entrance_size service_entrance_material installation_code code_edition permit_date connection_side
backfeed_position contact busbar_breakers_a other_sources_a
"""
TIDY_HEADER = _TIDY.split()
#: The foreign export's headers by canonical column; what is not here it does not hold.
FIELD_HEADER = {
    "system_id": "Job No",
    "circuit_id": "Ckt",
    "site_label": "Site",
    "region": "Territory",
    "utility": "Util",
    "designer": "Drawn By",
    "design_date": "Dwg Date",
    "permit_date": "Permit",
    "energized_date": "PTO",
    "latitude_deg": "Lat",
    "longitude_deg": "Long",
    "service": "Svc",
    "inverter_model": "Inv",
    "inverter_count": "Qty",
    "trunk_model": "Trunk",
    "orientation": "P/L",
    "feed": "Feed Pt",
    "arm_counts": "Arms",
    "breaker_a": "OCPD",
    "home_run_length_m": "HR Run (there+back, ft)",
    "home_run_size": "HR Wire",
    "home_run_material": "HR Cu/Al",
    "home_run_raceway": "HR Pipe",
    "feeder_length_m": "Fdr ft",
    "feeder_size": "Fdr Wire",
    "feeder_material": "Fdr Cu/Al",
    "service_entrance_length_m": "SE ft",
    "service_entrance_size": "SE Wire",
    "service_entrance_material": "SE Cu/Al",
    "busbar_a": "Bus",
    "main_breaker_a": "Main",
    "connection_side": "Tie",
    "backfeed_position": "BF Pos",
    "busbar_breakers_a": "Sum Bkrs",
    "other_sources_a": "Other Src",
    "transformer_kva": "Xfmr kVA",
    "customers_on_transformer": "Cust on Xfmr",
    "module_model": "Mod",
    "module_count": "Mod Qty",
    "tilt_deg": "Tilt",
    "azimuth_deg": "Az",
    "grid_profile": "Profile",
    "circuit_phases": "Ph",
    "office": "Ofc",
    "crew": "Crew",
    "distribution_feeder_id": "Dist Fdr",
    "power_factor": "PF",
    "power_factor_mode": "PF Mode",
    "ambient_c": "Amb C",
    "raceway_conductors": "CCC",
    "low_design_temp_c": "Low C",
    "combiner_id": "Panel",
    "code_edition": "NEC Yr",
    "contact": "Desk",
}
FIELD_CODES = {
    "service": {"1PH": "120/240", "3PH-208": "208Y/120", "3PH-480": "480Y/277"},
    "orientation": {"P": "portrait", "L": "landscape"},
    "feed": {"E": "end", "C": "centre", "S": "arms"},
    "home_run_material": {"CU": "copper", "AL": "aluminium"},
    "feeder_material": {"CU": "copper", "AL": "aluminium"},
    "service_entrance_material": {"CU": "copper", "AL": "aluminium"},
    "home_run_raceway": {"EMT": "steel", "PVC": "pvc"},
    "connection_side": {"LS": "load", "SS": "supply"},
    "backfeed_position": {"OPP": "opposite end", "MAIN": "main end", "CTR": "centre-fed end", "OTH": "elsewhere"},
    "power_factor_mode": {"LAG": "absorbs", "LEAD": "injects"},
}
FIELD_FEET = ("feeder_length_m", "service_entrance_length_m")
FIELD_TITLE = ("Job cost export - wiring tab", f"{INSTALLER} (invented)")


def text(value: object) -> str:
    """Return a cell: empty for None, ISO dates, figures without a tail of zeros."""
    if value is None:
        return ""
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{round(value, 6):.10g}"
    return str(value)


def run_cells(role: str, run: Run) -> dict[str, str]:
    """Return the simple file's cells of a run."""
    return {f"{role}_length_m": text(run.length_m), f"{role}_size": run.size, f"{role}_material": run.material}


def flat(system: System, circuit: Circuit) -> dict[str, str]:
    """Return the simple file's row of a circuit, by canonical names, with what is shown in place of the truth."""
    row = {name: text(value) for name, value in system.facts.items()}
    row |= run_cells("home_run", circuit.home_runs[0]) | {"home_run_raceway": circuit.home_runs[0].raceway or ""}
    row |= run_cells("feeder", system.feeders[circuit.combiner_id][0])
    row |= run_cells("service_entrance", system.entrance)
    row |= {
        "system_id": system.system_id,
        "circuit_id": circuit.circuit_id,
        "service": system.service,
        "inverter_model": circuit.model,
        "inverter_count": text(circuit.count),
        "trunk_model": circuit.trunk,
        "orientation": circuit.orientation,
        "feed": circuit.feed,
        "arm_counts": "+".join(map(str, circuit.arm_counts)),
        "breaker_a": text(circuit.breaker_a),
        "circuit_phases": circuit.phases,
        "ambient_c": text(circuit.ambient_c),
        "raceway_conductors": text(circuit.raceway_conductors),
        "module_count": text(circuit.module_count),
        "combiner_id": circuit.combiner_id,
        "first_section_m": text(circuit.first_section_m),
        "stated_rise_pct": text(circuit.stated_pct),
    }
    return row | system.shown | circuit.shown


def write_csv(path: Path, rows: Iterable[Sequence[str]], delimiter: str = ",") -> None:
    """Write rows with LF ends."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=delimiter, lineterminator="\n").writerows(rows)


def tidy_row(row: dict[str, str]) -> list[str]:
    """Return a row's cells in the tidy file's order."""
    return [row.get(name, "") for name in TIDY_HEADER]


def us_date(iso: str) -> str:
    """Return 2019-03-08 as 3/8/2019."""
    year, month, day = iso.split("-")
    return f"{int(month)}/{int(day)}/{year}"


def field_cell(system: System, circuit: Circuit, name: str, value: str) -> str:
    """Return a canonical cell as the foreign export writes it."""
    if not value:
        return "n/a" if name in ("combiner_id", "power_factor") else ""
    if name.endswith("_date"):
        return us_date(value)
    if name.endswith("_size"):
        gauge = value.removesuffix(" AWG")
        return gauge if "/" in gauge else f"#{gauge}"
    if name == "home_run_length_m":
        return str(2 * (circuit.home_runs[0].feet or 0))
    if name == "feeder_length_m":
        return str(system.feeders[circuit.combiner_id][0].feet)
    if name == "service_entrance_length_m":
        return str(system.entrance.feet)
    return next((code for code, meaning in FIELD_CODES.get(name, {}).items() if meaning == value), value)


def field_row(system: System, circuit: Circuit) -> list[str]:
    """Return a row's cells in the foreign export's order, with a note at the end."""
    row = flat(system, circuit)
    return [field_cell(system, circuit, name, row.get(name, "")) for name in FIELD_HEADER] + ["as drawn"]


def write_mapping(path: Path) -> None:
    """Write the mapping of the foreign export."""
    lines = [
        "# How the job-cost export becomes records. Invented, like the export.",
        "[file]",
        'name = "Job cost export, wiring tab"',
        f"header_row = {len(FIELD_TITLE) + 1}",
        'date_order = "month-day-year"',
        'decimal_mark = "."',
        'missing = ["", "n/a", "-"]',
        'lengths = "one-way"',
        "",
        "[columns]",
    ]
    for name, header in FIELD_HEADER.items():
        parts = [f"column = {json.dumps(header)}"]
        if name == "home_run_length_m":
            parts += ['unit = "ft"', 'lengths = "round-trip"']
        if name in FIELD_FEET:
            parts.append('unit = "ft"')
        if name in FIELD_CODES:
            codes = ", ".join(f"{json.dumps(code)} = {json.dumps(value)}" for code, value in FIELD_CODES[name].items())
            parts.append(f"values = {{ {codes} }}")
        lines.append(f"{name} = {{ {', '.join(parts)} }}" if len(parts) > 1 else f"{name} = {json.dumps(header)}")
    lines += ["", "[constants]", 'installation_code = "NEC"', "", "[ignore]", 'columns = ["Notes"]', ""]
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")


def nested_run(role: str, run: Run, order: int, combiner: str | None = None) -> dict[str, object]:
    """Return a run of the nested file; lengths measured in feet are written in feet."""
    entry: dict[str, object] = {"role": role, "run_order": order}
    entry["length_m"] = run.length_m if run.feet is None else f"{run.feet} ft"
    entry |= {"size": run.size, "material": run.material}
    if combiner is not None:
        entry["combiner_id"] = combiner or None
    optional = {"raceway": run.raceway, "terminal_rating_c": run.terminal_c, "rated_a": run.rated_a}
    return entry | {name: value for name, value in optional.items() if value is not None}


def nested_circuit(circuit: Circuit) -> dict[str, object]:
    """Return a circuit of the nested file, without what it does not state."""
    entry: dict[str, object] = {
        "circuit_id": circuit.circuit_id,
        "trunk_model": circuit.trunk,
        "orientation": circuit.orientation,
        "feed": circuit.feed,
        "arm_counts": circuit.arm_counts,
        "first_section_m": circuit.first_section_m,
        "extra_trunk": [{"after_unit": after, "length_m": length_m} for after, length_m in circuit.extra_trunk],
        "breaker_a": circuit.breaker_a,
        "combiner_id": circuit.combiner_id,
        "circuit_phases": circuit.phases,
        "ambient_c": circuit.ambient_c,
        "raceway_conductors": circuit.raceway_conductors,
        "module_count": circuit.module_count,
    }
    entry = {name: value for name, value in entry.items() if value not in (None, "", [])}
    entry["units"] = [
        {"inverter_model": group.model, "inverter_count": group.count}
        | ({"position": group.position} if group.position else {})
        for group in circuit.units
    ]
    entry["runs"] = [nested_run("home run", run, order) for order, run in enumerate(circuit.home_runs, 1)]
    return entry


def nested_system(system: System) -> dict[str, object]:
    """Return a system of the nested file."""
    entry: dict[str, object] = {"system_id": system.system_id, "service": system.service}
    facts = {name: value for name, value in system.facts.items() if not name.startswith("service_drop")}
    entry |= {name: text(value) if isinstance(value, datetime.date) else value for name, value in facts.items()}
    drop = Run(system.number("service_drop_length_m"), system.text("service_drop_size"), "aluminium")
    runs = [nested_run("service drop", drop, 1), nested_run("service entrance", system.entrance, 1)]
    for name, feeders in system.feeders.items():
        runs += [nested_run("feeder", run, order, name) for order, run in enumerate(feeders, 1)]
    entry["runs"] = runs
    entry["circuits"] = [nested_circuit(circuit) for circuit in system.circuits]
    return entry


def write_nested(path: Path, systems: list[System]) -> None:
    """Write the nested file."""
    document = {"systems": [nested_system(system) for system in systems]}
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")
