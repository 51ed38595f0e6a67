"""A system with readings: its own supply comes out of them, figure by figure, and with it its trip-days."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from auditor.likelihood.grid import nodes_at
from auditor.likelihood.inputs import Profile, Supply, Threshold
from auditor.likelihood.lookup import Places, trip_days
from auditor.likelihood.table import make_table
from auditor.prepare import prepare
from auditor.records.evidence_casting import evidence_schema_of
from auditor.records.evidence_schema import READING
from auditor.trips import Evidence
from auditor.trips.channels import FIGURES, KEYS
from auditor.trips.evidence import measured_days
from auditor.trips.fitting import fitted
from auditor.trips.inputs import MONTHS_LEFT, NOISE, PEAKS, SUPPLY, inputs

sys.path.insert(0, str(Path(__file__).parents[1] / "prepare"))
sys.path.insert(0, str(Path(__file__).parents[1] / "evidence"))
sys.path.insert(0, str(Path(__file__).parent))
from prepare_cases import catalog
from supply_simulator import Truth, mean_of, simulate
from test_trips_evidence import AS_OF, looked_at, policy, records

#: On the zone's meridian, where the simulator's clock is the system's; no offsets, so that the truth is one figure.
PLACE = {"latitude_deg": 30.0, "longitude_deg": 0.0}
RULES = policy(101.0, site_pct=1.2, day_pct=0.4, beta_sd_pct=0.5)
ASSUME = RULES.trips.assume.model_copy(update={"sensing_error_pct": 0.0})
RULES = RULES.model_copy(update={"trips": RULES.trips.model_copy(update={"assume": ASSUME})})
#: A supply that the policy does not foresee.
TRUTH = Truth(level=103.4, sigma=0.45, rho=0.95, day=0.3, peak=0.2, beta=1.0, season=0.2, noon=0.3)


def read_from(folder: Path, truth: Truth, days: slice = slice(0, 365), power: bool = True) -> pl.DataFrame:
    """The readings of system S at its service, every five minutes of some days of a year."""
    frames = catalog(folder).frames()
    row = inputs(prepare(records(**PLACE), frames, RULES, AS_OF), frames, RULES).frame.row(0, named=True)
    drawn = simulate(replace(truth, rise=row["service_pct"]), 3)
    part = slice(days.start * 288, days.stop * 288)
    size = drawn["start"][part].size
    nominal = row["unit_voltage_v"] / 100
    told = {
        "system_id": ["S"] * size,
        "place": ["service"] * size,
        "leg": ["L1-L2"] * size,
        "start": drawn["start"][part].astype("datetime64[us]"),
        "duration_s": drawn["duration_s"][part],
        "mean_v": drawn["mean_pct"][part] * nominal,
        "max_v": drawn["max_pct"][part] * nominal,
        "power_kw": drawn["own_output"][part] * row["rated_kw"] if power else [None] * size,
    }
    schema = {name: kind for name, kind in evidence_schema_of(READING).items() if name != "source_row"}
    blank = pl.DataFrame({name: [None] * size for name in schema if name not in told}, schema_overrides=schema)
    return pl.DataFrame(told).hstack(blank).select(pl.col(name).cast(kind) for name, kind in schema.items())


def fit_of(folder: Path, readings: pl.DataFrame) -> pl.DataFrame:
    frames = catalog(folder).frames()
    prepared = prepare(records(**PLACE), frames, RULES, AS_OF)
    return fitted(prepared, frames, RULES, [readings.group_by(KEYS).agg(FIGURES)])


def true_trip_days(found: dict[str, float], row: dict[str, object]) -> float:
    """Trip-days on the true supply, without a fit or a shared table, for the days that were measured."""
    hours = np.arange(24)
    mean = np.array([mean_of(TRUTH, np.full(24, month), hours) for month in range(12)])
    level = float(mean.mean())
    supply = Supply(mean - level, TRUTH.sigma, TRUTH.rho, TRUTH.day, TRUTH.peak)
    # IEEE 1547-2018 category II: 1.10 in 2 s, 1.20 in 0.16 s; return under 1.05 after 300 s, ramp of 300 s.
    profile = Profile((Threshold(110.0, 2.0), Threshold(120.0, 0.16)), 105.0, 300.0, 300.0)
    rise = found["headroom_service_pct"] + found["headroom_wiring_pct"]
    nodes = nodes_at(profile, supply, (rise,), (TRUTH.beta,), (TRUTH.day,), ((rise,), (TRUTH.beta,)))
    shapes = measured_days(row)
    assert shapes is not None
    table = make_table(profile, supply, shapes, np.zeros(12), nodes, headline_only=True)
    at = Places(*(np.array([value]) for value in (level, rise, TRUTH.beta, 0.0)))
    return float(trip_days(table, at)[0])


@pytest.mark.long
def test_a_year_of_readings_gives_the_true_trip_days_back(tmp_path: Path) -> None:
    fits = fit_of(tmp_path, read_from(tmp_path, TRUTH))
    row = fits.row(0, named=True)
    assert (row["place"], row["leg"], row["days"], row["months_read"], row["output_days"]) == (
        "service", "L1-L2", 365, 12, 365,
    )  # fmt: skip
    assert row["beta_pct"] == pytest.approx(TRUTH.beta, abs=3 * row["beta_se_pct"])
    assert row["sigma_pct"] == pytest.approx(TRUTH.sigma, rel=0.05)
    assert row["peak_pct"] == pytest.approx(TRUTH.peak, rel=0.05)
    found = looked_at(tmp_path, RULES, Evidence(supplies=fits), records(**PLACE))
    assert found["supply_from"] == "readings of 365 days"
    assert found["output_from"] == "measured on 365 days"
    assert found["supply_site_pct"] == row["level_se_pct"] < 0.1
    told = set(found["trip_assumed"].split("; "))
    assert not told & {SUPPLY, MONTHS_LEFT, NOISE, PEAKS, "neighbours' sun"}
    assert found["trip_most_telling"] not in ("supply level", "spread of the supply level", "neighbours' sun")
    truth = true_trip_days(found, row)
    assert truth > 5
    assert found["trip_days_per_year_low"] < truth < found["trip_days_per_year_high"]
    assert found["trip_days_per_year"] == pytest.approx(truth, rel=0.35)


def test_what_few_readings_cannot_tell_stays_assumed(tmp_path: Path) -> None:
    """Eight days of June: a level with its own error, and neither noise, nor sun, nor output, nor other months."""
    row = fit_of(tmp_path, read_from(tmp_path, TRUTH, slice(160, 168))).row(0, named=True)
    assert (row["days"], row["months_read"]) == (8, 1)
    told = ("sigma_pct", "rho", "day_pct", "beta_pct", "beta_se_pct", "output", "output_days")
    assert {row[name] for name in told} == {None}
    assert 0.1 < row["level_se_pct"] < RULES.supply.site_pct
    # The level of the simulated year, for which the readings of a week stand.
    hours = np.arange(24)
    mean = np.mean([mean_of(TRUTH, np.full(24, month), hours) for month in range(12)])
    assert row["level_pct"] == pytest.approx(mean, abs=2.5 * row["level_se_pct"])


def test_six_days_tell_nothing(tmp_path: Path) -> None:
    assert fit_of(tmp_path, read_from(tmp_path, TRUTH, slice(160, 166))).height == 0


def test_without_power_the_nights_tell_the_level(tmp_path: Path) -> None:
    fits = fit_of(tmp_path, read_from(tmp_path, TRUTH, slice(100, 190), power=False))
    row = fits.row(0, named=True)
    assert row["beta_pct"] is None
    assert row["output"] is None
    by_night = np.array(row["dev_pct"]).reshape(12, 24)
    assert row["used"] < 0.6 * 90 * 288
    # 03:00 in May, as the simulator has it.
    true = float(mean_of(TRUTH, np.array([4]), np.array([3]))[0])
    assert row["level_pct"] + by_night[4, 3] == pytest.approx(true, abs=0.25)


def test_a_leg_to_neutral_is_no_voltage_across_the_units(tmp_path: Path) -> None:
    readings = read_from(tmp_path, TRUTH, slice(160, 168))
    halves = readings.with_columns(pl.col("mean_v", "max_v") / 2, pl.lit("L1-N").alias("leg"))
    assert fit_of(tmp_path, halves).height == 0
    both = fit_of(tmp_path, pl.concat([halves, readings]))
    assert both.row(0, named=True)["leg"] == "L1-L2"
