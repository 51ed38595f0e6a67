"""The parts of a proposal: headers taken apart, cells looked at, codes, header rows, units, any header at all."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.errors import AuditorError
from auditor.records import Mapping, load_mapping, read_records
from auditor.records.proposing.cells import Cells, date_order, decimal_mark, size_unit
from auditor.records.proposing.codes import service_of, translations
from auditor.records.proposing.headers import find_header, fingerprint, title_constants, title_lengths, title_unit
from auditor.records.proposing.names import matches, read_name
from auditor.records.proposing.proposal import Table
from auditor.records.proposing.propose import propose
from auditor.records.proposing.tables import choose_table, read_tables
from auditor.records.proposing.writing import mapping_of, mapping_text
from auditor.records.schema import simple_columns

COLUMNS = simple_columns()


def table(*columns: tuple[str, list[str]], titles: tuple[str, ...] = ()) -> Table:
    rows = tuple(zip(*(cells for _, cells in columns), strict=True))
    return Table(tuple(header for header, _ in columns), rows, titles=titles)


def best(header: str) -> str:
    return matches(read_name(header))[0].canonical


@pytest.mark.parametrize(
    ("header", "unit", "lengths"),
    [
        ("Feeder Length (ft)", "ft", None),
        ("feeder_length_ft", "ft", None),
        ("Feeder Length (m, one-way)", "m", "one-way"),
        ("Feeder there and back [m]", "m", "round-trip"),
        ("Feeder A/R (m)", "m", "round-trip"),
        ("FDR RT ft", "ft", "round-trip"),
        ("Feeder loop, feet", "ft", "round-trip"),
        ("Feeder 1-way ft", "ft", "one-way"),
        ("fdr'", "ft", None),
        ("Main (A)", "A", None),
        ("Ambient °F", "degf", None),
        ("Feeder mm²", "mm2", None),
    ],
)
def test_a_header_states_units_and_how_lengths_are_measured(header: str, unit: str, lengths: str | None) -> None:
    name = read_name(header)
    assert (name.unit, name.lengths) == (unit, lengths)


@pytest.mark.parametrize(
    ("header", "canonical"),
    [
        ("InvQty", "inverter_count"),
        ("XFMR kVA", "transformer_kva"),
        ("Main Brkr", "main_breaker_a"),
        ("J-box to combiner", "home_run_length_m"),
        ("HR conductr size", "home_run_size"),
        ("Job: Permit Date", "permit_date"),
        ("Fdr Mat'l", "feeder_material"),
        ("cos φ", "power_factor"),
        ("Lines company", "utility"),
        ("Plans By", "designer"),
        ("JOBNO", "system_id"),
        ("HRLEN_FT", "home_run_length_m"),
        ("XFMRKVA", "transformer_kva"),
        ("Cct L / m", "home_run_length_m"),
        ("n inv", "inverter_count"),
    ],
)
def test_words_lead_to_a_column(header: str, canonical: str) -> None:
    assert canonical in {match.canonical for match in matches(read_name(header))[:3]}


@pytest.mark.parametrize("header", ["Feeder cost", "Notes", "Labor of crew", "Home run price (ft)"])
def test_words_that_exclude_a_column(header: str) -> None:
    assert matches(read_name(header)) == ()


def test_words_that_speak_against_a_column_lower_it() -> None:
    plain, estimate = matches(read_name("Home run length"))[0], matches(read_name("Home run length est"))[0]
    assert (plain.canonical, estimate.canonical) == ("home_run_length_m", "home_run_length_m")
    assert estimate.score < plain.score - 20


@pytest.mark.parametrize(
    ("texts", "order"),
    [
        (["1/2/2023", "4/3/2023"], None),
        (["1/2/2023", "3/25/2023"], "month-day-year"),
        (["1/2/2023", "25/3/2023"], "day-month-year"),
        (["2023/03/25"], "year-month-day"),
        (["25.03.2023"], "day-month-year"),
        (["25/3/2023", "3/25/2023"], None),
        (["13/45/2019"], None),
    ],
)
def test_only_a_date_decides_the_order_of_dates(texts: list[str], order: str | None) -> None:
    assert date_order(texts)[0] == order


@pytest.mark.parametrize(
    ("texts", "unit"),
    [
        (["12", "8", "10"], ("AWG", True)),
        (["2.5", "6"], ("mm2", True)),
        (["6", "10"], (None, False)),
        (["6", "#10"], ("AWG", True)),
        (["4/0", "350"], (None, False)),
        (["10 AWG", "4 AWG"], (None, True)),
        (["6mm2"], (None, True)),
    ],
)
def test_sizes_settle_their_unit(texts: list[str], unit: tuple[str | None, bool]) -> None:
    assert size_unit(Cells(tuple(texts)), None) == unit


@pytest.mark.parametrize(
    ("texts", "mark"),
    [(["12,5"], ","), (["12.5"], "."), (["1,250"], None), (["1,250.5"], "."), (["12"], None), (["1,5", "1.5"], None)],
)
def test_figures_show_the_decimal_mark(texts: list[str], mark: str | None) -> None:
    assert decimal_mark([Cells(tuple(texts))]) == mark


@pytest.mark.parametrize(
    ("text", "service"),
    [
        ("120/240V 1PH", "120/240"),
        ("240/120", "120/240"),
        ("Single Phase 120/240 V (3-wire)", "120/240"),
        ("208Y/120 3ph 4w", "208Y/120"),
        ("3PH-480", "480Y/277"),
        ("277/480", "480Y/277"),
        ("3~ 400/230 V", "400Y/230"),
        ("230 V", "230"),
        ("240", None),
        ("208 1ph", None),
        ("240 delta", None),
        ("D240", None),
        ("120/240 3ph high-leg", None),
        ("Gold plan", None),
        ("1ph", None),
    ],
)
def test_a_service_is_told_only_where_it_is_plain(text: str, service: str | None) -> None:
    assert service_of(text) == service


def test_codes_mean_what_the_table_says_and_leading_means_nothing() -> None:
    assert translations(["EMT", "Sch 40"], "home_run_raceway", COLUMNS["home_run_raceway"], "") == {
        "EMT": "steel",
        "Sch 40": "pvc",
    }
    assert translations(["LEAD", "LAG"], "power_factor_mode", COLUMNS["power_factor_mode"], "") == {}
    assert translations(["Y", "N"], "connection_side", COLUMNS["connection_side"], "Supply side?") == {
        "Y": "supply",
        "N": "load",
    }


def test_the_header_is_found_below_titles_and_above_records() -> None:
    rows = [["Wiring list 2023", "", ""], ["", "", ""], ["Job", "Ckt", "Inv Qty"], ["J1", "1", "12"], ["J1", "2", "9"]]
    assert find_header(rows) == 2
    assert find_header(rows[2:]) == 0
    assert find_header([]) == 0


def test_a_fingerprint_knows_a_header_again_and_no_other() -> None:
    assert fingerprint(["Job No", "Ckt"]) == fingerprint([" job  no", "CKT ", ""])
    assert fingerprint(["Job No", "Ckt"]) != fingerprint(["Ckt", "Job No"])
    assert fingerprint(["Job No Ckt"]) != fingerprint(["Job No", "Ckt"])


def test_titles_only_suggest() -> None:
    titles = ["All lengths in feet, one way", "Service 208Y/120; NEC 2020"]
    assert (title_unit(titles), title_lengths(titles)) == ("ft", "one-way")
    assert title_constants(titles, []) == {
        "service": "208Y/120",
        "installation_code": "NEC",
        "code_edition": "2020",
    }
    lines = mapping_text(Table(("a",), (), titles=tuple(titles)), propose(Table(("a",), (), titles=tuple(titles))), "f")
    assert tomllib.loads(lines)["constants"] == {}


IDS = ("Job No", ["J101", "J101", "J102", "J102"])
CIRCUITS = ("Ckt No", ["1", "2", "1", "2"])


def test_lengths_are_unsure_until_somebody_says_how_they_are_measured() -> None:
    one = table(IDS, CIRCUITS, ("Feeder Length (ft)", ["75", "80", "60", "61"]))
    unsaid, said = propose(one).of("feeder_length_m"), propose(one, "round-trip").of("feeder_length_m")
    assert unsaid is not None and (unsaid.sureness, unsaid.lengths) == ("unsure", None)
    assert said is not None and (said.sureness, said.lengths) == ("sure", "round-trip")


def test_the_cells_choose_among_columns_of_one_name() -> None:
    rated = table(IDS, CIRCUITS, ("Panel", ["200", "200", "125", "125"]))
    named = table(IDS, CIRCUITS, ("Panel", ["Alder 400B", "Alder 400B", "Alder 410B", "Alder 410B"]))
    assert propose(rated).columns[2].canonical == "busbar_a"
    assert propose(named).columns[2].canonical == "module_model"


def test_the_circuit_is_what_tells_the_rows_of_a_system_apart() -> None:
    by_pair = table(IDS, ("zz", ["1", "2", "1", "2"]), ("Circuit", ["7", "7", "7", "7"]))
    assert propose(by_pair).of("circuit_id") is not None
    assert propose(by_pair).columns[1].canonical == "circuit_id"


def test_a_repeated_header_is_left_alone() -> None:
    twice = propose(table(IDS, ("Breaker", ["20"] * 4), ("Breaker", ["20"] * 4)))
    assert [column.canonical for column in twice.columns[1:]] == [None, None]


def test_a_canonical_header_that_stays_unsure_is_shut() -> None:
    one = table(IDS, CIRCUITS, ("crew", ["1.5", "2.5", "3.5", "4.5"]))
    assert mapping_of(mapping_text(one, propose(one), "f")).ignore.columns == ("crew",)


HEADER_TEXTS = st.one_of(
    st.text(max_size=40),
    st.lists(st.sampled_from(["home", "run", "feeder", "ft", "(m)", "A/R", "qty", "inv", "size", "#", "°", "to"]),
             max_size=6).map(" ".join),
    st.sampled_from(sorted(COLUMNS)),
)  # fmt: skip
CELLS = st.one_of(
    st.text(max_size=12), st.sampled_from(["", "12", "75'", "4/0", "1/2/2023", "12,5", "8+8", "Y", "EMT"])
)


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_any_table_gives_a_proposal_whose_mapping_loads(data: st.DataObject) -> None:
    headers = data.draw(st.lists(HEADER_TEXTS, max_size=8))
    rows = data.draw(st.lists(st.tuples(*[CELLS] * len(headers)), max_size=5))
    titles = data.draw(st.lists(st.text(max_size=30), max_size=2))
    one = Table(tuple(headers), tuple(rows), titles=tuple(titles))
    proposal = propose(one)
    assert len(proposal.columns) == len(headers)
    canonical = [column.canonical for column in proposal.mapped()]
    assert len(canonical) == len(set(canonical))
    assert isinstance(mapping_of(mapping_text(one, proposal, "any")), Mapping)
    assert proposal == propose(one)


@pytest.mark.parametrize(
    ("delimiter", "encoding"), [(";", "utf-8"), ("\t", "utf-8"), ("|", "cp1252"), (",", "utf-8-sig")]
)
def test_a_csv_of_any_delimiter_is_read(tmp_path: Path, delimiter: str, encoding: str) -> None:
    rows = [["Wiring list"], ["Job No", "Ckt No", "Site"], ["J101", "1", "Börse"], ["J101", "2", "Börse"]]
    path = tmp_path / "one.csv"
    path.write_text("\r\n".join(delimiter.join(row) for row in rows), encoding=encoding)
    (one,) = read_tables(path)
    assert (one.headers, one.header_row) == (("Job No", "Ckt No", "Site"), 2)
    mapping = mapping_of(mapping_text(one, propose(one), "one"))
    assert read_records(path, mapping).tables.system["site_label"].to_list() == ["Börse"]


def test_a_workbook_of_several_sheets_asks_which(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for name in ("One", "Two"):
            sheet = book.add_worksheet(name)
            for at, row in enumerate([["Job No", "Ckt No"], ["J101", "1"], ["J101", "2"], ["J102", "1"]]):
                sheet.write_row(at + 2, 0, row)
    tables = read_tables(path)
    with pytest.raises(AuditorError, match="--sheet"):
        choose_table(path, tables, None)
    with pytest.raises(AuditorError, match="'Three'"):
        choose_table(path, tables, "Three")
    one = choose_table(path, tables, "Two")
    assert (one.header_row, one.sheet) == (3, "Two")
    assert read_records(path, mapping_of(mapping_text(one, propose(one), "book"))).accepted == 3


SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


def test_the_sample_is_mapped_as_its_own_mapping_says() -> None:
    path = SAMPLE / "field_export.csv"
    mapping = load_mapping(SAMPLE / "field_export_mapping.toml")
    proposal = propose(read_tables(path)[0])
    for column in proposal.mapped():
        rule = mapping.columns[str(column.canonical)]
        assert (rule.column, rule.unit or column.unit) == (column.header, column.unit), column
        assert column.lengths in (None, rule.lengths), column
    assert {column.canonical for column in proposal.mapped()} >= mapping.columns.keys() - {"power_factor_mode"}


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Battery Breaker (A)", ["30", "30", "40", "30"]),
        ("Spare breakers", ["20", "20", "20", "20"]),
        ("Max inverter count", ["16", "16", "16", "16"]),
        ("Ground wire", ["#10", "#10", "#8", "#10"]),
        ("Feeder ampacity (A)", ["100", "100", "125", "100"]),
        ("Home run voltage drop (%)", ["1.1", "0.9", "1.4", "1.2"]),
        ("Inspection date", ["2023-04-25", "2023-05-25", "2023-06-25", "2023-04-26"]),
        ("Home run length est (ft, one-way)", ["75", "60", "61", "90"]),
        ("Trunk length (ft, one-way)", ["75", "60", "61", "90"]),
        ("Feeder", ["75", "60", "61", "90"]),
        ("Year built", ["2017", "2017", "2020", "2020"]),
        ("Drop length (ft, one way)", ["75", "60", "61", "90"]),
        ("Service length (ft, one way)", ["75", "60", "61", "90"]),
        ("Permit final", ["2023-04-25", "2023-05-25", "2023-06-25", "2023-04-26"]),
        ("De-energized date", ["2023-04-25", "2023-05-25", "2023-06-25", "2023-04-26"]),
        ("Approved", ["2023-04-25", "2023-05-25", "2023-06-25", "2023-04-26"]),
        ("Modules per string", ["12", "9", "11", "8"]),
        ("Roof pitch", ["4", "4", "6", "6"]),
        ("Connection", ["LS", "LS", "LS", "LS"]),
    ],
)
def test_what_is_near_a_column_and_is_another_thing_is_never_sure(header: str, cells: list[str]) -> None:
    column = propose(table(IDS, CIRCUITS, (header, cells))).columns[2]
    assert column.canonical is None or column.sureness == "unsure", column


def test_what_is_left_over_of_a_name_keeps_it_from_being_sure() -> None:
    column = propose(table(IDS, CIRCUITS, ("Home run conduit length (ft, one way)", ["75", "60", "61", "90"]))).columns[
        2
    ]
    assert (column.canonical, column.sureness) == ("home_run_length_m", "likely")
