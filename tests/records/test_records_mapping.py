"""Foreign files through a mapping, and mappings that make no sense."""

from __future__ import annotations

from pathlib import Path

import pytest
from records_files import csv_text, mapping_of, read_text, told

from auditor.errors import AuditorError
from auditor.records import load_mapping

MAPPING = """
[file]
name = "Weekly export"
header_row = 3
date_order = "month-day-year"
decimal_mark = "."
missing = ["n/a", "-"]
lengths = "one-way"
[columns]
system_id = "Job No"
circuit_id = "Ckt"
design_date = "Designed"
inverter_count = "Qty"
home_run_length_m = { column = "HR Run", unit = "ft", lengths = "round-trip" }
feeder_length_m = { column = "Feeder", unit = "ft" }
home_run_size = { column = "HR Wire", unit = "AWG" }
service = { column = "Svc", values = { "1PH" = "120/240", "3PH" = "208Y/120" } }
ambient_c = { column = "Ambient", unit = "F" }
[constants]
installation_code = "NEC"
code_edition = 2017
[ignore]
columns = ["Notes"]
"""

TWO_SHEETS = '[sheets.circuits]\nsheet = "A"\n[sheets.runs]\n'

EXPORT = """Weekly export,,,
"printed
on Friday",,,
Job No,Ckt,Designed,Qty,HR Run,Feeder,HR Wire,Svc,Ambient,Notes,Extra,crew
00123,1,10/2/2023,"1,016",150,75,10,1PH,104,x,y,Heron
00123,2,n/a,-,46 m,75 ft,#8 CU,3ph,N/A,x,y,Heron
"""


def test_a_foreign_file(tmp_path: Path) -> None:
    reading = read_text(tmp_path, EXPORT, mapping_of(tmp_path, MAPPING))
    assert reading.rejects.height == 0
    assert reading.tables.circuit.select("system_id", "inverter_count", "source_row").rows() == [
        ("00123", 1016, 4),
        ("00123", None, 5),
    ]
    # 150 ft there and back is 75 ft = 22.86 m; 46 m there and back is 23 m; 104 °F is 40 °C.
    runs = reading.tables.run
    assert runs.filter(role="home run")["length_m"].to_list() == pytest.approx([22.86, 23.0], rel=1e-12)
    assert runs.filter(role="feeder")["length_m"].to_list() == pytest.approx([22.86], rel=1e-12)
    assert runs.filter(role="home run").select("size", "material").rows() == [("10 AWG", None), ("8 AWG", "copper")]
    assert reading.tables.circuit["ambient_c"].to_list()[0] == pytest.approx(40, rel=1e-12)
    system = reading.tables.system.row(0, named=True)
    assert (str(system["design_date"]), system["installation_code"], system["code_edition"]) == (
        "2023-10-02",
        "NEC",
        "2017",
    )
    assert system["crew"] == "Heron"
    assert (reading.unmapped, reading.ignored) == (("Extra",), ("Notes",))
    assert "installation_code" in reading.present
    # "3ph" is not the listed "3PH": it stays text, which disagrees with the other row.
    assert reading.tables.conflicts.select("column", "values").rows() == [("service", ["120/240", "3ph"])]


def test_rejects_name_the_users_own_column(tmp_path: Path) -> None:
    reading = read_text(tmp_path, EXPORT.replace("150,75", "far,75"), mapping_of(tmp_path, MAPPING))
    assert told(reading) == [(4, "HR Run", "type-error")]
    assert reading.rejects["canonical"].to_list() == ["home_run_length_m"]


def test_round_trip_for_the_whole_file_unless_a_column_says_otherwise(tmp_path: Path) -> None:
    mapping = mapping_of(
        tmp_path,
        '[file]\nlengths = "round-trip"\n'
        '[columns]\nfeeder_length_m = { column = "feeder_length_m", lengths = "one-way" }',
    )
    text = "system_id,circuit_id,home_run_length_m,feeder_length_m\nS1,1,40,40\n"
    runs = read_text(tmp_path, text, mapping).tables.run
    assert dict(runs.select("role", "length_m").rows()) == {"home run": 20.0, "feeder": 40.0}


def test_a_canonical_header_that_the_mapping_uses_elsewhere_feeds_only_that(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[columns]\ndesigner = "office"\n')
    reading = read_text(tmp_path, "system_id,circuit_id,office,designer\nS1,1,Rowan,x\n", mapping)
    assert reading.tables.system.select("designer", "office").rows() == [("Rowan", None)]
    assert reading.unmapped == ("designer",)
    assert "office" in reading.absent


def test_a_constant_outranks_a_column_of_its_name(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[constants]\nsystem_id = "S9"\n')
    reading = read_text(tmp_path, "system_id,circuit_id\nS1,1\n,\n", mapping)
    assert reading.tables.circuit.select("system_id", "circuit_id").rows() == [("S9", "1")]
    assert reading.unmapped == ("system_id",)
    assert reading.rows_in == 1


def test_a_decimal_comma(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[file]\ndecimal_mark = ","\ndelimiter = ";"\n')
    header = "system_id;circuit_id;home_run_length_m;home_run_size;tilt_deg\n"
    text = header + "S1;1;12,5 m;2,5 mm2;1.234,5\nS2;1;12,5;2,5 mm2;20,5\n"
    reading = read_text(tmp_path, text, mapping)
    assert reading.tables.run.select("length_m", "size").rows() == [(12.5, "2.5 mm2")]
    assert told(reading) == [(2, "tilt_deg", "constraint-error")]


def test_a_mapped_column_that_the_file_lacks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="reads designer from a column 'Drawn by', which the file does not have"):
        read_text(
            tmp_path,
            csv_text([("S1", "1")], ("system_id", "circuit_id")),
            mapping_of(tmp_path, '[columns]\ndesigner = "Drawn by"'),
        )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[file]\nheader_row = 0", "[file] header_row = 0: must be a whole number from 1 to 10000."),
        ('[file]\ndate_order = "day-month"', 'Did you mean "day-month-year"?'),
        ('[file]\nmissing = "n/a"', 'must be a list in brackets. Write it in brackets: ["n/a"].'),
        ('[file]\ndelimiter = ""', "must be one character in quotes."),
        ("[file]\ncolour = 1", "[file] colour: there is no such entry. Allowed here: name, header_row,"),
        ("[files]\n", "[files]: there is no such entry. Did you mean file?"),
        ('lengths = "one-way"', "lengths: there is no such entry. It belongs under [file]."),
        ("[columns]\nsystem_id = 4", "[columns] system_id = 4: must be your column's name in quotes, or {"),
        ('[columns]\nhome_run_lenght_m = "HR"', "is no canonical column. Did you mean home_run_length_m"),
        ('[columns]\nsystem_id = "A"\ndelimiter = ";"', "is no canonical column; delimiter belongs under [file]"),
        ('[columns]\ndesigner = { unit = "ft" }', "[columns.designer] column: is missing. Write text in quotes"),
        (
            '[columns]\ndesigner = { colum = "D" }',
            "[columns.designer] colum: there is no such entry. Did you mean column?",
        ),
        ('[columns]\ndesigner = { column = "D", unit = "ft" }', "[columns.designer] unit: designer takes no unit"),
        ('[columns]\nfeeder_length_m = { column = "D", unit = "metters" }', "Did you mean meter"),
        ('[columns]\ndesigner = { column = "D", lengths = "one-way" }', "designer is not a length"),
        (
            '[columns]\ndesigner = "D"\n[constants]\ndesigner = "E"',
            "[columns] designer: it stands under [constants] too",
        ),
        ("[constants]\ntilt_deg = 120", "[constants] tilt_deg: '120' is 120 deg; tilt_deg must be from 0 to 90 deg."),
        (
            "[constants]\noffice = true",
            '[constants] office = true: must be text in quotes. Write it in quotes: "true".',
        ),
        ('[constants]\ndesign_date = "1/2/2020"', "date_order"),
        ('[constants]\ndesigner = ""', "[constants] designer: an empty constant says nothing"),
        ('[sheets.circuit]\nsheet = "A"', "[sheets.circuit]: there is no such entry. Did you mean circuits?"),
        (TWO_SHEETS + 'sheet = "A"', "[sheets.runs] sheet: [sheets.circuits] names the same sheet, 'A'."),
        (
            TWO_SHEETS + 'sheet = "B"\n[columns]\ncrew = "C"',
            "[columns]: with [sheets], write each sheet's columns under",
        ),
        (TWO_SHEETS + 'sheet = "B"\ncolumns = { crew = "C" }', "is no canonical column of the sheet of runs."),
        ("not toml", "is not a TOML file"),
    ],
)
def test_mappings_that_are_refused_name_the_file_and_the_entry(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(AuditorError) as caught:
        mapping_of(tmp_path, text)
    told = str(caught.value)
    assert message in told
    assert told.count("\n") == 0
    assert told.startswith(f"{tmp_path / 'mapping.toml'}: ")


def test_every_fault_of_a_mapping_is_told_at_once(tmp_path: Path) -> None:
    text = """
[file]
header_row = "three"
encodng = "cp1252"
[columns]
sistem_id = "Job"
crew = { unit = "ft" }
tilt_deg = { column = "Tilt", unit = "ft" }
[constants]
azimuth_deg = 400
[ignored]
columns = ["a"]
"""
    with pytest.raises(AuditorError) as caught:
        mapping_of(tmp_path, text)
    places = [line.split(": ")[1].split(" = ")[0] for line in str(caught.value).splitlines()]
    assert sorted(places) == sorted(
        [
            *("[file] header_row", "[file] encodng", "[columns] sistem_id", "[columns.crew] column"),
            *("[columns.tilt_deg] unit", "[constants] azimuth_deg", "[ignored]"),
        ]
    )


def test_a_mapping_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="cannot be read"):
        load_mapping(tmp_path / "none.toml")
