"""Every finding worked out: the check's formula with this system's own numbers in it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from auditor.checks import CHECKS
from auditor.checks.base import Check
from auditor.checks.facts import names
from auditor.findings import fact_label
from auditor.one_system import worked_ampacity, worked_currents, worked_modules, worked_panel, worked_rise
from auditor.one_system.case import Case
from auditor.one_system.sums import Row, Worked

Work = Callable[[Case, Row], Worked]

_WORK: dict[str, Work] = {
    "branch-unit-limit": worked_currents.branch_unit_limit,
    "breaker-size": worked_currents.breaker_size,
    "trunk-current": worked_currents.trunk_current,
    "home-run-ampacity": worked_ampacity.home_run,
    "feeder-ampacity": worked_ampacity.feeder,
    "current-coordination": worked_currents.current_coordination,
    "voltage-rise": worked_rise.voltage_rise,
    "part-rise": worked_rise.part_rise,
    "terminal-voltage": worked_rise.terminal_voltage,
    "busbar": worked_panel.busbar,
    "phase-imbalance": worked_panel.phase_imbalance,
    "module-cold-voltage": worked_modules.cold_voltage,
    "module-input-window": worked_modules.input_window,
    "module-input-current": worked_modules.input_current,
    "power-ratio": worked_modules.power_ratio,
}


def worked(case: Case) -> dict[tuple[str, str | None], Worked]:
    """Return each finding of the system worked out, by the check's name and the circuit (None for the system's own).

    `value` and `limit` are worked out anew from the facts by the lines' own arithmetic; they are those of the finding.
    """
    found: dict[tuple[str, str | None], Worked] = {}
    result = case.results.system.row(0, named=True)
    for check in CHECKS:
        rows = _rows(case, check)
        if check.level == "circuit":
            for judged in case.results.circuit.iter_rows(named=True):
                found[check.name, judged["circuit_id"]] = _one(case, check, rows[judged["circuit_id"]], judged)
        else:
            at = result[f"{check.column}_combiner_id"] if check.level == "feeder" else None
            if at in rows:
                found[check.name, None] = _one(case, check, rows[at], result)
    return found


def _rows(case: Case, check: Check) -> dict[str | None, dict[str, Any]]:
    """The rows that a check judges, with the quantities it sets on its way, by circuit or combiner."""
    frames = {"circuit": case.prepared.circuit, "feeder": case.prepared.feeder, "system": case.prepared.system}
    keys = {"circuit": "circuit_id", "feeder": "combiner_id"}
    frame = frames[check.level].with_row_index("row")
    for step in check.judge(case.policy).steps:
        frame = frame.with_columns(**step)
    return {row[keys[check.level]] if check.level in keys else None: row for row in frame.iter_rows(named=True)}


def _one(case: Case, check: Check, row: dict[str, Any], judged: dict[str, Any]) -> Worked:
    """A finding worked out, with what it misses or assumes; a check that does not apply has no figures."""
    verdict = judged[f"{check.column}_verdict"]
    facts = Row(row)
    done = _WORK[check.name](case, facts)
    if verdict == "not applicable":
        return Worked((_not_applicable(check.name, facts),), None, None)
    lines = list(done.lines)
    missing = [fact_label(fact) for fact in names(judged[f"{check.column}_missing"] or 0)]
    assumed = [fact_label(fact) for fact in names(judged[f"{check.column}_assumed"] or 0)]
    if missing:
        lines.append(f"Missing: {', '.join(missing)}.")
    if assumed:
        lines.append(f"Assumed by the policy: {', '.join(assumed)}.")
    return Worked(tuple(lines), done.value, done.limit)


def _not_applicable(check: str, row: Row) -> str:
    """Why a check does not apply here."""
    if check == "part-rise":
        return "The policy sets no limit for single parts of the wiring."
    if check == "busbar" and row.text("connection_side") == "supply":
        return "The system is connected on the supply side of the main device: its current does not cross the busbar."
    if check == "terminal-voltage":
        return "The lowest threshold lies at or below the top of the service range: no wiring can keep clear of it."
    if check == "phase-imbalance":
        return "A single-phase service, or a code for which the policy names no limit."
    if check in ("home-run-ampacity", "feeder-ampacity") and row.text("code_family") == "NEC":
        return "The run is of zero length: there is no conductor to judge."
    family = row.text("code_family") or "unknown"
    other = "the NEC" if family == "IEC" else "the IEC family"
    return f"A check of {other}; this system falls under {'the IEC family' if family == 'IEC' else 'the NEC'}."
