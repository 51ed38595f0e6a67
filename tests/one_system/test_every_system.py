"""Systems of every kind in the sample: their workings and their profiles agree with what the audit stored."""

from __future__ import annotations

import polars as pl
import pytest
from one_system_cases import cases_of, of_every_kind

from auditor.checks import CHECKS
from auditor.one_system import Case, load
from auditor.one_system.facts import facts
from auditor.one_system.path import path
from auditor.one_system.profile import Profile, profile
from auditor.one_system.worked import worked
from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]
Figures = dict[tuple[str, str, str | None], tuple[str, float | None, float | None]]


@pytest.fixture(scope="module")
def cases(sample_store: SampleStore) -> list[Case]:
    with open_snapshot(sample_store[0]) as con:
        return cases_of(con, of_every_kind(con))


@pytest.fixture(scope="module")
def every_finding(sample_store: SampleStore) -> Figures:
    query = 'SELECT system_id, "check", circuit_id, verdict::VARCHAR, value, "limit" FROM judged'
    with open_snapshot(sample_store[0]) as con:
        return {(system, check, circuit): (*rest,) for system, check, circuit, *rest in con.execute(query).fetchall()}


@pytest.fixture(scope="module")
def profiles(cases: list[Case]) -> list[tuple[Case, Profile]]:
    return [(case, profile(case)) for case in cases]


def same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return one == pytest.approx(other, rel=1e-9, abs=1e-12)


def test_the_cases_are_those_that_load_gives(sample_store: SampleStore, cases: list[Case]) -> None:
    with open_snapshot(sample_store[0]) as con:
        for case in cases[::10]:
            alone = load(con, case.system_id)
            for name in ("system", "feeder", "circuit"):
                assert getattr(alone.prepared, name).equals(getattr(case.prepared, name)), (case.system_id, name)


def test_every_finding_is_worked_out_to_its_value_and_limit(cases: list[Case], every_finding: Figures) -> None:
    chosen = {case.system_id for case in cases}
    findings = {key: figures for key, figures in every_finding.items() if key[0] in chosen}
    wrong, seen = {}, set()
    for case in cases:
        for (check, circuit), done in worked(case).items():
            key = case.system_id, check, circuit
            verdict, value, limit = findings[key]
            seen.add(key)
            if not (same(done.value, value) and same(done.limit, limit)) or not done.lines:
                wrong[key] = verdict, value, limit, done
    assert wrong == {}
    assert seen == findings.keys()


def test_the_cases_meet_every_check_and_every_verdict_of_it(cases: list[Case], every_finding: Figures) -> None:
    chosen = {case.system_id for case in cases}
    met = {(key[1], figures[0]) for key, figures in every_finding.items() if key[0] in chosen}
    assert {check for check, _ in met} == {check.name for check in CHECKS}
    assert met == {(key[1], figures[0]) for key, figures in every_finding.items()}


def test_the_worst_unit_of_the_profile_has_the_stored_terminal_voltage(profiles: list[tuple[Case, Profile]]) -> None:
    wrong = {}
    for case, its in profiles:
        points = its.points.filter(pl.col("place") == "unit")
        for row in case.results.circuit.iter_rows(named=True):
            mine = points.filter(pl.col("circuit_id") == row["circuit_id"])
            highest, last = mine["own_v"].max(), mine.filter("on_path")["operating_v"].to_list()[-1:]
            if not same(highest, row["terminal_v"]) or not same(last[0] if last else None, row["terminal_v"]):  # type: ignore[arg-type]
                wrong[case.system_id, row["circuit_id"]] = highest, last, row["terminal_v"]
    assert wrong == {}


def test_the_parts_of_the_rise_add_up_to_the_stored_total(profiles: list[tuple[Case, Profile]]) -> None:
    wrong = {}
    for case, its in profiles:
        parts = its.parts.filter("counted")
        for row in case.results.circuit.iter_rows(named=True):
            mine = parts.filter(pl.col("circuit_id") == row["circuit_id"])["design_pct"]
            # A circuit that stands in for a refused row has no part at all.
            total = None if mine.null_count() or mine.is_empty() else float(mine.sum())
            if not same(total, row["total_rise_pct"]):
                wrong[case.system_id, row["circuit_id"]] = total, row["total_rise_pct"]
    assert wrong == {}


def test_a_fact_is_missing_where_an_unknown_verdict_says_so(cases: list[Case]) -> None:
    for case in cases:
        if case.results.system["unknowns"][0]:
            assert any(fact.status == "missing" for fact in facts(case)), case.system_id


def test_the_path_holds_every_circuit_once_and_its_units(cases: list[Case]) -> None:
    for case in cases:
        trunks = [part for part in path(case).all_parts() if part.kind == "trunk"]
        assert sorted(t.circuit_id or "" for t in trunks) == sorted(case.records.circuit["circuit_id"])
        for trunk in trunks:
            if trunk.arms:
                assert sum(arm.units for arm in trunk.arms) == trunk.units
