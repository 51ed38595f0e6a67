"""What telling cells say, what keeps a column from being sure, and what is proposed is also read."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from auditor.records import read_records
from auditor.records.proposing.angles import azimuths_of, tilts_of
from auditor.records.proposing.names import matches, read_name, way_of
from auditor.records.proposing.proposal import ColumnProposal, Table
from auditor.records.proposing.propose import propose
from auditor.records.proposing.tables import read_tables
from auditor.records.proposing.writing import mapping_of, mapping_text

IDS = ("Job No", ["J101", "J101", "J102", "J102"])
CIRCUITS = ("Ckt No", ["1", "2", "1", "2"])
LENGTHS = ["75", "60", "61", "90"]


def proposed(*columns: tuple[str, list[str]]) -> tuple[ColumnProposal, ...]:
    every = (IDS, CIRCUITS, *columns)
    rows = tuple(zip(*(cells for _, cells in every), strict=True))
    return propose(Table(tuple(header for header, _ in every), rows)).columns[2:]


@pytest.mark.parametrize(
    ("texts", "azimuths"),
    [
        (["N", "NE", "Due South", "WSW"], ["0", "45", "180", "247.5"]),
        (["S", "O", "SW"], ["180", "90", "225"]),  # With a W for west, an O is the German or Dutch east,
        (["S", "O", "E"], ["180", "270", "90"]),  # and with an E for east, the French, Spanish or Italian west.
        (["Z", "ZO", "NW"], ["180", "135", "315"]),
        (["Süd", "Ost", "Südwest"], ["180", "90", "225"]),
        (["sud", "ouest", "nord-est"], ["180", "270", "45"]),
    ],
)
def test_compass_points_are_read_as_one_languages_set(texts: list[str], azimuths: list[str]) -> None:
    assert azimuths_of(texts) == dict(zip(texts, azimuths, strict=True))


def test_an_o_alone_is_neither_east_nor_west() -> None:
    assert azimuths_of(["S", "O"]) == {"S": "180"}
    assert azimuths_of(["up", "7"]) == {}


def test_a_roofs_pitch_is_a_tilt() -> None:
    # tan(tilt) = rise / run: 12 over 12 is 45 degrees, 4 over 12 is 18.43.
    assert tilts_of(["12/12", "4:12", "4 in 12"], "Pitch") == {"12/12": "45.0", "4:12": "18.4", "4 in 12": "18.4"}
    assert math.tan(math.radians(18.4)) == pytest.approx(4 / 12, abs=0.001)
    assert tilts_of(["4", "6"], "Roof pitch") == {}
    assert tilts_of(["4"], "Roof pitch (x/12)") == {"4": "18.4"}


@pytest.mark.parametrize(
    ("header", "way"),
    [
        ("One way, not there and back", "one-way"),
        ("Feeder x2 (ft)", "round-trip"),
        ("Cable (go & return, m)", "round-trip"),
        ("Leitung hin und zurück", "round-trip"),
        ("Longitud ida (m)", "one-way"),
        ("Longitud ida y vuelta (m)", "round-trip"),
        ("Lunghezza sola andata", "one-way"),
        ("HR 1w ft", "one-way"),
        ("Feeder (ft)", None),
    ],
)
def test_what_is_denied_is_not_said_of_lengths(header: str, way: str | None) -> None:
    assert way_of(header)[0] == way


@pytest.mark.parametrize(
    ("header", "cells", "canonical"),
    [
        ("Zq", ["a@x.example", "a@x.example", "b@x.example", "b@x.example"], "contact"),
        ("Zq", ["IEEE 1547-2018", "IEEE 1547-2018", "UL1741SA", "UL1741SA"], "grid_profile"),
        ("Zq", ["EMT", "PVC", "EMT", "MC"], "home_run_raceway"),
        ("Zq", ["#10 Cu", "#10 Cu", "#8 Cu", "10 AWG"], "home_run_size"),
        ("Zq", ["SW", "SW", "SE", "SE"], "azimuth_deg"),
        ("Zq", ["4/12", "4/12", "6/12", "6/12"], "tilt_deg"),
        ("EGC", ["#10 Cu", "#10 Cu", "#8 Cu", "10 AWG"], None),
        ("Notes", ["EMT", "PVC", "EMT", "MC"], None),
        ("Zq", ["10", "10", "8", "10"], None),
    ],
)
def test_cells_that_belong_to_one_column_propose_it_and_are_unsure(
    header: str, cells: list[str], canonical: str | None
) -> None:
    (column,) = proposed((header, cells))
    assert (column.canonical, column.sureness) == (canonical, "unsure")


@pytest.mark.parametrize(
    ("header", "other", "canonical"),
    [
        ("HR as built (ft, one way)", "HR estimated (ft, one way)", "home_run_length_m"),
        ("Feeder length (ft, one way)", "Feeder length ordered (ft, one way)", "feeder_length_m"),
        ("Microinverters", "Microinverters claimed", "inverter_count"),
    ],
)
def test_another_version_of_a_fact_keeps_it_from_being_sure(header: str, other: str, canonical: str) -> None:
    alone, (both, version) = proposed((header, LENGTHS))[0], proposed((header, LENGTHS), (other, LENGTHS))
    assert (alone.canonical, both.canonical, version.canonical) == (canonical, canonical, None)
    assert both.sureness != "sure"
    assert any(repr(other) in reason for reason in both.reasons)


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Agency", ["Ash", "Ash", "Elm", "Elm"]),
        ("Meter tails (m, one way)", ["3", "3", "2", "2"]),
        ("Facility", ["Ash", "Ash", "Elm", "Elm"]),
    ],
)
def test_a_name_without_the_columns_own_word_is_not_sure(header: str, cells: list[str]) -> None:
    (column,) = proposed((header, cells))
    assert column.canonical is not None
    assert column.sureness == "likely"


def test_figures_that_cannot_be_it_are_not_proposed_whatever_the_name() -> None:
    for header, cells in (("Busbar (A)", ["1.0", "2.0", "1.0", "2.0"]), ("Power factor", ["95", "98", "95", "90"])):
        (column,) = proposed((header, cells))
        assert column.canonical is None, header
    (whole,) = proposed(("Inverter qty", ["12.0", "9.0", "8.0", "10.0"]))
    assert whole.canonical == "inverter_count"


@pytest.mark.parametrize("cells", [["2017", "2017", "2020", "2020"], ["43123", "43123", "44001", "44002"]])
def test_years_and_serials_are_no_dates_that_can_be_read(cells: list[str]) -> None:
    (column,) = proposed(("Energized date", cells))
    assert column.canonical is None


@pytest.mark.parametrize(
    ("header", "canonical"),
    [
        ("Run in", "home_run_raceway"),
        ("Laid in", "home_run_raceway"),
        ("Wire run subpanel > main (ft, each way)", "feeder_length_m"),
        ("JB to ACCB, m", "home_run_length_m"),
        ("Pmt dt", "permit_date"),
        ("Modelo microinversor", "inverter_model"),
        ("Anzahl Wechselrichter", "inverter_count"),
        ("Nombre d'onduleurs", "inverter_count"),
        ("Hoofdzekering (A)", "main_breaker_a"),
        ("Data attivazione", "energized_date"),
    ],
)
def test_words_of_the_trade_lead_to_a_column(header: str, canonical: str) -> None:
    assert matches(read_name(header))[0].canonical == canonical


def test_what_is_handed_to_somebody_runs_nowhere() -> None:
    assert not [
        match for match in matches(read_name("Handed to utility")) if match.canonical.startswith("service_drop")
    ]


def test_a_name_that_is_whole_for_one_column_is_no_part_of_another() -> None:
    (column,) = proposed(("Main breaker (A)", ["12", "9", "8", "10"]))
    assert column.canonical is None


def test_what_is_proposed_is_read(tmp_path: Path) -> None:
    lines = [
        "Job No,Ckt No,Inverter qty,Branch conductor,Home run loop (ft),Home run conduit,Azimuth,Roof pitch,"
        "Energized date",
        "J101,1,12,#10 Cu THWN-2 in 3/4 PVC,150 ft,3/4 EMT,S,4/12,25 March 2024",
        "J101,2,9,#8 Cu,120 ft,PVC,SW,4/12,25 March 2024",
        "J102,1,11,2/0 AL XHHW-2,80 ft,PVC,E,12/12,1 April 2024",
    ]
    path = tmp_path / "one.csv"
    path.write_text("\n".join(lines), "utf-8")
    (table,) = read_tables(path)
    text = mapping_text(table, propose(table), "one").replace("\n# tilt_deg", "\ntilt_deg")
    mapping = mapping_of(text.replace("\n# home_run", "\nhome_run").replace("\n# azimuth", "\nazimuth"))
    reading = read_records(path, mapping)
    assert (reading.accepted, reading.rows_in) == (3, 3)
    runs = reading.tables.run.sort("system_id", "circuit_id")
    assert runs["size"].to_list() == ["10 AWG", "8 AWG", "2/0 AWG"]
    assert runs["material"].to_list() == ["copper", "copper", "aluminium"]
    assert runs["raceway"].to_list() == ["steel", "pvc", "pvc"]
    # A loop of 150 ft is a run of 75 ft, and a foot is 0.3048 m.
    assert runs["length_m"].to_list() == pytest.approx([75 * 0.3048, 60 * 0.3048, 40 * 0.3048])
    assert reading.tables.system.sort("system_id")["tilt_deg"].to_list() == [18.4, 45.0]
