"""Logs and readings in the trip columns: what moves, what stays, and what is told of it."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from scipy.stats import gamma

from auditor.evidence.observed import MONTH_SCHEMA, observe
from auditor.likelihood.sky import MONTH_LENGTH
from auditor.policy import Policy
from auditor.prepare import Records, prepare
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT
from auditor.trips import MEMORY, Evidence, expected_outlook, outlook
from auditor.trips.logs import BEFORE, LOG_FIGURES, REPLACED, SCALED

sys.path.insert(0, str(Path(__file__).parents[1] / "prepare"))
sys.path.insert(0, str(Path(__file__).parents[1] / "evidence"))
sys.path.insert(0, str(Path(__file__).parent))
from prepare_cases import Row, catalog, circuit, frame, system
from test_observed import LOG, LOST, SETTINGS, TRIP
from test_observed import frame as events_frame
from test_trips_outlook import AS_OF, PLACED, RUNS, policy


def months(**trip_days: int) -> pl.DataFrame:
    """A log of whole months of system S: the month's number to its trip-days."""
    rows = [
        ("S", int(month[1:]), float(MONTH_LENGTH[int(month[1:]) - 1]), count, count, count, date(2025, 1, 1), AS_OF)
        for month, count in trip_days.items()
    ]
    return pl.DataFrame(rows, schema=MONTH_SCHEMA, orient="row")


def year(count: int) -> pl.DataFrame:
    return months(**{f"m{month}": count if month == 6 else 0 for month in range(1, 13)})


def records(runs: list[Row] | None = None, **facts: Any) -> Records:
    usual = PLACED | {"transformer_kva": 25.0, "customers_on_transformer": 1}
    return Records(
        frame(SYSTEM, [system(**usual | facts)]), frame(CIRCUIT, [circuit(module_count=16)]), frame(UNIT, []),
        frame(RUN, RUNS if runs is None else runs),
    )  # fmt: skip


def looked_at(
    folder: Path, rules: Policy, evidence: Evidence | None = None, of: Records | None = None
) -> dict[str, Any]:
    frames = catalog(folder).frames()
    prepared = prepare(of or records(), frames, rules, AS_OF)
    return outlook(prepared, frames, rules, AS_OF, MEMORY, evidence or Evidence()).row(0, named=True)


RULES = policy(102.0, site_pct=1.0)


def test_without_a_log_there_is_no_word_of_one(tmp_path: Path) -> None:
    found = looked_at(tmp_path, RULES)
    assert {found[name] for name in LOG_FIGURES} == {None}
    assert found["supply_from"] == "policy"
    assert found["output_from"] == "reckoned"


@pytest.mark.parametrize("evidence", [Evidence(), Evidence(year(0)), Evidence(year(25)), None])
def test_what_is_expected_alone_is_the_same_to_the_last_bit(tmp_path: Path, evidence: Evidence | None) -> None:
    """`expected_outlook` is `outlook` with fewer columns: with and without a log, known and unknown."""
    frames = catalog(tmp_path).frames()
    prepared = prepare(records() if evidence else records(grid_profile=None), frames, RULES, AS_OF)
    whole = outlook(prepared, frames, RULES, AS_OF, MEMORY, evidence)
    for shares in (False, True):
        found = expected_outlook(prepared, frames, RULES, AS_OF, MEMORY, evidence, shares)
        assert found.equals(whole.select(found.columns)) and len(found.columns) == (8 if shares else 4)
    assert (whole["trip_days_per_year"][0] is None) == (evidence is None)


def test_a_log_replaces_the_figures_and_keeps_those_before_it(tmp_path: Path) -> None:
    plain = looked_at(tmp_path, RULES)
    quiet, busy = (looked_at(tmp_path, RULES, Evidence(year(count))) for count in (0, 25))
    for found, count in ((quiet, 0), (busy, 25)):
        assert {name: found[name + BEFORE] for name in REPLACED} == {name: plain[name] for name in REPLACED}
        assert (found["logged_days"], found["logged_trip_days"]) == (365.0, count)
        assert found["expected_trip_days_in_log"] == pytest.approx(plain["trip_days_per_year"], rel=0.03)
        times = found["log_multiplier"]
        assert found["trip_days_per_year"] == pytest.approx(times * plain["trip_days_per_year"], rel=1e-9)
        assert found["trip_days_per_year_low"] < found["trip_days_per_year_median"] < found["trip_days_per_year_high"]
        for name in SCALED:
            assert found[name] == pytest.approx(times * plain[name], rel=1e-9), name
        for name in ("hours_over", "headroom_supply_pct", "wiring_share", "trip_most_telling", "trip_assumed"):
            assert found[name] == plain[name], name
    assert quiet["trip_days_per_year"] < 0.3 * plain["trip_days_per_year"]
    assert quiet["trip_chance_year"] < plain["trip_chance_year"] < busy["trip_chance_year"]
    assert busy["trip_days_per_year"] == pytest.approx(25, rel=0.15)
    assert quiet["trip_days_per_year"] < 1
    assert 12 < busy["trip_days_per_year"] < 52
    assert (quiet["trip_band"], busy["trip_band"]) == ("some years", "most months")


def test_where_the_site_is_known_the_multiplier_is_the_plain_gamma(tmp_path: Path) -> None:
    """Gamma(a + O, a + E) by hand, a = 2 as the policy has it, E from the column before."""
    known = policy(104.0, site_pct=0.0)
    assume = known.trips.assume.model_copy(update={"sensing_error_pct": 0.0})
    known = known.model_copy(update={"trips": known.trips.model_copy(update={"assume": assume})})
    found = looked_at(tmp_path, known, Evidence(months(m6=11)))
    expected = found["expected_trip_days_in_log"]
    law = gamma(2.0 + 11, scale=1 / (2.0 + expected))
    assert found["log_multiplier"] == pytest.approx(13 / (2 + expected), rel=2e-3)
    assert found["log_multiplier_low"] == pytest.approx(law.ppf(0.1), rel=2e-3)
    assert found["log_multiplier_high"] == pytest.approx(law.ppf(0.9), rel=2e-3)


def test_a_winter_log_hardly_moves_a_summer_tripper(tmp_path: Path) -> None:
    """December's share of the year's trip-days is small here, so that its silence moves little, and May's much."""
    rules = policy(102.5, site_pct=0.3)
    winter, summer = (looked_at(tmp_path, rules, Evidence(months(**{m: 0}))) for m in ("m12", "m5"))
    assert winter["expected_trip_days_in_log"] < 0.02 * winter["trip_days_per_year" + BEFORE]
    for name in REPLACED[:1] + REPLACED[3:]:
        assert winter[name] == pytest.approx(winter[name + BEFORE], rel=0.12), name
    assert summer["log_multiplier"] < 0.75
    assert winter["log_multiplier"] > 0.9


@pytest.mark.parametrize(
    "told",
    [
        [(LOG, "2025-06-01T00:00", "2025-07-01T00:00"), (LOST, "2025-06-01T00:00", None)],
        [(LOG, "2025-06-01T00:00", "2025-07-01T00:00"), (TRIP, "2025-06-03T12:00", None),
         (SETTINGS, "2025-07-01T00:00", None)],
        [(TRIP, "2025-06-03T12:00", None)],
    ],
    ids=["a silent gateway", "a log before other settings", "trips without a log"],
)  # fmt: skip
def test_what_is_no_evidence_moves_nothing(tmp_path: Path, told: list[tuple[str, str, str | None]]) -> None:
    place = pl.DataFrame({"system_id": ["S"], "latitude_deg": [30.0], "longitude_deg": [-90.0]})
    seen = observe(events_frame(*told, system="S"), place).months
    assert looked_at(tmp_path, RULES, Evidence(seen)) == looked_at(tmp_path, RULES)


def test_a_log_kept_under_other_wiring_tells_of_the_supply(tmp_path: Path) -> None:
    """Altered records: the log was kept under the long run, and the short one trips less on the same supply."""
    long_run = [*RUNS[1:], {**RUNS[0], "length_m": 90.0}]
    log = year(25)
    before = looked_at(tmp_path, RULES, Evidence(log), records(long_run))
    mended = looked_at(tmp_path, RULES, Evidence(log, kept_under=records(long_run)))
    naive = looked_at(tmp_path, RULES, Evidence(log))
    assert mended["trip_days_per_year"] < 0.6 * before["trip_days_per_year"]
    assert naive["trip_days_per_year"] == pytest.approx(before["trip_days_per_year"], rel=0.2)
    same = looked_at(tmp_path, RULES, Evidence(log, kept_under=records(long_run)), records(long_run))
    assert same == before


def test_an_unknown_system_keeps_what_its_log_counts(tmp_path: Path) -> None:
    found = looked_at(tmp_path, RULES, Evidence(year(3)), records(grid_profile=None))
    assert (found["logged_days"], found["logged_trip_days"]) == (365.0, 3.0)
    assert found["trip_days_per_year"] is None
    assert found["log_multiplier"] is None
