"""The sample's systems: their workings and profiles agree with what the audit stored.

Worked out are one system of every kind and every twelfth: of the others, more of the same.
"""

from __future__ import annotations

import polars as pl
import pytest
from one_system_cases import every_case, one_of_every_kind

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
        return every_case(con)


@pytest.fixture(scope="module")
def judged(sample_store: SampleStore) -> pl.DataFrame:
    """Every finding of the audit."""
    with open_snapshot(sample_store[0]) as con:
        found = pl.from_arrow(con.sql("SELECT * REPLACE (verdict::VARCHAR AS verdict) FROM judged").to_arrow_table())
    assert isinstance(found, pl.DataFrame)
    return found


@pytest.fixture(scope="module")
def findings(judged: pl.DataFrame) -> Figures:
    rows = judged.select("system_id", "check", "circuit_id", "verdict", "value", "limit").iter_rows()
    return {(system, check, circuit): (*rest,) for system, check, circuit, *rest in rows}


@pytest.fixture(scope="module")
def kinds(cases: list[Case], judged: pl.DataFrame) -> list[Case]:
    """One system of every kind, and every twelfth."""
    return one_of_every_kind(cases, judged, 12)


@pytest.fixture(scope="module")
def profiles(kinds: list[Case]) -> list[tuple[Case, Profile]]:
    return [(case, profile(case)) for case in kinds]


def same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return one == pytest.approx(other, rel=1e-9, abs=1e-12)


def test_the_cases_are_those_that_load_gives(sample_store: SampleStore, cases: list[Case]) -> None:
    with open_snapshot(sample_store[0]) as con:
        for case in cases[::60]:
            alone = load(con, case.system_id)
            for name in ("system", "feeder", "circuit"):
                assert getattr(alone.prepared, name).equals(getattr(case.prepared, name)), (case.system_id, name)


def test_findings_are_worked_out_to_their_values_and_limits(kinds: list[Case], findings: Figures) -> None:
    wrong, seen = {}, set()
    for case in kinds:
        for (check, circuit), done in worked(case).items():
            key = case.system_id, check, circuit
            verdict, value, limit = findings[key]
            seen.add(key)
            if not (same(done.value, value) and same(done.limit, limit)) or not done.lines:
                wrong[key] = verdict, value, limit, done
    assert wrong == {}
    assert seen == {key for key in findings if key[0] in {case.system_id for case in kinds}}
    figured = {key[1] for key in seen if None not in findings[key][1:]}
    # The sample's policy sets no limit for single parts of the wiring.
    assert figured == {check.name for check in CHECKS} - {"part-rise"}


def test_the_kinds_are_of_every_wiring_and_every_verdict(
    cases: list[Case], kinds: list[Case], judged: pl.DataFrame
) -> None:
    wiring, finding = ["service", "wiring", "feed", "circuit_phases", "connection"], ["check", "verdict"]
    for columns in (wiring, ["code_family"], ["code_edition"]):
        every, met = (
            pl.concat([case.prepared.circuit.select(columns) for case in some]).unique() for some in (cases, kinds)
        )
        assert every.join(met, columns, how="anti", nulls_equal=True).is_empty()
    some = judged.filter(pl.col("system_id").is_in([case.system_id for case in kinds]))
    assert judged.select(finding).unique().join(some, finding, how="anti").is_empty()
    assert len(kinds) < len(cases) / 4


def test_the_worst_unit_of_the_profile_has_the_stored_terminal_voltage(profiles: list[tuple[Case, Profile]]) -> None:
    off = {}
    for case, drawn in profiles:
        points = drawn.points.filter(pl.col("place") == "unit")
        for row in case.results.circuit.iter_rows(named=True):
            mine = points.filter(pl.col("circuit_id") == row["circuit_id"])
            highest, last = mine["own_v"].max(), mine.filter("on_path")["operating_v"].to_list()[-1:]
            if not same(highest, row["terminal_v"]) or not same(last[0] if last else None, row["terminal_v"]):  # type: ignore[arg-type]
                off[case.system_id, row["circuit_id"]] = highest, last, row["terminal_v"]
    assert off == {}


def test_the_parts_of_the_rise_add_up_to_the_stored_total(profiles: list[tuple[Case, Profile]]) -> None:
    off = {}
    for case, drawn in profiles:
        parts = drawn.parts.filter("counted")
        for row in case.results.circuit.iter_rows(named=True):
            mine = parts.filter(pl.col("circuit_id") == row["circuit_id"])["design_pct"]
            # A circuit that stands in for a refused row has no part at all.
            total = None if mine.null_count() or mine.is_empty() else float(mine.sum())
            if not same(total, row["total_rise_pct"]):
                off[case.system_id, row["circuit_id"]] = total, row["total_rise_pct"]
    assert off == {}


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
