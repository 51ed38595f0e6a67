"""Makes the sample portfolio: invented records of an invented company, with known faults.

Run `python sample_portfolio/make_sample.py`; it writes beside itself, or into the folder named, and gives the same
bytes each time. It reads the invented catalog and nothing else. What a check must find comes from `arithmetic.py` and
`verdicts.py`, which share no line with the programme that is to find it: `expected.csv` lists every finding that is
neither pass nor not applicable, `expected_systems.csv` whether a system was made faulty, incomplete or sound,
`expected_warnings.csv` every value that can hardly be meant, `expected_duplicates.csv` the project under two ids,
`expected_evidence.csv` and `expected_logs.csv` what comes of the events and readings, `expected_triage.csv` the cause
planted behind each complaint, `expected_designers.csv` what must be said of the designers of one office.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))  # so that it runs as a script, too

from sample_portfolio import (  # noqa: E402
    book,
    build,
    designers,
    doubts,
    faults,
    island,
    logs,
    missing,
    troubles,
    verdicts,
    writing,
)
from sample_portfolio.plan import System  # noqa: E402

SEED = 20_260_321
#: How many systems of each service come in each file.
WANTED = {
    "tidy": {"120/240": 190, "208Y/120": 45, "480Y/277": 35, "230": 8},
    "field": {"120/240": 40, "208Y/120": 15, "480Y/277": 5},
    "json": {"120/240": 24, "208Y/120": 12, "480Y/277": 10, "230": 42, "400Y/230": 34},
}
METRIC = ("230", "400Y/230")
#: The workbook's systems: (service, kind of fault or gap or "" for sound, how many). They are drawn after the others.
BOOK = (
    ("120/240", "long home run", 2),
    ("208Y/120", "long home run", 1),
    ("120/240", "long feeder", 1),
    ("208Y/120", "too many units", 1),
    ("480Y/277", "feeder too small", 1),
    ("120/240", "crowded busbar", 1),
    ("120/240", "crowded raceway", 1),
    ("120/240", "home-run length missing", 2),
    ("208Y/120", "feeder length missing", 1),
    ("120/240", "breaker missing", 1),
    ("120/240", "inverter model not in the catalog", 1),
    ("120/240", "place on the busbar missing", 1),
    ("120/240", "", 6),
    ("208Y/120", "", 3),
    ("480Y/277", "", 1),
)
#: The island office's systems: (service, fault, gap, what else is done to it, how many). They are drawn last.
Planted = tuple[str, faults.Fault | None, missing.Gap | None, build.Alter, int]
ISLAND: tuple[Planted, ...] = (
    ("230", None, None, build.nothing, 4),
    ("400Y/230", None, None, build.nothing, 3),
    ("230", None, None, doubts.too_early, 1),
    ("230", None, None, doubts.too_few_modules, 1),
    ("230", None, None, doubts.exchanged, 1),
    ("400Y/230", None, None, doubts.other_sign, 1),
    ("230", None, None, doubts.there_and_back, 1),
    ("400Y/230", None, None, doubts.in_feet, 1),
    ("230", doubts.OUT_OF_PROPORTION, None, build.nothing, 1),
    ("400Y/230", None, missing.BREAKER_CONFLICT, build.nothing, 1),
    ("230", None, None, doubts.known_by_its_desk, 1),
)
#: What else a fault may bring with it, by the check it is planted for.
BRINGS = {
    "breaker-size": ("branch-unit-limit",),
    "voltage-rise": ("terminal-voltage",),
    "terminal-voltage": ("voltage-rise",),
    "branch-unit-limit": ("current-coordination",),
    "trunk-current": ("breaker-size", "branch-unit-limit"),
    "home-run-ampacity": ("breaker-size", "branch-unit-limit"),
    "current-coordination": ("branch-unit-limit",),
}


@dataclass
class Case:
    """A finished system, what is wrong with it and every finding expected of it."""

    system: System
    fault: faults.Fault | None = None
    gap: missing.Gap | None = None
    expected: dict[tuple[str, str], tuple[str, str, str]] = field(default_factory=dict)


def attempt(
    rng: random.Random, number: int, service: str, source: str, fault: faults.Fault | None, alter: build.Alter | None
) -> System | None:
    """Build a system, or None where a figure lies near a limit or the fault does not show as it should."""
    order = fault.order(service, source) if fault else build.Order(service, source, sound_years(service))
    system = build.lay_out(rng, number, order)
    if fault and fault.regions and system.text("region") not in fault.regions:
        return None
    if fault and fault.designers and service not in METRIC:
        system.facts["designer"] = rng.choice(fault.designers)
    order.before(rng, system)
    build.finish(rng, system)
    order.after(rng, system)
    if alter is not None:
        alter(rng, system)
        if not doubts.certain(system):
            return None
    states = verdicts.judge(system)
    failed = {check for (_, check), state in states.items() if state == verdicts.FAIL}
    if verdicts.NEAR in states.values():
        return None
    if fault is None:
        return None if failed else system
    allowed = {fault.check, *BRINGS.get(fault.check, ())}
    return system if fault.check in failed and failed <= allowed else None


def sound_years(service: str) -> tuple[int, int]:
    """Return the years in which such systems were built."""
    return (2014, 2025) if service == "480Y/277" else (2012, 2025)


def make_case(
    rng: random.Random,
    number: int,
    service: str,
    source: str,
    fault: faults.Fault | None,
    gap: missing.Gap | None,
    alter: build.Alter | None = None,
) -> Case:
    """Draw systems until one is as it should be, then write down what must be found in it."""
    for _ in range(3000):
        system = attempt(rng, number, service, source, fault, alter)
        if system is not None and (gap is None or missing.fits(gap, system)):
            case = Case(system, fault, gap)
            expect(rng, case)
            return case
    raise RuntimeError(f"no system shows {fault.kind if fault else gap} on {service}")


def expect(rng: random.Random, case: Case) -> None:
    """Write down the findings of a case."""
    system = case.system
    if case.fault:
        for (circuit_id, check), state in verdicts.judge(system).items():
            if state == verdicts.FAIL:
                why = case.fault.why if check == case.fault.check else f"follows from: {case.fault.why}"
                case.expected[circuit_id, check] = ("fail", case.fault.kind, why)
    if case.gap:
        states = verdicts.judge(system)
        for key in missing.put(rng, case.gap, system):
            if states.get(key) != verdicts.NOT:
                case.expected[key] = ("unknown", case.gap.kind, case.gap.why)
    if system.service in METRIC and system.source != "json":
        rating = ("unknown", "rating not stated", "this file cannot state the rating of a metric cable")
        case.expected["", "feeder-ampacity"] = rating
        for circuit in system.circuits:
            key = (circuit.circuit_id, "current-coordination")
            case.expected[key] = rating


def plan_cases(rng: random.Random) -> list[tuple[str, str, faults.Fault | None, missing.Gap | None]]:
    """Return what to build: faults and gaps first, sound systems up to the numbers wanted, then shuffled."""
    left = {(source, service): count for source, by in WANTED.items() for service, count in by.items()}
    plan: list[tuple[str, str, faults.Fault | None, missing.Gap | None]] = []

    def take(service: str, sources: tuple[str, ...]) -> str:
        open_ = [source for source in sources if left.get((source, service), 0) > 0]
        source = rng.choices(open_, weights=[left[s, service] for s in open_])[0]
        left[source, service] -= 1
        return source

    for fault in faults.FAULTS:
        for index in range(fault.count):
            service = fault.services[index % len(fault.services)]
            sources = ("json",) if service in METRIC else ("tidy", "field", "json")
            plan.append((service, take(service, sources), fault, None))
    for gap in missing.GAPS:
        for index in range(gap.count):
            service = "208Y/120" if index % 4 == 3 and gap.three_phase else "120/240"
            plan.append((service, take(service, ("tidy", "field")), None, gap))
    for (source, service), count in left.items():
        plan += [(service, source, None, None)] * count
    rng.shuffle(plan)
    return plan


def book_cases(first: int) -> list[Case]:
    """Return the workbook's cases, numbered from the first; their draws disturb no other's."""
    rng = random.Random(SEED + 1)
    planned = [(service, kind) for service, kind, count in BOOK for _ in range(count)]
    rng.shuffle(planned)
    cases = []
    for number, (service, kind) in enumerate(planned, first):
        fault = next((one for one in faults.FAULTS if one.kind == kind and not one.designers), None)
        gap = next((one for one in missing.GAPS if one.kind == kind), None)
        cases.append(make_case(rng, number, service, "book", fault, gap))
    return cases


def island_cases(first: int) -> tuple[list[Case], tuple[str, str]]:
    """Return the island office's cases, numbered from the first, and the two ids of one project among them."""
    rng = random.Random(SEED + 2)
    planned = [one for one in ISLAND for _ in range(one[-1])]
    rng.shuffle(planned)
    cases, ids = [], ("", "")
    for number, (service, fault, gap, plant, _) in enumerate(planned, first):
        cases.append(make_case(rng, number, service, "island", fault, gap, doubts.at_quenna(plant)))
        if plant is doubts.known_by_its_desk:
            case = cases[-1]
            second = doubts.twin(case.system)
            ids = (case.system.system_id, second.system_id)
            cases.append(Case(second, expected=dict(case.expected)))
    return cases, ids


def designer_cases(first: int) -> list[Case]:
    """Return the cases of the office whose designers are compared, numbered from the first; drawn after all others."""
    rng = random.Random(SEED + 4)
    cases = []
    for system in designers.systems(rng, first):
        fails = verdicts.FAIL in verdicts.judge(system).values()
        cases.append(Case(system, designers.FAULT if fails else None))
        expect(rng, cases[-1])
    return cases


def bad_rows(cases: list[Case]) -> list[tuple[dict[str, str], list[tuple[str, str]], int | None]]:
    """Return rows of the tidy file that must be refused: row, (column, code) and cells kept where it breaks off."""
    good = next(
        c.system for c in cases if c.system.source == "tidy" and c.system.service == "120/240" and not c.expected
    )
    base = writing.flat(good, good.circuits[0])
    return [
        (base | {"system_id": "X9001", "inverter_count": "twelve"}, [("inverter_count", "type-error")], None),
        (base | {"system_id": "X9002", "breaker_a": "-20"}, [("breaker_a", "constraint-error")], None),
        (base | {"system_id": "X9003", "home_run_size": "10/2"}, [("home_run_size", "cable-not-size")], None),
        (base | {"system_id": "X9004", "energized_date": "3/10/2019"}, [("energized_date", "ambiguous-date")], None),
        (base | {"system_id": ""}, [("system_id", "constraint-error")], None),
        (
            base | {"system_id": "X9006", "orientation": "sideways", "tilt_deg": "steep"},
            [("orientation", "constraint-error"), ("tilt_deg", "type-error")],
            None,
        ),
        (base | {"system_id": "X9008"}, [(writing.TIDY_HEADER[30], "missing-cell")], 30),
    ]


def write_tidy(folder: Path, cases: list[Case]) -> list[str]:
    """Write the tidy file with its bad rows and repeated rows; return its line of expected_import.csv."""
    rows, told, repeats = [list(writing.TIDY_HEADER)], [], []
    mine = [case.system for case in cases if case.system.source == "tidy"]
    bad = bad_rows(cases)
    for number, system in enumerate(mine):
        rows += [writing.tidy_row(writing.flat(system, circuit)) for circuit in system.circuits]
        if number in (60, 200):
            rows.append(list(rows[-1]))
            repeats.append(len(rows))
    for row, reasons, kept in bad:
        rows.append(writing.tidy_row(row)[:kept])
        told += [f"{len(rows)}:{column}:{code}" for column, code in reasons]
    write = writing.write_csv
    write(folder / "tidy.csv", rows)
    accepted = len(rows) - 1 - len(bad) - len(repeats)
    return import_line("tidy.csv", accepted, len(bad), told, repeats)


def write_field(folder: Path, cases: list[Case]) -> list[str]:
    """Write the foreign export with its bad rows and a blank one; return its line of expected_import.csv."""
    header = [*writing.FIELD_HEADER.values(), "Notes"]
    rows = [[line] for line in writing.FIELD_TITLE] + [header]
    mine = [case.system for case in cases if case.system.source == "field"]
    for system in mine:
        rows += [writing.field_row(system, circuit) for circuit in system.circuits]
    accepted = len(rows) - 3
    rows.append([""] * len(header))
    told = []
    bad = (("HR Wire", "10-Feb", "looks-like-date"), ("PTO", "13/45/2019", "type-error"))
    bad += (("HR Run (there+back, ft)", "80 or so", "type-error"),)
    for index, (column, value, code) in enumerate(bad):
        row = writing.field_row(mine[0], mine[0].circuits[0])
        row[0], row[header.index(column)] = f"0990{index}", value
        rows.append(row)
        told.append(f"{len(rows)}:{column}:{code}")
    writing.write_csv(folder / "field_export.csv", rows)
    writing.write_mapping(folder / "field_export_mapping.toml")
    return import_line("field_export.csv", accepted, len(bad), told, [])


def import_line(name: str, accepted: int, rejected: int, told: list[str], repeats: list[int]) -> list[str]:
    """Return a line of expected_import.csv."""
    rows_in = accepted + rejected + len(repeats)
    counts = [str(number) for number in (rows_in, accepted, rejected, len(repeats))]
    return [name, *counts, "; ".join(told), "; ".join(map(str, repeats)), ""]


def write_expected(folder: Path, cases: list[Case]) -> None:
    """Write the findings and the figures the sample's own arithmetic expects, and what each system is."""
    systems = [["system_id", "made_as", "kind"]]
    found = [["system_id", "circuit_id", "check", "verdict", "kind", "why"]]
    names = "trunk_rise_pct home_run_rise_pct feeder_rise_pct total_rise_pct unit_limit line_current_a"
    figures = [["system_id", "circuit_id", *names.split()]]
    for case in cases:
        system = case.system
        made_as = "faulty" if case.fault else "incomplete" if case.gap or case.expected else "sound"
        kinds = sorted({kind for _, kind, _ in case.expected.values()})
        systems.append([system.system_id, made_as, "; ".join(kinds)])
        for (circuit_id, check), (verdict, kind, why) in sorted(case.expected.items()):
            found.append([system.system_id, circuit_id, check, verdict, kind, why])
        if case.gap:
            continue
        numbers = verdicts.figures(system)
        for circuit in system.circuits:
            own = numbers[circuit.circuit_id]
            parts = (own.trunk_pct, own.home_run_pct, own.feeder_pct, own.total_pct)
            limit = "" if circuit.mixed else str(verdicts.unit_limit(system, circuit))
            cells = [*(f"{part:.6f}" for part in parts), limit, f"{own.line_a:.6f}"]
            figures.append([system.system_id, circuit.circuit_id, *cells])
    writing.write_csv(folder / "expected.csv", found)
    writing.write_csv(folder / "expected_figures.csv", figures)
    writing.write_csv(folder / "expected_systems.csv", systems)


def write_doubts(folder: Path, cases: list[Case], ids: tuple[str, str]) -> None:
    """Write what must be warned of, and which two records are one project."""
    told = [(case.system.system_id, *line) for case in cases for line in doubts.warnings(case.system)]
    writing.write_csv(folder / "expected_warnings.csv", [("system_id", "circuit_id", "code", "why"), *told])
    writing.write_csv(folder / "expected_duplicates.csv", [("system_id", "other_id"), ids])


def summary(cases: list[Case]) -> str:
    """Return what was made, in a few lines."""
    circuits = Counter(case.system.service for case in cases for _ in case.system.circuits)
    systems = Counter(case.system.service for case in cases)
    kinds = Counter((f[0], f[1]) for case in cases for f in {(v, k) for v, k, _ in case.expected.values()})
    lines = [f"{sum(systems.values())} systems, {sum(circuits.values())} circuits"]
    lines += [f"  {service}: {systems[service]} systems, {circuits[service]} circuits" for service in systems]
    lines += [f"  {verdict}: {kind}: {count} systems" for (verdict, kind), count in sorted(kinds.items())]
    return "\n".join(lines)


def main(folder: Path) -> None:
    """Make everything in a folder."""
    rng = random.Random(SEED)
    cases = [make_case(rng, number, *what) for number, what in enumerate(plan_cases(rng), 1)]
    imports = [["file", "rows_in", "accepted", "rejected", "duplicates", "rejects", "duplicate_rows", "warnings"]]
    imports += [write_tidy(folder, cases), write_field(folder, cases)]
    nested = [case.system for case in cases if case.system.source == "json"]
    writing.write_nested(folder / "projects.json", nested)
    imports.append(import_line("projects.json", sum(len(system.circuits) for system in nested), 0, [], []))
    booked = book_cases(len(cases) + 1)
    good = next(case.system for case in booked if not case.expected and len(case.system.circuits) > 1)
    imports.append(book.write_book(folder, [case.system for case in booked], good))
    cases += booked
    islands, twins = island_cases(len(cases) + 1)
    sound = next(case.system for case in islands if not (case.fault or case.gap or case.system.doubts))
    imports.append(island.write_island(folder, [case.system for case in islands], sound, "T0990"))
    cases += islands
    logged = [case.system for case in cases if not case.gap]
    planted = designer_cases(len(cases) + 1)
    imports.append(designers.write_designers(folder, [case.system for case in planted]))
    cases += planted
    writing.write_csv(folder / "expected_import.csv", imports)
    write_expected(folder, cases)
    write_doubts(folder, cases, twins)
    logs.write_logs(folder, random.Random(SEED + 3), logged)
    whole = [system for system in logged if system.source != "book"]
    troubles.write_troubles(folder, random.Random(SEED + 4), whole)
    sys.stdout.write(summary(cases) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
