"""Green Button files: units, multipliers, qualifiers and phases as usage.xsd v3.3.1 defines them.

`uom` 29 is volts and 72 watt-hours, `kind` 54 voltage, `dataQualifier` 2 average and 8 maximum, `phase` 129 AN and 33
CN; a value is a whole number times ten to the power of `powerOfTenMultiplier`; `quality` 8 is estimated.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import green_button as gb
import pytest

from auditor.errors import AuditorError
from auditor.records.evidence_mapping import EvidenceMapping
from auditor.records.evidence_reader import EvidenceChunk, open_evidence
from auditor.records.evidence_schema import EVENT, READING

#: 1 June 2025, 17:00 UTC, by `date -u -d @1748797200`.
START = 1748797200
AT = datetime(2025, 6, 1, 17)
MEANS = gb.reading_type(1, uom=29, kind=54, dataQualifier=2, phase=129, powerOfTenMultiplier=-3, intervalLength=900)
TOPS = gb.reading_type(2, uom=29, kind=54, dataQualifier=8, phase=129, powerOfTenMultiplier=-1)
ENERGY = gb.reading_type(3, uom=72, kind=12, powerOfTenMultiplier=0)


def read(
    tmp_path: Path, *entries: str, mapping: EvidenceMapping | None = None
) -> tuple[EvidenceChunk, tuple[str, ...]]:
    path = tmp_path / "usage.xml"
    path.write_text(gb.feed(*entries), "utf-8")
    with open_evidence(path, READING, "", mapping) as file:
        (chunk,) = list(file.chunks)
        assert chunk.rows.height + chunk.rejects["row_number"].n_unique() == file.rows
        return chunk, file.unused


def test_averages_and_maxima_of_one_interval_are_one_reading(tmp_path: Path) -> None:
    chunk, unused = read(
        tmp_path,
        gb.block(1, gb.interval(START, 121_500), gb.interval(START + 900, 122_250)),
        gb.usage_point("00123"),
        gb.meter_reading(1, 1),
        gb.meter_reading(2, 2),
        gb.meter_reading(3, 3),
        MEANS,
        TOPS,
        ENERGY,
        gb.block(2, gb.interval(START, 1_229)),
        gb.block(3, gb.interval(START, 640)),
        gb.entry(
            "ElectricPowerQualitySummary",
            f"{gb.POINT}/ElectricPowerQualitySummary/1",
            "<espi:mainsVoltage>240000000</espi:mainsVoltage>",
        ),
    )
    names = ("system_id", "place", "leg", "start", "duration_s", "mean_v", "max_v", "power_kw")
    assert chunk.rows.select(names).rows() == [
        ("00123", "service", "A-N", AT, 900, 121.5, 122.9, None),
        ("00123", "service", "A-N", datetime(2025, 6, 1, 17, 15), 900, 122.25, None, None),
    ]
    assert unused == ("intervals that are no voltage (1)",)


@pytest.mark.parametrize(
    ("multiplier", "value", "volts"), [(-3, 240_120, 240.12), (0, 240, 240.0), (-1, 2401, 240.1), ("", 239, 239.0)]
)
def test_the_multiplier_counts(tmp_path: Path, multiplier: object, value: int, volts: float) -> None:
    kind = gb.reading_type(1, uom=29, kind=54, dataQualifier=12, phase=132, powerOfTenMultiplier=multiplier)
    chunk, _ = read(tmp_path, gb.usage_point(), gb.meter_reading(1, 1), kind, gb.block(1, gb.interval(START, value)))
    assert chunk.rows.select("leg", "mean_v").row(0) == ("A-B", pytest.approx(volts, rel=1e-12))


def test_what_was_not_measured_or_cannot_be_is_refused_with_its_row(tmp_path: Path) -> None:
    chunk, _ = read(
        tmp_path,
        gb.usage_point(),
        gb.meter_reading(1, 1),
        gb.meter_reading(2, 2),
        MEANS,
        TOPS,
        gb.block(1, gb.interval(START, 121_500, 8), gb.interval(START + 900, 121_500, 17), gb.interval("noon", 121_500),
                 gb.interval(START + 1800, "12e3"), gb.interval(START + 2700, 0)),
        gb.block(2, gb.interval(START + 9000, 1_229)),
    )  # fmt: skip
    assert chunk.rows["mean_v"].to_list() == [121.5]
    told = {row["row_number"]: row["column"] for row in chunk.rejects.to_dicts()}
    assert told == {1: "quality", 3: "start", 4: "mean_v", 5: "mean_v", 6: "mean_v"}


def test_a_mapping_says_which_system_a_usage_point_is(tmp_path: Path) -> None:
    rules = EvidenceMapping.model_validate(
        {"columns": {"system_id": {"column": "usage point", "values": {"Meter 77": "S-9"}}}}
    )
    entries = (gb.usage_point("Meter 77"), gb.meter_reading(1, 1), MEANS, gb.block(1, gb.interval(START, 121_500)))
    assert read(tmp_path, *entries, mapping=rules)[0].rows["system_id"].to_list() == ["S-9"]
    constant = EvidenceMapping.model_validate({"constants": {"system_id": "S-8"}})
    assert read(tmp_path, *entries, mapping=constant)[0].rows["system_id"].to_list() == ["S-8"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (gb.feed(gb.usage_point()), "is no Green Button file with intervals"),
        ("<feed><entry>", "is damaged"),
        (
            gb.feed(gb.usage_point(), gb.meter_reading(1, 1), MEANS, gb.block(7, gb.interval(START, 1))),
            "belongs to no meter reading",
        ),
        (
            gb.feed(MEANS, head='<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY a "aaaa">]><feed>'),
            "document type declaration",
        ),
    ],
)
def test_a_file_that_cannot_be_relied_on_is_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "usage.xml"
    path.write_text(text, "utf-8")
    with pytest.raises(AuditorError) as told, open_evidence(path, READING):
        pass
    assert said in str(told.value)
    with pytest.raises(AuditorError) as told, open_evidence(path, EVENT):
        pass
    assert "is .csv or .parquet" in str(told.value)


def test_a_file_without_voltages_says_so(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="of its 1 intervals none is a voltage in volts"):
        read(tmp_path, gb.usage_point(), gb.meter_reading(1, 3), ENERGY, gb.block(1, gb.interval(START, 640)))


def test_a_multiplier_that_makes_no_supply_refuses_the_reading(tmp_path: Path) -> None:
    """121 times ten to the power of -3 is 0.121 V; 121,500 times it is 121.5 V."""
    entries = (gb.usage_point(), gb.meter_reading(1, 1), MEANS)
    chunk, _ = read(tmp_path, *entries, gb.block(1, gb.interval(START, 121), gb.interval(START + 900, 121_500)))
    assert chunk.rows["mean_v"].to_list() == [121.5]
    assert chunk.rejects.select("row_number", "column", "code").rows() == [(1, "mean_v", "constraint-error")]
    assert "powerOfTenMultiplier" in chunk.rejects["sentence"][0]
