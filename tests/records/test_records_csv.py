"""CSV files as people export them: row numbers, quotes, encodings, ragged rows."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from records_files import GOOD, HEADER, balanced, csv_text, mapping_of, read_cells, read_text, told

from auditor.errors import AuditorError
from auditor.records import read_records
from auditor.records.counting import opening_line
from auditor.records.csv_reader import csv_chunks, open_csv
from auditor.records.mapping import FileRules

SMALL = "system_id,circuit_id,designer\n"


def test_a_clean_row_becomes_a_system_a_circuit_and_a_run(tmp_path: Path) -> None:
    reading = read_cells(tmp_path)
    assert (reading.rows_in, reading.accepted, reading.rejected, reading.duplicate) == (1, 1, 0, 0)
    assert reading.tables.system.select("system_id", "designer", "source_row").rows() == [("S1", "Rowan", 2)]
    assert reading.tables.circuit.select("circuit_id", "inverter_count").rows() == [("1", 16)]
    run = reading.tables.run.row(0, named=True)
    assert (run["role"], run["circuit_id"], run["length_m"], run["size"]) == ("home run", "1", 23.0, "10 AWG")
    assert reading.present == set(HEADER)
    assert "busbar_a" in reading.absent


def test_row_numbers_are_those_of_a_spreadsheet(tmp_path: Path) -> None:
    # Row 1 header, 2 good, 3 blank, 4 good with a quoted line end, 5 ragged, 6 bad, 7 separators only, 8 good.
    text = SMALL + 'S1,1,a\n\nS2,1,"two\nlines"\nS3,1\nS4,,b\n,,\nS5,1,c'
    reading = read_text(tmp_path, text)
    assert reading.tables.circuit["source_row"].to_list() == [2, 4, 8]
    assert told(reading) == [(5, "designer", "missing-cell"), (6, "circuit_id", "constraint-error")]
    assert reading.tables.system["designer"].to_list() == ["a", "two\nlines", "c"]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (5, 3, 2)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", [True, False])
@pytest.mark.parametrize("quoted", [True, False])
def test_line_ends(tmp_path: Path, end: str, last: bool, quoted: bool) -> None:
    lines = ["system_id,circuit_id,designer", "S1,1,a", "", "S2,1,a", "S3", 'S4,1,"a"' if quoted else "S4,1,a"]
    reading = read_text(tmp_path, end.join(lines) + (end if last else ""))
    assert reading.tables.circuit["source_row"].to_list() == [2, 4, 6]
    assert reading.rejects["row_number"].to_list() == [5]


def test_missing_and_extra_cells_keep_their_text(tmp_path: Path) -> None:
    reading = read_text(tmp_path, SMALL + "S1,1\nS2,1,a,extra\nS3,1,a\n")
    assert told(reading) == [(2, "designer", "missing-cell"), (3, "", "extra-cell")]
    assert reading.rejects["raw"].to_list() == ["S1,1", "S2,1,a,extra"]
    assert balanced(reading)


def test_a_row_that_swallows_lines_says_so(tmp_path: Path) -> None:
    reading = read_text(tmp_path, SMALL + 'S1,1,a\nS2,"1,a\nS3,1,a\nS4,1",a,b\nS5,1,a\n')
    assert told(reading) == [(3, "", "extra-cell")]
    assert "run over 3 lines" in reading.rejects["sentence"][0]


def test_an_open_quote_refuses_the_file_and_names_its_line(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"quote that opens on line 3 never closes"):
        read_text(tmp_path, SMALL + 'S1,1,a\nS2,1,"bad\nS3,1,a\nS4,1,a\n')


def test_the_line_is_that_of_the_quote_and_not_of_its_row(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"opens on line 4 "):
        read_text(tmp_path, SMALL + 'S1,1,a\n"S2\nx",1,"bad\nS3,1,a\n')


def test_a_quote_that_closes_inside_a_cell_refuses_the_file(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"opens on line 3 "):
        read_text(tmp_path, SMALL + 'S1,1,a\nS2,1,"bad"x\n')


def test_an_open_quote_in_the_header(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"opens on line 1 "):
        read_text(tmp_path, 'system_id,"circuit_id,designer\nS1,1,a\n')


def test_sound_quotes_have_no_opening_line() -> None:
    assert opening_line(['a,"b ""x"" ",c\n', '"d\n', 'e",f\n'], 1, ",") is None


def test_a_quote_within_an_unquoted_cell_is_text(tmp_path: Path) -> None:
    reading = read_text(tmp_path, "system_id,circuit_id,home_run_length_m\nS1,1,75' 6\"\n")
    assert reading.tables.run["length_m"].to_list() == pytest.approx([23.0124], rel=1e-12)  # 75.5 * 0.3048


def test_a_lone_carriage_return_refuses_the_file(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="line 2"):
        read_text(tmp_path, SMALL + "S1,1,a\rS2,1,b\n")


def test_two_readers_that_disagree_refuse_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text(SMALL + "S1,1,a\nS2,1,a\n")
    with open_csv(path, FileRules()) as file:
        wrong = type(file)(**(vars(file) | {"rows": 2}))
        with pytest.raises(AuditorError, match="row-count"):
            list(csv_chunks(wrong))


def test_a_byte_order_mark_and_text_beyond_ascii(tmp_path: Path) -> None:
    # The designer's name is written with a combining accent (form D) and comes out composed (form C).
    reading = read_text(tmp_path, b"\xef\xbb\xbf" + (SMALL + "S1,1, Rene\u0301\u00a0K \n").encode())
    assert reading.tables.system["designer"].to_list() == ["Ren\u00e9 K"]


def test_ids_in_two_normal_forms_are_one_system(tmp_path: Path) -> None:
    reading = read_text(tmp_path, SMALL + "Caf\u00e9,1,a\nCafe\u0301,2,a\n")
    assert reading.tables.system["system_id"].to_list() == ["Caf\u00e9"]


def test_bytes_that_are_not_utf_8_name_their_line(tmp_path: Path) -> None:
    text = SMALL.encode() + b"S1,1,a\nS2,1,Ren\xe9\n"
    with pytest.raises(AuditorError, match="encoding-error: line 3 is not valid UTF-8"):
        read_text(tmp_path, text)
    reading = read_text(tmp_path, text, mapping_of(tmp_path, '[file]\nencoding = "latin-1"'))
    assert reading.tables.system["designer"].to_list() == ["a", "Ren\u00e9"]


def test_a_fallback_encoding_is_proposed_with_the_line_as_it_would_read(tmp_path: Path) -> None:
    # In cp1252 (Windows code page 1252) byte 0x93 opens a quotation and 0x94 closes it; 0x81 is not assigned.
    text = SMALL.encode() + b"S1,1,a\r\nS2,1,\x93Ren\xe9\x94\r\nS3,1,\xe9\r\n"
    with pytest.raises(
        AuditorError, match="line 3 is not valid UTF-8; as cp1252 it reads 'S2,1,\u201cRen\u00e9\u201d'"
    ) as told:
        read_text(tmp_path, text)
    assert 'write encoding = "cp1252"; else declare another encoding under [file] in a mapping' in str(told.value)
    reading = read_text(tmp_path, text, mapping_of(tmp_path, '[file]\nencoding = "cp1252"'))
    assert reading.tables.system["designer"].to_list() == ["a", "\u201cRen\u00e9\u201d", "\u00e9"]
    with pytest.raises(AuditorError, match="line 2 is not valid UTF-8; declare encoding"):
        read_text(tmp_path, SMALL.encode() + b"S1,1,\x81\n")


def test_utf_16_when_declared(tmp_path: Path) -> None:
    text = (SMALL + 'S1,1,"Ren\u00e9"\n').encode("utf-16")
    with pytest.raises(AuditorError, match="looks like UTF-16"):
        read_text(tmp_path, text)
    reading = read_text(tmp_path, text, mapping_of(tmp_path, '[file]\nencoding = "utf-16"'))
    assert reading.tables.system["designer"].to_list() == ["Ren\u00e9"]


def test_a_wrong_declared_encoding_names_its_line(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="line 2 is not valid ascii"):
        read_text(tmp_path, SMALL + "S1,1,\u00e9\n", mapping_of(tmp_path, '[file]\nencoding = "ascii"'))
    with pytest.raises(AuditorError, match="unknown encoding"):
        read_text(tmp_path, SMALL, mapping_of(tmp_path, '[file]\nencoding = "none such"'))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "row 1 should hold the header"),
        (b"\n", "row 1 should hold the header"),
        (b"a\0b\n", "NUL"),
        (b"PK\x03\x04abc", "spreadsheet or archive"),
    ],
)
def test_files_that_are_no_records(tmp_path: Path, content: bytes, message: str) -> None:
    with pytest.raises(AuditorError, match=message):
        read_text(tmp_path, content)


def test_a_header_without_rows_is_an_empty_reading(tmp_path: Path) -> None:
    for text in (SMALL, SMALL.rstrip("\n"), SMALL + "\n\n"):
        reading = read_text(tmp_path, text)
        assert (reading.rows_in, reading.tables.system.height, reading.rejects.height) == (0, 0, 0)


def test_unknown_headers_are_refused_with_the_nearest_names(tmp_path: Path) -> None:
    with pytest.raises(AuditorError) as caught:
        read_text(tmp_path, "System ID,Circuit,Designer\nS1,1,a\n")
    assert "no column gives system_id or circuit_id" in str(caught.value)
    assert "System ID; nearest: system_id" in str(caught.value)


def test_a_separator_that_was_not_declared_is_named(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="looks as if ; separates"):
        read_text(tmp_path, SMALL.replace(",", ";") + "S1;1;a\n")
    reading = read_text(tmp_path, SMALL.replace(",", ";") + "S1;1;a\n", mapping_of(tmp_path, '[file]\ndelimiter = ";"'))
    assert reading.accepted == 1
    assert read_text(tmp_path, SMALL.replace(",", "\t") + "S1\t1\ta\n", name="records.tsv").accepted == 1


def test_repeated_and_empty_headers(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="duplicate-label"):
        read_text(tmp_path, "system_id,circuit_id,designer,designer\nS1,1,a,b\n")
    reading = read_text(tmp_path, "system_id,circuit_id,notes,notes,,row_number\nS1,1,a,b,c,d\n")
    assert reading.unmapped == ("notes", "notes (column 4)", "(column 5 has no header)", "row_number (column 6)")
    assert reading.accepted == 1


def test_a_row_with_text_in_an_unmapped_column_only_is_not_blank(tmp_path: Path) -> None:
    reading = read_text(tmp_path, "system_id,circuit_id,notes\nS1,1,\n,,Total 1\n")
    assert told(reading) == [(3, "system_id", "constraint-error"), (3, "circuit_id", "constraint-error")]
    assert (reading.rows_in, reading.rejected) == (2, 1)


def test_small_blocks_give_the_same_rows(tmp_path: Path) -> None:
    rows = [f"S{i},1,a" if i % 7 else f"S{i},1" if i % 2 else "" for i in range(2000)]
    path = tmp_path / "x.csv"
    path.write_text(SMALL + "\n".join(rows) + "\n")
    with open_csv(path, FileRules()) as file:
        whole = list(csv_chunks(file))
        small = list(csv_chunks(file, block_bytes=256))
    assert len(small) > 10
    assert pl.concat(c.frame for c in small).equals(pl.concat(c.frame for c in whole))
    assert pl.concat(c.rejects for c in small).equals(pl.concat(c.rejects for c in whole))
    expected = [
        number
        for number, row in enumerate(csv.reader(io.StringIO(path.read_text())), 1)
        if len(row) == 3 and number > 1
    ]
    kept = pl.concat(c.frame for c in small).filter(pl.col("system_id").str.starts_with("S"))
    assert kept["row_number"].to_list() == expected


def test_progress_counts_up_to_the_rows_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text(csv_text([GOOD] * 5) + "\nshort\n")
    seen: list[tuple[int, int | None]] = []
    read_records(path, None, lambda done, total: seen.append((done, total)))
    assert seen[-1] == (7, 7)


def test_an_unknown_kind_of_file(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"save it as \.xlsx"):
        read_text(tmp_path, "x", name="records.xls")
    with pytest.raises(AuditorError, match="no such file"):
        read_records(tmp_path / "none.csv")


@settings(max_examples=300, deadline=None)
@given(body=st.text(alphabet='ab,"\n\r é', max_size=40), block_bytes=st.sampled_from([64, 1 << 20]))
def test_any_text_is_read_as_the_standard_library_reads_it_or_refused(
    tmp_path_factory: pytest.TempPathFactory, body: str, block_bytes: int
) -> None:
    path = tmp_path_factory.mktemp("r") / "x.csv"
    path.write_bytes((SMALL + body).encode())
    try:
        with open_csv(path, FileRules()) as file:
            chunks = list(csv_chunks(file, block_bytes))
    except AuditorError:
        return
    strict = list(enumerate(csv.reader(io.StringIO(SMALL + body, newline=""), strict=True), 1))[1:]
    # A blank line comes as a row of empty cells, to be dropped where all rows are looked at.
    whole = [(number, *(row or ["", "", ""])) for number, row in strict if len(row) in (0, 3)]
    assert pl.concat(chunk.frame for chunk in chunks).rows() == whole
    ragged = [number for number, row in strict if len(row) not in (0, 3) and any(cell.strip() for cell in row)]
    assert pl.concat(chunk.rejects for chunk in chunks)["row_number"].to_list() == ragged
