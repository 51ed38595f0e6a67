"""The site book: a workbook of three sheets that belong together (jobs, circuits, runs), with faults of its own kind.

Job numbers are numbers shown with leading zeros on one sheet and texts on the others, dates are dates, the job's cell
is merged over its circuits, a row is hidden, and one cell stands alone at the very end of a sheet.
"""

from __future__ import annotations

import datetime
from pathlib import Path

from sample_portfolio.company import INSTALLER
from sample_portfolio.plan import Circuit, Run, System
from sample_portfolio.sheets import Cell, Formula, Padded, Sheet, Wrong, write_workbook
from sample_portfolio.writing import FIELD_CODES, FIELD_HEADER, field_cell, flat

_JOBS = """
system_id site_label region utility distribution_feeder_id latitude_deg longitude_deg designer office crew contact
design_date permit_date energized_date code_edition service grid_profile power_factor power_factor_mode transformer_kva
customers_on_transformer busbar_a main_breaker_a connection_side backfeed_position busbar_breakers_a other_sources_a
module_model tilt_deg azimuth_deg low_design_temp_c
"""
_CIRCUITS = """
system_id circuit_id inverter_model inverter_count trunk_model orientation feed arm_counts breaker_a combiner_id
circuit_phases ambient_c raceway_conductors module_count
"""
JOBS, CIRCUITS = _JOBS.split(), _CIRCUITS.split()
#: Headers of the runs by the columns of the run table.
RUNS = {
    "system_id": "Job No",
    "circuit_id": "Ckt",
    "combiner_id": "Panel",
    "role": "Kind",
    "length_m": "Length, ft",
    "size": "Wire",
    "material": "Cu/Al",
    "raceway": "Pipe",
    "terminal_rating_c": "Term C",
}
RUN_CODES = {
    "role": {"HR": "home run", "FDR": "feeder", "SE": "service entrance", "DROP": "service drop"},
    "material": {"CU": "copper", "AL": "aluminium"},
    "raceway": {"EMT": "steel", "PVC": "pvc"},
}
JOBS_TITLE = [["Site book", f"{INSTALLER} (invented)"], ["one row per job"], []]
TEXTS = ("system_id", "circuit_id", "distribution_feeder_id", "arm_counts", "combiner_id")
LAST_ROW = 1_048_576
#: (sheet, row, column, code) of a reject.
Told = tuple[str, int, str, str]


def cell_of(system: System, circuit: Circuit, name: str, value: str) -> Cell:
    """Return a canonical cell as the book holds it: a number where it is one, a date as a date."""
    if name.endswith("_date") and value:
        return datetime.date.fromisoformat(value)
    if name in TEXTS or not value:
        return value
    try:
        return int(value) if value.lstrip("-").isdigit() else float(value)
    except ValueError:
        return field_cell(system, circuit, name, value)


def job_row(system: System) -> list[Cell]:
    """Return a job's row."""
    circuit = system.circuits[0]
    row = flat(system, circuit) | system.shown
    cells: list[Cell] = [cell_of(system, circuit, name, row.get(name, "")) for name in JOBS]
    cells[0] = Padded(int(system.system_id))
    return cells


def circuit_row(system: System, circuit: Circuit) -> list[Cell]:
    """Return a circuit's row; its id is a number, as people type them."""
    row = flat(system, circuit)
    cells: list[Cell] = [cell_of(system, circuit, name, row.get(name, "")) for name in CIRCUITS]
    cells[1] = int(circuit.circuit_id)
    return cells


def run_row(system: System, circuit: Circuit | None, kind: str, run: Run, combiner: str, length: Cell) -> list[Cell]:
    """Return a run's row."""
    gauge = run.size.removesuffix(" AWG")
    pipe = {"steel": "EMT", "pvc": "PVC"}.get(run.raceway or "", "")
    return [
        system.system_id,
        int(circuit.circuit_id) if circuit else "",
        combiner,
        kind,
        length,
        gauge if "/" in gauge else f"#{gauge}",
        "CU" if run.material == "copper" else "AL",
        pipe,
        run.terminal_c,
    ]


def run_rows(system: System) -> list[list[Cell]]:
    """Return the rows of a system's runs, the first of each with what is shown in place of the truth."""
    drop = Run(system.number("service_drop_length_m"), system.text("service_drop_size"), "aluminium")
    rows = [run_row(system, None, "DROP", drop, "", f"{drop.length_m:g} m")]
    entrance: Cell = system.entrance.feet
    if "service_entrance_length_m" in system.shown:
        entrance = system.shown["service_entrance_length_m"]
    rows.append(run_row(system, None, "SE", system.entrance, "", entrance))
    for name, feeders in system.feeders.items():
        for run in feeders:
            rows.append(run_row(system, None, "FDR", run, name, system.shown.get("feeder_length_m", run.feet)))
    for circuit in system.circuits:
        for order, run in enumerate(circuit.home_runs):
            length: Cell = circuit.shown.get("home_run_length_m", run.feet) if order == 0 else run.feet
            rows.append(run_row(system, circuit, "HR", run, "", length))
    return rows


def make_sheets(systems: list[System]) -> tuple[list[Sheet], int]:
    """Return the sheets as they should be, and how many rows they hold."""
    jobs = Sheet("Jobs", [*map(list, JOBS_TITLE), [FIELD_HEADER[name] for name in JOBS]], ["A1:E1"])
    circuits = Sheet("Circuits", [[FIELD_HEADER[name] for name in CIRCUITS]])
    runs = Sheet("Runs", [list(RUNS.values())])
    for system in systems:
        jobs.rows.append(job_row(system))
        first = len(circuits.rows) + 1
        circuits.rows += [circuit_row(system, circuit) for circuit in system.circuits]
        if len(system.circuits) > 1:
            circuits.merged.append(f"A{first}:A{len(circuits.rows)}")
            for row in circuits.rows[first:]:
                row[0] = None
        runs.rows += run_rows(system)
    jobs.hidden_rows.add(len(jobs.rows) - 1)
    about = Sheet("About", [["The site book of an invented company. Runs are one way."]])
    lists = Sheet("Lists", [["Kinds of run"], ["HR"], ["FDR"], ["SE"], ["DROP"]], hidden=True)
    rows = len(jobs.rows) - len(JOBS_TITLE) - 1 + len(circuits.rows) - 1 + len(runs.rows) - 1
    return [about, jobs, circuits, runs, lists], rows


def spoil(sheets: list[Sheet], good: System) -> list[Told]:
    """Add rows that must be refused, to a job that is otherwise sound, and return what must be said of each."""
    _, jobs, circuits, runs, _ = sheets
    told: list[Told] = []

    def add(sheet: Sheet, row: list[Cell], changes: dict[str, Cell], column: str, code: str) -> None:
        header = sheet.rows[len(JOBS_TITLE) if sheet is jobs else 0]
        row = list(row)
        for name, cell in changes.items():
            row[header.index(name)] = cell
        sheet.rows.append(row)
        told.append((sheet.name, len(sheet.rows), column, code))

    circuit = circuit_row(good, good.circuits[0])
    run = run_row(good, good.circuits[0], "HR", good.circuits[0].home_runs[0], "", 40)
    job = {"Job No": Padded(9901)}
    add(jobs, job_row(good), job | {"Bus": "two hundred"}, "Bus", "type-error")
    add(circuits, circuit, {"Job No": "09901"}, "Job No", "related-row")
    add(runs, run, {"Job No": "09901"}, "Ckt", "related-row")
    add(circuits, circuit, {"Ckt": 91, "Qty": Formula("LEN(Trunk)*2")}, "Qty", "formula-without-value")
    add(runs, run, {"Ckt": 91}, "Ckt", "related-row")
    add(circuits, circuit, {"Ckt": 92, "OCPD": Wrong("#REF!")}, "OCPD", "error-cell")
    # Somebody typed 10/2, and the sheet made a day of it.
    add(runs, run, {"Ckt": 93, "Wire": datetime.date(2024, 10, 2)}, "Wire", "looks-like-date")
    add(circuits, circuit, {"Ckt": 93}, "Ckt", "related-row")
    add(runs, run, {"Ckt": 94}, "Ckt", "foreign-key")
    add(circuits, circuit, {"Job No": "09902"}, "Job No", "foreign-key")
    circuits.far[LAST_ROW, CIRCUITS.index("circuit_id")] = "x"
    told.append(("Circuits", LAST_ROW, "Job No", "constraint-error"))
    return told


def write_book(folder: Path, systems: list[System], good: System) -> list[str]:
    """Write the workbook, with bad rows and a repeated one, and its mapping; return its line of expected_import.csv."""
    sheets, accepted = make_sheets(systems)
    told = spoil(sheets, good)
    circuits = sheets[2]
    circuits.rows.append(circuit_row(good, good.circuits[0]))
    repeated = len(circuits.rows)
    write_workbook(folder / "site_book.xlsx", sheets)
    write_mapping(folder / "site_book_mapping.toml")
    counts = [str(number) for number in (accepted + len(told) + 1, accepted, len(told), 1)]
    lines = [f"{sheet}!{row}:{column}:{code}" for sheet, row, column, code in told]
    return ["site_book.xlsx", *counts, "; ".join(lines), f"Circuits!{repeated}", ""]


def entry(name: str, header: str, codes: dict[str, dict[str, str]], *more: str) -> str:
    """Return a line of a mapping's columns."""
    parts = [f'column = "{header}"', *more]
    if name in codes:
        values = ", ".join(f'"{code}" = "{meaning}"' for code, meaning in codes[name].items())
        parts.append(f"values = {{ {values} }}")
    return f"{name} = {{ {', '.join(parts)} }}" if len(parts) > 1 else f'{name} = "{header}"'


def write_mapping(path: Path) -> None:
    """Write the mapping of the workbook."""
    lines = [
        "# How the site book, three sheets that belong together, becomes records. Invented, like the book.",
        "[file]",
        'name = "Site book"',
        "",
        "[sheets.systems]                 # one row per job",
        'sheet = "Jobs"',
        f"header_row = {len(JOBS_TITLE) + 1}",
        "",
        "[sheets.systems.columns]",
        *(entry(name, FIELD_HEADER[name], FIELD_CODES) for name in JOBS),
        "",
        "[sheets.circuits]                # one row per branch circuit; the job's cell is merged over its circuits",
        'sheet = "Circuits"',
        'merged = "fill down"',
        "",
        "[sheets.circuits.columns]",
        *(entry(name, FIELD_HEADER[name], FIELD_CODES) for name in CIRCUITS),
        "",
        "[sheets.runs]                    # one row per run",
        'sheet = "Runs"',
        "",
        "[sheets.runs.columns]",
        *(
            entry(name, header, RUN_CODES, *(['unit = "ft"'] if name == "length_m" else []))
            for name, header in RUNS.items()
        ),
        "",
        "[constants]",
        'installation_code = "NEC"',
        "",
    ]
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")
