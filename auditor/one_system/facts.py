"""The facts that a system's verdicts rest on: each with its value, its status and where it came from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from auditor.checks.facts import BIT
from auditor.findings import fact_label
from auditor.one_system.case import Case
from auditor.one_system.order import natural

Status = Literal["given", "derived", "assumed", "missing"]
Value = str | float | int | None


@dataclass(frozen=True)
class Origin:
    """A row of an imported file, as a spreadsheet numbers it."""

    file: str
    row: int | None
    import_id: int


@dataclass(frozen=True)
class Fact:
    """One fact: `places` are what it holds for (circuits or runs of equal value and status share one entry).

    `note` says how a derived fact was worked out, or who assumed it. `origins` are empty where no file states it.
    """

    group: str
    places: tuple[str, ...]
    name: str
    value: Value
    unit: str
    status: Status
    note: str
    origins: tuple[Origin, ...]


@dataclass(frozen=True)
class _Asked:
    """A fact to look up: its bit, the prepared column that holds its value, its unit, and how it may be derived."""

    fact: str
    column: str
    unit: str = ""
    derived: str = ""
    label: str = ""

    @property
    def name(self) -> str:
        return self.label or fact_label(self.fact)


_SYSTEM = (
    _Asked("service", "service"), _Asked("region", "region"),
    _Asked("installation_code", "installation_code"), _Asked("code_edition", "code_edition"),
    _Asked("grid_profile", "grid_profile"),
    _Asked("power_factor", "power_factor"), _Asked("power_factor_mode", "power_factor_mode"),
    _Asked("transformer_kva", "transformer_kva", "kVA"),
    _Asked("transformer_r_pct", "transformer_r_pct", "%", label="transformer resistance"),
    _Asked("transformer_r_pct", "transformer_x_pct", "%", label="transformer reactance"),
    _Asked("busbar_a", "busbar_a", "A"), _Asked("main_breaker_a", "main_breaker_a", "A"),
    _Asked("connection_side", "connection_side"), _Asked("backfeed_position", "backfeed_position"),
    _Asked("busbar_breakers_a", "busbar_breakers_a", "A"), _Asked("other_sources_a", "other_sources_a", "A"),
    _Asked("module_model", "module_model"), _Asked("low_design_temp_c", "low_design_temp_c", "°C"),
    _Asked("cell_high_temp_c", "cell_high_temp_c", "°C"),
    _Asked("", "solar_current_a", "A", "worst line current of all circuits", "solar current"),
)  # fmt: skip
_CIRCUIT = (
    _Asked("inverter_model", "inverter_model", "", "the first of the listed units"),
    _Asked("inverter_count", "inverter_count", "units", "counted from the arms or the listed units"),
    _Asked("feed", "feed"), _Asked("arm_counts", "arm_counts"),
    _Asked("trunk_model", "trunk_model"),
    _Asked("orientation", "orientation", "", "both orientations have the same section length"),
    _Asked("first_section_m", "first_section_m", "m", label="first section"),
    _Asked("breaker_a", "breaker_a", "A"),
    _Asked("circuit_phases", "circuit_phases", "", "from the trunk cable's conductors"),
    _Asked("combiner_id", "combiner_id", label="combiner"),
    _Asked("ambient_c", "ambient_c", "°C"), _Asked("raceway_conductors", "raceway_conductors"),
    _Asked("roof_clearance_mm", "roof_clearance_mm", "mm"), _Asked("module_count", "module_count", "modules"),
    _Asked("", "unit_voltage_v", "V", "from the service and the unit's connection", "voltage across a unit"),
    _Asked("", "line_current_a", "A", "phasor sum of the units' rated currents", "line current"),
)  # fmt: skip
_RUN = (("length_m", "m"), ("size", ""), ("material", ""), ("raceway", ""), ("terminal_rating_c", "°C"),
        ("conductor_rating_c", "°C"), ("rated_a", "A"))  # fmt: skip
_RUN_LABELS = {"conductor_rating_c": "insulation rating", "rated_a": "current rating as installed"}
_ROLES = {"home_run": "home run", "feeder": "feeder", "service_entrance": "service entrance",
          "service_drop": "service drop"}  # fmt: skip
_AMPACITY_RUNS = ("home_run", "feeder")


class _Files:
    """Where rows came from."""

    def __init__(self, case: Case) -> None:
        names = dict(case.imports.select("import_id", "file_name").rows())
        self._rows: dict[str, list[tuple[dict[str, Any], Origin]]] = {
            table: [
                (row, Origin(names.get(row["import_id"], ""), row["source_row"], row["import_id"]))
                for row in rows.iter_rows(named=True)
            ]
            for table, rows in case.origins.items()
        }

    def of(self, table: str, **key: str | None) -> tuple[Origin, ...]:
        """The origins of a table's rows with this key."""
        wanted = key.items()
        return tuple(origin for row, origin in self._rows[table] if all(row[c] == value for c, value in wanted))


def _status(asked: _Asked, row: dict[str, Any], raw: Value) -> Status | None:
    """The fact's status; None where it is neither stated nor asked for."""
    bit = BIT.get(asked.fact, 0)
    value = row.get(asked.column)
    if row["missing_bits"] & bit:
        return "missing"
    if row["assumed_bits"] & bit and raw is None:
        return "assumed"
    if raw is not None:
        return "given"
    return "derived" if value is not None else None


def _assumption(case: Case, row: dict[str, Any], asked: _Asked, value: Value) -> tuple[Value, str]:
    """Value and note of an assumed fact, where it stands in no column of its own."""
    by = f"policy {case.policy.name!r}"
    if asked.fact == "first_section_m":
        return row["_first_m"], f"{by}: {case.policy.assume.first_section}"
    if asked.fact == "roof_clearance_mm":
        return "clear of sunlit roofs", by
    if asked.fact == "combiner_id":
        return "one shared feeder", by
    return value, by


def _entry(
    case: Case, group: str, place: str, asked: _Asked, row: dict[str, Any], raw: Value, origins: tuple[Origin, ...]
) -> Fact | None:
    status, value = _status(asked, row, raw), row.get(asked.column)
    if status is None:
        return None
    note = asked.derived if status == "derived" else ""
    if status == "missing":
        # A value that cannot be used is shown, so that it can be mended.
        note, value = ("recorded, but not usable" if raw is not None else ""), raw
    elif status == "assumed":
        value, note = _assumption(case, row, asked, value)
    elif status == "given":
        value = raw
    stated = origins if status in ("given", "missing") and raw is not None else ()
    unit = "" if isinstance(value, str) else asked.unit
    return Fact(group, (place,), asked.name, value, unit, status, note, stated)


def _of_run(case: Case, files: _Files, role: str, row: dict[str, Any], place: str, **key: str | None) -> Iterator[Fact]:
    """The facts of the runs of one role in series."""
    prefix = role
    origins = files.of("run", role=_ROLES[role], **key)
    absent = row[f"{prefix}_runs"] is None
    for column, unit in _RUN if role in _AMPACITY_RUNS else _RUN[:3]:
        if column == "rated_a" and row.get("code_family") != "IEC":
            continue
        fact = f"{prefix}_{'insulation' if column == 'conductor_rating_c' else column}"
        label = _RUN_LABELS.get(column, fact_label(column))
        asked = _Asked(fact, f"{prefix}_{column}", unit, label=label)
        value = None if absent else row[asked.column]
        assumed = bool(row["assumed_bits"] & BIT.get(fact, 0))
        entry = _entry(case, _ROLES[role].capitalize(), place, asked, row, None if assumed else value, origins)
        if entry is not None:
            yield entry


def _of_spec(case: Case, row: dict[str, Any], place: str) -> Iterator[Fact]:
    """What the specs say of a circuit's units and trunk."""

    def spec(model: str, revision: str) -> str:
        return f"spec of {row[model]}, revision {row[revision]}"

    bits = row["missing_bits"]
    unit = spec("inverter_model", "inverter_revision") if row["inverter_known"] else ""
    trunk = spec("trunk_model", "trunk_revision") if row["trunk_known"] else ""
    watts, volts, amperes = row["rated_w"], row["unit_voltage_v"], row["unit_current_a"]
    per_volt = None not in (watts, volts, amperes) and row["unit_half_digit_a"] == 0 and amperes == watts / volts
    current: Status = "derived" if per_volt else "given"
    rows: tuple[tuple[str, str, Value, str, Status, str], ...] = (
        ("inverter_current", "current of a unit", row["unit_current_a"], "A", current,
         f"power over voltage; {unit}" if per_volt else unit),
        ("inverter_connection", "connection of a unit", row["connection"], "", "given", unit),
        ("trunk_section", "trunk section", row["section_m"], "m", "given", trunk),
        ("trunk_rating", "trunk listed current", row["trunk_rated_a"], "A", "given", trunk),
        ("trunk_max_breaker", "largest breaker of the trunk", row["trunk_max_breaker_a"], "A", "given", trunk),
    )  # fmt: skip
    unlisted = {"inverter_current": "inverter_spec", "inverter_connection": "inverter_spec"}
    for fact, name, value, unit_name, status, note in rows:
        gone = value is None or bits & (BIT[fact] | BIT[unlisted.get(fact, "trunk_spec")])
        yield Fact("Circuit", (place,), name, None if gone else value, unit_name, "missing" if gone else status,
                   "no spec in the catalog" if gone and not note else note, ())  # fmt: skip


def _each(case: Case) -> Iterator[Fact]:
    files = _Files(case)
    system, raw = case.prepared.system.row(0, named=True), case.records.system.row(0, named=True)
    origins = files.of("system")
    for asked in _SYSTEM:
        entry = _entry(case, "System", "system", asked, system, raw.get(asked.column), origins)
        if entry is not None:
            yield entry
    for role in ("service_drop", "service_entrance"):
        yield from _of_run(case, files, role, system, "system")
    for row in case.prepared.feeder.iter_rows(named=True):
        combiner = row["combiner_id"]
        yield from _of_run(case, files, "feeder", row, f"combiner {combiner}" if combiner else "shared feeder",
                           combiner_id=combiner)  # fmt: skip
    recorded = {row["circuit_id"]: row for row in case.records.circuit.iter_rows(named=True)}
    for row in sorted(case.prepared.circuit.iter_rows(named=True), key=lambda each: natural(each["circuit_id"])):
        circuit = row["circuit_id"]
        of_record = recorded[circuit]
        for asked in _CIRCUIT:
            entry = _entry(case, "Circuit", circuit, asked, row, of_record.get(asked.column),
                           files.of("circuit", circuit_id=circuit))  # fmt: skip
            if entry is not None:
                yield entry
        yield from _of_spec(case, row, circuit)
        yield from _of_run(case, files, "home_run", row, circuit, circuit_id=circuit)


def facts(case: Case) -> list[Fact]:
    """Return the facts, equal ones of several circuits or feeders as one entry, in the order of the path."""
    found: dict[tuple[object, ...], Fact] = {}
    for fact in _each(case):
        value = round(fact.value, 9) if isinstance(fact.value, float) else fact.value
        key = (fact.group, fact.name, value, fact.status, fact.note)
        held = found.get(key)
        if held is None:
            found[key] = fact
        else:
            origins = tuple(dict.fromkeys((*held.origins, *fact.origins)))
            found[key] = Fact(fact.group, (*held.places, *fact.places), fact.name, fact.value, fact.unit, fact.status,
                              fact.note, origins)  # fmt: skip
    order = {group: number for number, group in enumerate(("System", "Service drop", "Service entrance", "Feeder"))}
    first_seen = {(f.group, f.name): number for number, f in reversed(list(enumerate(found.values())))}
    return sorted(found.values(), key=lambda f: (order.get(f.group, len(order)), first_seen[f.group, f.name]))
