"""What-if: the same audit on altered records."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from one_system_cases import single

from auditor.errors import AuditorError
from auditor.one_system import load
from auditor.one_system.what_if import Change, comparison, what_if
from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]


def test_no_change_gives_the_stored_results_exactly(sample_store: SampleStore) -> None:
    with open_snapshot(sample_store[0]) as con:
        ids = [row[0] for row in con.execute("SELECT system_id FROM system ORDER BY 1").fetchall()]
        for system_id in ids[::25]:
            case = load(con, system_id)
            done = what_if(case, [])
            assert case.stored is not None
            for results in (done.before, done.after):
                assert results.circuit.equals(case.stored.circuit), system_id
                assert results.system.equals(case.stored.system), system_id
            assert not comparison(done)["changed"].any()


def test_a_centre_feed_mends_a_planted_rise(sample_store: SampleStore) -> None:
    with open_snapshot(sample_store[0]) as con:
        rows = con.execute(
            "SELECT r.system_id, r.circuit_id, r.trunk_rise_pct, r.total_rise_pct FROM circuit_result r"
            " JOIN circuit c USING (system_id, circuit_id) WHERE r.voltage_rise_verdict = 'fail' AND c.feed = 'end'"
            # A quarter of the trunk's rise stays; the planted fault must be one that this mends.
            " AND r.total_rise_pct - 0.7 * r.trunk_rise_pct < r.rise_target_pct ORDER BY ALL"
        ).fetchall()
        assert rows
        system_id, circuit_id, trunk, total = rows[0]
        case = load(con, system_id)
    done = what_if(case, [Change("feed", "centre", circuit_id)])
    row = comparison(done).filter((pl.col("check") == "voltage-rise") & (pl.col("circuit_id") == circuit_id))
    assert row.select("verdict_before", "verdict_after").row(0) == ("fail", "pass")
    assert 0.6 * trunk < total - row["value_after"][0] < 0.8 * trunk


def test_a_length_is_read_as_records_read_it(tmp_path: Path) -> None:
    case = single(tmp_path)
    by_foot = what_if(case, [Change("home_run_length_m", "75 ft", "1")]).after.circuit["home_run_rise_pct"][0]
    by_metre = what_if(case, [Change("home_run_length_m", "22.86", "1")]).after.circuit["home_run_rise_pct"][0]
    before = case.results.circuit["home_run_rise_pct"][0]
    assert by_foot == pytest.approx(by_metre, rel=1e-12) == pytest.approx(before * 22.86 / 20, rel=1e-12)


def test_a_size_may_state_its_material(tmp_path: Path) -> None:
    done = what_if(single(tmp_path), [Change("home_run_size", "6 AWG AL", "1")])
    run = done.case.records.run.filter(pl.col("role") == "home run")
    assert run.select("size", "material").row(0) == ("6 AWG", "aluminium")
    # NEC Chapter 9 Table 8: 6 AWG aluminium 0.808 ohm per 1,000 ft; 32 A of go and return over 20 m.
    assert done.after.circuit["home_run_rise_pct"][0] == pytest.approx(32 * 0.808 / 304.8 * 20 / 2.4, rel=1e-9)


def test_a_run_that_was_not_recorded_can_be_tried(tmp_path: Path) -> None:
    case = single(tmp_path, feed="centre")
    bare = case.with_records(type(case.records)(
        case.records.system, case.records.circuit, case.records.unit,
        case.records.run.filter(pl.col("role") != "feeder"),
    ))  # fmt: skip
    assert bare.results.circuit["voltage_rise_verdict"][0] == "unknown"
    tried = [Change("feeder_length_m", "60 m"), Change("feeder_size", "10 AWG"), Change("feeder_material", "cu")]
    assert what_if(bare, tried).after.circuit["voltage_rise_verdict"][0] == "fail"
    assert bare.records.run.filter(pl.col("role") == "feeder").height == 0, "nothing is saved"


def test_a_feed_takes_the_place_of_recorded_arms(tmp_path: Path) -> None:
    case = single(tmp_path, feed="arms", arm_counts="12+4")
    done = what_if(case, [Change("feed", "centre")])
    assert done.notes == ("The recorded arm counts give way to the new feed.",)
    assert done.after.circuit["trunk_rise_pct"][0] == pytest.approx(2 * 0.01 * 36 / 2.4)


def test_arms_can_be_given(tmp_path: Path) -> None:
    done = what_if(single(tmp_path), [Change("arm_counts", "10+6")])
    assert done.after.circuit["trunk_rise_pct"][0] == pytest.approx(2 * 0.01 * 55 / 2.4)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (Change("home_run_length_m", "far"), "is not a length such as 75 ft or 23 m"),
        (Change("home_run_size", "10/2"), "names a cable"),
        (Change("breaker_a", "-20"), "must be from 1 to"),
        (Change("feed", "sideways"), "is not one of: end, centre, arms"),
        (Change("inverter_count", "many"), "is not a whole number"),
        (Change("inverter_count", " "), "write a value"),
        (Change("inverter_count", "12", "9"), "There is no circuit '9'"),
        (Change("system_id", "X"), "cannot be changed here"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(tmp_path: Path, change: Change, says: str) -> None:
    with pytest.raises(AuditorError, match=says.replace("(", r"\(")):
        what_if(single(tmp_path), [change])


def test_a_new_count_needs_new_arms(tmp_path: Path) -> None:
    case = single(tmp_path, feed="arms", arm_counts="12+4")
    with pytest.raises(AuditorError, match="give new arm counts"):
        what_if(case, [Change("inverter_count", "14")])
    done = what_if(case, [Change("inverter_count", "14"), Change("arm_counts", "7+7")])
    assert done.after.circuit["inverter_count"][0] == 14
