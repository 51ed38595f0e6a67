"""The island office's jobs: a foreign export with semicolons, decimal commas and days first, and a line of totals.

It states the total rise that the design's own papers give, and holds the values that can hardly be meant.
"""

from __future__ import annotations

import datetime
from pathlib import Path

from sample_portfolio.book import entry
from sample_portfolio.company import INSTALLER, QUENNA
from sample_portfolio.plan import Circuit, System
from sample_portfolio.writing import flat, write_csv

TITLE = f"Jobs of the {QUENNA.office} office - {INSTALLER} (invented)"
#: The export's headers by canonical column; what is not here is the same for all jobs, or it does not hold it.
HEADER = {
    "system_id": "Order",
    "circuit_id": "Group",
    "site_label": "Place",
    "utility": "Network",
    "distribution_feeder_id": "Network line",
    "latitude_deg": "Deg N",
    "longitude_deg": "Deg E",
    "designer": "Planner",
    "crew": "Team",
    "contact": "Ask",
    "design_date": "Planned",
    "permit_date": "Granted",
    "energized_date": "Live",
    "installation_code": "Rules",
    "code_edition": "Rules of",
    "service": "Supply",
    "grid_profile": "Country set",
    "power_factor": "cos phi",
    "power_factor_mode": "VAr",
    "transformer_kva": "Tx kVA",
    "customers_on_transformer": "Tx homes",
    "inverter_model": "Micro",
    "inverter_count": "Micros",
    "trunk_model": "Bus cable",
    "orientation": "Panel stands",
    "feed": "Fed at",
    "arm_counts": "Legs",
    "breaker_a": "MCB A",
    "circuit_phases": "Lines",
    "combiner_id": "Board",
    "home_run_length_m": "To board m",
    "home_run_size": "To board",
    "feeder_length_m": "Board to main m",
    "feeder_size": "Board to main",
    "service_entrance_length_m": "Main to meter m",
    "service_entrance_size": "Main to meter",
    "ambient_c": "Hot C",
    "raceway_conductors": "Cores in duct",
    "module_model": "Panel",
    "module_count": "Panels",
    "tilt_deg": "Slope",
    "azimuth_deg": "Faces",
    "low_design_temp_c": "Cold C",
    "stated_rise_pct": "Rise plan %",
}
CODES = {
    "installation_code": {"A3K": "AS/NZS 3000", "I364": "IEC 60364"},
    "service": {"1L": "230", "3L": "400Y/230"},
    "orientation": {"up": "portrait", "across": "landscape"},
    "feed": {"tip": "end", "mid": "centre", "legs": "arms"},
    "power_factor_mode": {"in": "absorbs", "out": "injects"},
}
CONSTANTS = {"region": QUENNA.region, "office": QUENNA.office}
CONSTANTS |= dict.fromkeys(("home_run_material", "feeder_material", "service_entrance_material"), "copper")
LAST_COLUMN = "Remark"
#: What this office calls a slope of so many degrees or less.
FLAT_DEG = 5.0
FLAT = "flat"


def cell(name: str, value: str) -> str:
    """Return a canonical cell as the export writes it."""
    if not value:
        return "-" if name in ("combiner_id", "power_factor", "arm_counts") else ""
    if name.endswith("_date"):
        return f"{datetime.date.fromisoformat(value):%d.%m.%Y}"
    if name.endswith("_size"):
        return value.replace("mm2", "mm²")
    if name == "tilt_deg" and float(value) <= FLAT_DEG:
        return FLAT
    codes = {meaning: code for code, meaning in CODES.get(name, {}).items()}
    if value in codes:
        return codes[value]
    try:
        float(value)
    except ValueError:
        return value
    return value.replace(".", ",")


def row_of(system: System, circuit: Circuit, otherwise: dict[str, str]) -> list[str]:
    """Return a circuit's row in the export's order, with what it says otherwise."""
    row = flat(system, circuit) | otherwise
    return [cell(name, row.get(name, "")) for name in HEADER] + [""]


def system_rows(system: System) -> list[list[str]]:
    """Return a system's rows; a circuit that is told twice has its second row after the others."""
    first = [row_of(system, circuit, {}) for circuit in system.circuits]
    return first + [row_of(system, circuit, circuit.again) for circuit in system.circuits if circuit.again]


def totals(rows: list[list[str]]) -> list[str]:
    """Return the row at the foot, which sums up the units and the modules."""
    names = list(HEADER)
    foot = [""] * (len(names) + 1)
    foot[0] = "Total"
    for name in ("inverter_count", "module_count"):
        place = names.index(name)
        foot[place] = str(sum(int(row[place]) for row in rows))
    return foot


def write_island(folder: Path, systems: list[System], good: System, refused_id: str) -> list[str]:
    """Write the export, with a bad row and its totals, and its mapping; return its line of expected_import.csv."""
    header = [*HEADER.values(), LAST_COLUMN]
    rows = [row for system in systems for row in system_rows(system)]
    foot = totals(rows)
    bad = row_of(good, good.circuits[0], {"system_id": refused_id})
    bad[header.index("Micros")] = "a dozen"
    lines = [[TITLE], header, *rows, bad, foot]
    write_csv(folder / "island_jobs.csv", lines, delimiter=";")
    write_mapping(folder / "island_jobs_mapping.toml")
    last, slope = len(lines), header.index("Slope")
    told = f"{last - 1}:Micros:type-error; {last}:Order:totals-row"
    # A row that is refused anyway has nothing that counts as missing.
    warned = [f"{at}:Slope:type-error" for at, row in enumerate(rows, 3) if row[slope] == FLAT]
    return ["island_jobs.csv", str(len(rows) + 2), str(len(rows)), "2", "0", told, "", "; ".join(warned)]


def write_mapping(path: Path) -> None:
    """Write the mapping of the export."""
    more = {"tilt_deg": ['on_error = "missing"']}
    lines = [
        f"# How the jobs of the {QUENNA.office} office become records. Invented, like the jobs.",
        "[file]",
        f'name = "Jobs of the {QUENNA.office} office"',
        "header_row = 2",
        'delimiter = ";"',
        'decimal_mark = ","',
        'date_order = "day-month-year"',
        'missing = ["", "-"]',
        'lengths = "one-way"',
        "",
        "[columns]",
        *(entry(name, header, CODES, *more.get(name, [])) for name, header in HEADER.items()),
        "",
        "[constants]",
        *(f'{name} = "{value}"' for name, value in CONSTANTS.items()),
        "",
        "[ignore]",
        f'columns = ["{LAST_COLUMN}"]',
        "",
    ]
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")
