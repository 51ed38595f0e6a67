"""Rules that hold for any office: ends of runs, what has no column, phases, codes, ids in blocks, plurals, azimuths."""

from __future__ import annotations

import pytest

from auditor.records.proposing.cells import Cells, decimal_mark
from auditor.records.proposing.codes import translations
from auditor.records.proposing.names import matches, read_name
from auditor.records.proposing.phases import phases_of
from auditor.records.proposing.proposal import Table
from auditor.records.proposing.propose import propose
from auditor.records.schema import simple_columns

COLUMNS = simple_columns()
IDS = ("Job No", ["J101", "J101", "J102", "J102"])
CIRCUITS = ("Ckt No", ["1", "2", "1", "2"])


def table(*columns: tuple[str, list[str]]) -> Table:
    return Table(tuple(header for header, _ in columns), tuple(zip(*(cells for _, cells in columns), strict=True)))


def best(header: str) -> str:
    return matches(read_name(header))[0].canonical


@pytest.mark.parametrize(
    ("header", "canonical"),
    [
        ("Roof to sub-board [m]", "home_run_length_m"),
        ("J-Box → Combiner (ft)", "home_run_length_m"),
        ("L roof-DB m", "home_run_length_m"),
        ("loft to the cupboard (m)", "home_run_length_m"),
        ("Combiner to MSP (ft)", "feeder_length_m"),
        ("MSP to meter (ft)", "service_entrance_length_m"),
        ("Pole to house (ft)", "service_drop_length_m"),
        ("Pole to meter", "service_drop_length_m"),
        ("J-box to 1st inverter (ft)", "first_section_m"),
        ("Distance to pole (ft)", "service_drop_length_m"),
    ],
)
def test_the_two_ends_name_a_run(header: str, canonical: str) -> None:
    assert best(header) == canonical


def test_two_places_name_no_run_without_a_link_between_them_nor_a_rating() -> None:
    assert best("Inverter panel") != "home_run_length_m"
    assert not {match.canonical for match in matches(read_name("Meter-main (A)"))} & {"service_entrance_length_m"}


@pytest.mark.parametrize(
    ("header", "canonical"),
    [
        ("Wind region", "region"),
        ("Zone sub", "region"),
        ("Substation", "distribution_feeder_id"),
        ("Meter number", "system_id"),
        ("Roof length (ft)", "home_run_length_m"),
        ("Permit final", "permit_date"),
        ("De-energized date", "energized_date"),
        ("Checked by", "designer"),
        ("Status", "site_label"),
        ("EGC size", "home_run_size"),
    ],
)
def test_what_the_records_hold_no_column_for_names_none(header: str, canonical: str) -> None:
    assert canonical not in {match.canonical for match in matches(read_name(header)) if match.score >= 60}


@pytest.mark.parametrize(
    ("cells", "phases"),
    [
        (["A-B", "B-C", "C-A"], ["AB", "BC", "CA"]),
        (["L1", "L2", "L1/L2/L3"], ["A", "B", "ABC"]),
        (["L3-N", "L1N"], ["C", "A"]),
        # AS/NZS 3000:2018 table 3.4: red, white and blue are the first, second and third phase (from memory).
        (["R", "W", "B", "RWB"], ["A", "B", "C", "ABC"]),
        # BS 7671:2001 table 51A, before brown, black and grey: red, yellow and blue (from memory).
        (["Red", "Yellow", "Blue"], ["A", "B", "C"]),
        (["U", "V", "W"], ["A", "B", "C"]),
        (["3ph"], ["ABC"]),
        (["B"], None),
        (["1", "3"], None),
        (["Ph 1", "Ph 2"], None),
        (["North wing", "South wing"], None),
    ],
)
def test_phases_are_read_as_one_set_of_names(cells: list[str], phases: list[str] | None) -> None:
    assert phases_of(cells) == (dict(zip(cells, phases, strict=True)) if phases else {})


@pytest.mark.parametrize(
    ("texts", "canonical", "said"),
    [
        (["B16", "C25", "20A/2P", "2P-30A"], "breaker_a", {"B16": "16", "C25": "25", "20A/2P": "20", "2P-30A": "30"}),
        (["10 ga", "#10G"], "home_run_size", {"10 ga": "10 AWG"}),
        (['3/4" EMT', "EMT or PVC"], "home_run_raceway", {'3/4" EMT': "steel"}),
        (["705.12 load", "load or line"], "connection_side", {"705.12 load": "load"}),
        (["LS"], "connection_side", {}),
        (["LS", "SS"], "connection_side", {"LS": "load", "SS": "supply"}),
        (["3 + 6", "8/8"], "arm_counts", {"3 + 6": "3+6", "8/8": "8+8"}),
        (["1/0 AL"], "feeder_material", {}),
    ],
)
def test_codes_are_understood_where_they_can_mean_one_thing(
    texts: list[str], canonical: str, said: dict[str, str]
) -> None:
    assert translations(texts, canonical, COLUMNS[canonical], "") == said


def test_what_reads_as_it_stands_is_not_translated() -> None:
    one = table(
        IDS, CIRCUITS, ("Arm counts", ["3 + 6", "8+8", "4/5", "3 + 6"]), ("Breaker (A)", ["20A", "B16", "20", "15"])
    )
    assert [column.values for column in propose(one).columns[2:]] == [{"4/5": "4+5"}, {"B16": "16"}]


def test_the_system_is_what_stands_in_blocks_where_no_name_says_so() -> None:
    one = table(("Zq", ["K-101", "K-101", "K-102", "K-102"]), CIRCUITS, ("Zx", ["K-1", "K-2", "K-3", "K-4"]))
    apart = table(("Zq", ["K-101", "K-102", "K-101", "K-102"]), CIRCUITS)
    assert [column.canonical for column in propose(one).columns] == ["system_id", "circuit_id", None]
    assert propose(one).columns[0].sureness == "unsure"
    assert propose(apart).of("system_id") is None


def test_plurals_count_and_singulars_name() -> None:
    names = ["Alder 400B", "Alder 400B", "Alder 410B", "Alder 410B"]
    one = table(IDS, CIRCUITS, ("Panel", names), ("Panels", ["12", "9", "11", "8"]))
    assert [column.canonical for column in propose(one).columns[2:]] == ["module_model", "module_count"]


def test_what_is_said_per_circuit_is_a_count() -> None:
    one = table(IDS, ("PV/cct", ["12", "9", "11", "8"]), ("Cct ref", ["1", "2", "1", "2"]))
    assert [column.canonical for column in propose(one).columns[1:]] == ["module_count", "circuit_id"]


def test_an_attribute_without_its_run_is_of_no_run_in_particular() -> None:
    found = [match for match in matches(read_name("Conductor length")) if match.canonical.endswith("_length_m")]
    assert len(found) >= 4
    assert all(match.bare for match in found if match.canonical != "first_section_m")


def test_an_azimuth_from_the_south_is_not_taken() -> None:
    for header, cells in (("Azimuth (S = 0)", ["15", "15", "90", "90"]), ("Azimuth", ["-15", "15", "90", "90"])):
        assert propose(table(IDS, CIRCUITS, (header, cells))).of("azimuth_deg") is None
    assert propose(table(IDS, CIRCUITS, ("Azimuth (N = 0)", ["15", "15", "90", "90"]))).of("azimuth_deg") is not None


def test_most_columns_settle_the_decimal_mark() -> None:
    ids, commas = Cells(("1.1", "1.2")), [Cells(("54,2457",)), Cells(("0,95",)), Cells(("4,0",))]
    assert decimal_mark([ids, *commas]) == ","
    assert decimal_mark([ids, commas[0]]) is None
