"""Rules that look at one system: each fires on what it is for, at its bounds, and on nothing sound."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl
import pytest
from suspicion_batches import batch_of

from auditor.prepare import Prepared
from auditor.suspicion import RULES, SCHEMA, suspicions


def found(**cells: Any) -> list[tuple[str | None, str, str, str]]:
    """Return the warnings on the sound system with these cells as (circuit, code, column, value)."""
    return suspicions(batch_of(**cells)).select("circuit_id", "code", "column", "value").rows()


def sentence(**cells: Any) -> str:
    """Return the one warning's sentence."""
    (text,) = suspicions(batch_of(**cells))["sentence"]
    return str(text)


def test_a_sound_system_is_not_suspected() -> None:
    told = suspicions(batch_of(runs=[{"role": "feeder", "length_m": 500.0}], units=[8, 8]))
    assert told.height == 0
    assert dict(told.schema) == SCHEMA


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"home_run_rise_pct": 6.01}, ("1", "run-rise", "home_run_length_m", "20")),
        ({"home_run_rise_pct": 6.0}, None),
        ({"home_run_rise_pct": 9.0, "home_run_length_m": None}, None),
        ({"feeder_rise_pct": 6.01}, (None, "run-rise", "feeder_length_m", "10")),
        ({"breaker_a": 0.9}, ("1", "device-sizes", "breaker_a", "0.9")),
        ({"breaker_a": 1.0}, None),
        ({"busbar_a": 99.0}, (None, "device-sizes", "busbar_a", "99")),
        ({"busbar_a": 100.0}, None),
        ({"module_count": 15}, ("1", "module-count", "module_count", "15")),
        ({"module_count": 64}, None),
        ({"module_count": 65}, ("1", "module-count", "module_count", "65")),
        (
            {"inverter_count": 401, "arm_counts": None, "module_count": None},
            ("1", "unit-count", "inverter_count", "401"),
        ),
        ({"inverter_count": 400, "arm_counts": None, "module_count": None}, None),
        ({"arm_counts": "10+8"}, ("1", "unit-count", "arm_counts", "10+8")),
        ({"arm_counts": "8 + 8"}, None),
        ({"feed": "end"}, ("1", "unit-count", "arm_counts", "8+8")),
        ({"feed": "end", "arm_counts": "16"}, None),
        ({"units": [8, 4]}, ("1", "unit-count", "inverter_count", "16")),
        ({"units": [8, None]}, None),
        ({"energized_date": date(2020, 3, 31)}, (None, "dates", "energized_date", "2020-03-31")),
        ({"energized_date": date(2020, 4, 1)}, None),
        ({"energized_date": date(2026, 2, 1)}, (None, "dates", "energized_date", "2026-02-01")),
        ({"energized_date": date(2026, 1, 31)}, None),
        ({"design_date": date(1994, 12, 31)}, (None, "dates", "design_date", "1994-12-31")),
        ({"design_date": date(1995, 1, 1)}, None),
        ({"latitude_deg": 0.0, "longitude_deg": 0.0}, (None, "coordinates", "latitude_deg", "0, 0")),
        ({"latitude_deg": 43.4, "longitude_deg": 43.4}, (None, "coordinates", "latitude_deg", "43.4, 43.4")),
        ({"latitude_deg": -77.1, "longitude_deg": 38.9}, (None, "coordinates", "latitude_deg", "-77.1, 38.9")),
        ({"latitude_deg": 72.0}, None),
        ({"latitude_deg": 80.0, "longitude_deg": None}, None),
        ({"runs": [{"role": "feeder", "length_m": 501.0}]}, (None, "run-length", "feeder_length_m", "501")),
        (
            {"runs": [{"role": "home run", "circuit_id": "1", "length_m": 900.0}]},
            ("1", "run-length", "home_run_length_m", "900"),
        ),
        ({"runs": [{"role": "feeder", "length_m": None}]}, None),
        (
            {"runs": [{"role": "home run", "circuit_id": "1", "length_m": 0.0}]},
            ("1", "run-length", "home_run_length_m", "0"),
        ),
        ({"runs": [{"role": "home run", "circuit_id": "1", "length_m": 0.1}]}, None),
        ({"runs": [{"role": "feeder", "length_m": 0.0}]}, None),
        ({"stated_rise_pct": 1.06}, None),
        ({"stated_rise_pct": 1.04}, ("1", "stated-rise", "stated_rise_pct", "1.04")),
        ({"stated_rise_pct": 2.09}, None),
        ({"stated_rise_pct": 2.11}, ("1", "stated-rise", "stated_rise_pct", "2.11")),
        ({"stated_rise_pct": 0.1, "total_rise_pct": 0.2}, None),
        ({"stated_rise_pct": None}, None),
        ({"total_rise_pct": None}, None),
    ],
)
def test_each_rule_at_its_bound(cells: dict[str, Any], told: tuple[Any, ...] | None) -> None:
    assert found(**cells) == ([told] if told else [])


def test_energized_before_the_design_is_before_the_permit_too() -> None:
    assert [code for _, code, *_ in found(energized_date=date(2019, 1, 1))] == ["dates", "dates"]
    assert sentence(energized_date=date(2020, 3, 2), permit_date=None, design_date=date(2020, 3, 3)) == (
        "energized on 2020-03-02, before it was designed on 2020-03-03"
    )


@pytest.mark.parametrize(
    ("stated", "total", "trunk", "why"),
    [
        # Trunk 0.4 %; runs of 1.2 % there and back are 0.6 % one way: 1.0 % in all, where the record gives 1.6 %.
        (1.0, 1.6, 0.4, "the record's lengths may be there and back"),
        # Runs of 0.6 % that were halved: 1.2 % in truth.
        (1.6, 1.0, 0.4, "may have been halved"),
        # 75 ft are 22.86 m; read as 75 m they raise 3.28 times as much: 0.5 % -> 1.64 %.
        (0.9, 0.4 + 0.5 / 0.3048, 0.4, "feet taken for metres"),
        # 22.86 m read as 22.86 ft are 6.97 m: 0.5 % -> 0.1524 %.
        (0.9, 0.4 + 0.5 * 0.3048, 0.4, "metres taken for feet"),
        # The statement counts everything twice, the trunk too.
        (3.2, 1.6, 0.4, "counts them there and back"),
        (3.0, 1.3, 0.4, "not what was designed"),
    ],
)
def test_a_stated_rise_tells_which_slip_explains_it(stated: float, total: float, trunk: float, why: str) -> None:
    assert why in sentence(stated_rise_pct=stated, total_rise_pct=total, trunk_rise_pct=trunk)


def test_a_long_run_is_told_in_other_units() -> None:
    # A rise is proportional to length: 8.2 % of 100 m is 2.5 % of 100 ft (30.48 m), and 4.1 % of 50 m.
    assert sentence(home_run_rise_pct=8.2, home_run_length_m=100.0) == (
        "home run of 100 m, 10 AWG, alone raises the voltage by 8.2 % where the target is 2 %; it would be 2.5 % if the"
        " figure were feet; it would be 4.1 % if it were there and back"
    )


def test_a_feeder_is_told_once_for_all_its_circuits() -> None:
    batch = batch_of(feeder_rise_pct=7.0)
    prepared = batch.prepared.circuit
    two = pl.concat([prepared, prepared.with_columns(pl.lit("2").alias("circuit_id"), feeder_rise_pct=pl.lit(7.5))])
    system, feeder = batch.prepared.system, batch.prepared.feeder
    told = suspicions(replace(batch, prepared=Prepared(system, feeder, two))).filter(code="run-rise")
    assert told.height == 1
    assert "by 7.5 %" in told["sentence"][0]


def test_swapped_coordinates_are_named() -> None:
    assert "may have changed places" in sentence(latitude_deg=-77.1, longitude_deg=38.9)
    assert "changed places" not in sentence(latitude_deg=-77.1, longitude_deg=95.0)


def test_every_rule_says_what_why_how_and_whence() -> None:
    codes = [rule.code for rule in RULES]
    assert len(set(codes)) == len(codes)
    for rule in RULES:
        doc = str(sys.modules[rule.find.__module__].__doc__)
        heads = re.findall(r"\*\*(\w+)\.\*\*", doc)
        assert heads == ["What", "Why", "Rule", "Source"], rule.code
        assert rule.find.__doc__
