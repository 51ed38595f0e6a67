"""Archives that are no workbooks, or are made to harm; each limit with a file that breaks it.

The limits are lowered for the test where a file that breaks the real one would take minutes to make.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from records_files import balanced
from workbook_files import inline, raw_book, read_book, text_rows, worksheet, write_book, write_parts

from auditor.errors import AuditorError
from auditor.records import archive, sheet_count, sheet_rows

KEYS = ("system_id", "circuit_id")
ROWS = f"<sheetData>{text_rows([KEYS, ('S1', '1')])}</sheetData>"


def entity_book(path: Path, part: str) -> Path:
    """Write a workbook one of whose parts declares entities that grow."""
    bomb = "".join(f'<!ENTITY e{i + 1} "{f"&e{i};" * 10}">' for i in range(9))
    doctype = f'<!DOCTYPE x [<!ENTITY e0 "0123456789">{bomb}]>'
    raw_book(path, ROWS, strings="<si><t>a</t></si>", styles="<cellXfs/>")
    with zipfile.ZipFile(path) as held:
        parts = {name: held.read(name).decode() for name in held.namelist()}
    text = parts[part]
    parts[part] = doctype + text.removeprefix('<?xml version="1.0" encoding="UTF-8"?>')
    return write_parts(path, dict(parts))


@pytest.mark.parametrize(
    "part",
    [
        *("_rels/.rels", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/sharedStrings.xml", "xl/styles.xml"),
        "xl/worksheets/sheet1.xml",
    ],
)
def test_entities_are_refused_in_every_part(tmp_path: Path, part: str) -> None:
    with pytest.raises(AuditorError, match="document type declaration"):
        read_book(entity_book(tmp_path / "x.xlsx", part))


@pytest.mark.parametrize("name", ["/etc/x", "../x", "xl/../../x", "..\\x", "C:x"])
def test_parts_that_point_outside_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(AuditorError, match="points outside the workbook"):
        read_book(write_parts(tmp_path / "x.xlsx", {name: "x"}))


def test_a_part_that_grows_beyond_reason_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "x.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bomb, bomb.open("xl/a.xml", "w") as part:
        for _ in range(40):
            part.write(b"0" * (1 << 20))
    with pytest.raises(AuditorError, match=r"unpacks to .* times its size"):
        read_book(path)


def test_too_many_parts_and_too_much_in_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_parts(tmp_path / "x.xlsx", {f"a{i}": "x" for i in range(30)})
    monkeypatch.setattr(archive, "MAX_ENTRIES", 20)
    with pytest.raises(AuditorError, match="holds 31 parts"):
        read_book(path)
    monkeypatch.setattr(archive, "MAX_ENTRIES", 10_000)
    monkeypatch.setattr(archive, "MAX_DIRECTORY_BYTES", 500)
    with pytest.raises(AuditorError, match="its directory takes"):
        read_book(path)
    monkeypatch.undo()
    monkeypatch.setattr(archive, "MAX_TOTAL_BYTES", 20)
    with pytest.raises(AuditorError, match="split the workbook"):
        read_book(path)


def test_two_parts_of_one_name(tmp_path: Path) -> None:
    path = raw_book(tmp_path / "x.xlsx", ROWS)
    with zipfile.ZipFile(path, "a") as held, pytest.warns(UserWarning, match="Duplicate name"):
        held.writestr("xl/workbook.xml", "x")
    with pytest.raises(AuditorError, match="two parts"):
        read_book(path)


def test_more_cells_than_a_sheet_may_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet_rows, "MAX_CELLS", 3)
    with pytest.raises(AuditorError, match="more than 3 cells"):
        read_book(raw_book(tmp_path / "x.xlsx", ROWS))


@pytest.mark.parametrize("cell", ['<c r="A2" t="str"><v>{}</v></c>', '<c r="A2"><f>{}</f></c>', inline("A2", "{}")])
def test_a_cell_longer_than_any(tmp_path: Path, cell: str) -> None:
    row = f'<row r="2">{cell.format("x" * 3_000_000)}</row>'
    with pytest.raises(AuditorError, match="longer than a sheet allows"):
        read_book(raw_book(tmp_path / "x.xlsx", f"<sheetData>{text_rows([KEYS])}{row}</sheetData>"))


def test_a_row_longer_than_any(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet_count, "MAX_ROW_BYTES", 100_000)
    row = "".join(f'<c r="A{at}"/>' for at in range(30_000))
    with pytest.raises(AuditorError, match="single row takes more"):
        read_book(raw_book(tmp_path / "x.xlsx", f'<sheetData>{text_rows([KEYS])}<row r="2">{row}</row></sheetData>'))


def test_a_tag_without_an_end(tmp_path: Path) -> None:
    tag = '<row r="2"><c r="A2" x="' + "y" * 3_000_000
    with pytest.raises(AuditorError, match=r"single tag takes more|damaged"):
        read_book(raw_book(tmp_path / "x.xlsx", f"<sheetData>{text_rows([KEYS])}{tag}"))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ('<row r="1048577"><c r="A1048577"><v>1</v></c></row>', "row 1048577 follows row 2"),
        ('<row r="3"><c r="XFE3"><v>1</v></c></row>', "beyond the largest sheet"),
        ('<row r="3"><c r="AAAAAAA3"><v>1</v></c></row>', "beyond the largest sheet"),
        ('<row r="3"><c r="3"><v>1</v></c></row>', "beyond the largest sheet"),
        ('<row r="2"><c r="A2"><v>1</v></c></row>', "row 2 follows row 2"),
        ('<row r="3"><c r="A4"><v>1</v></c></row>', "A4 stands in row 3"),
        ('<row r="3"><c r="B3"><v>1</v></c><c r="A3"><v>1</v></c></row>', "gives a cell twice"),
        ('<row r="3"><c r="A3"><v>1</v></c><c r="A3"><v>2</v></c></row>', "gives a cell twice"),
        ('<row r="3"><c r="A3" t="s"><v>7</v></c></row>', "row 3 refers to a text"),
        ('<row r="3"><c r="A3" t="s"><v>x</v></c></row>', "row 3 refers to a text"),
        ('<row r="3"><c r="A3"><v>1</c></row>', "damaged"),
    ],
)
def test_sheets_that_break_their_own_rules(tmp_path: Path, rows: str, message: str) -> None:
    data = f"<sheetData>{text_rows([KEYS, ('S1', '1')])}{rows}</sheetData>"
    with pytest.raises(AuditorError, match=message):
        read_book(raw_book(tmp_path / "x.xlsx", data))


@pytest.mark.parametrize("merged", ["A1:XFE9", "A1:A1048577", "x", "A1:B2:C3"])
def test_merged_ranges_that_are_none(tmp_path: Path, merged: str) -> None:
    with pytest.raises(AuditorError, match=r"beyond the largest sheet|no range of cells"):
        read_book(raw_book(tmp_path / "x.xlsx", f'{ROWS}<mergeCells><mergeCell ref="{merged}"/></mergeCells>'))


def test_files_that_only_look_like_workbooks(tmp_path: Path) -> None:
    path = tmp_path / "x.xlsx"
    ole = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)
    for content, message in (
        (b"system_id,circuit_id\nS1,1\n", "is no .xlsx workbook"),
        (b"", "is no .xlsx workbook"),
        (ole, r"old kind \(\.xls\)"),
        (ole + "EncryptedPackage".encode("utf-16-le"), "locked with a password"),
        (b"PK\x03\x04" + bytes(40), "damaged"),
    ):
        path.write_bytes(content)
        with pytest.raises(AuditorError, match=message):
            read_book(path)


def test_archives_of_other_kinds(tmp_path: Path) -> None:
    path = tmp_path / "x.xlsx"
    with zipfile.ZipFile(path, "w") as other:
        other.writestr("readme.txt", "x")
    with pytest.raises(AuditorError, match="an archive and no workbook"):
        read_book(path)
    with pytest.raises(AuditorError, match="OpenDocument"):
        read_book(write_parts(path, {"mimetype": "x", "content.xml": "x"}))
    root = '<Relationships><Relationship Id="r" Type="x/officeDocument" Target="xl/workbook.bin"/></Relationships>'
    with pytest.raises(AuditorError, match="binary workbook"):
        read_book(write_parts(path, {"_rels/.rels": root, "xl/workbook.bin": "x"}))
    with pytest.raises(AuditorError, match=r"'xl/worksheets/sheet1\.xml' is missing"):
        raw_book(path, ROWS)
        with zipfile.ZipFile(path) as held:
            parts = {name: held.read(name) for name in held.namelist() if "sheet1" not in name}
        read_book(write_parts(path, dict(parts)))


def test_a_damaged_part(tmp_path: Path) -> None:
    path = write_book(tmp_path / "x.xlsx", {"A": [KEYS, *((f"S{i}", "1") for i in range(3000))]})
    content = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as held:
        at = held.getinfo("xl/worksheets/sheet1.xml").header_offset + 2_000
    content[at : at + 50] = bytes(50)
    path.write_bytes(content)
    with pytest.raises(AuditorError, match="damaged"):
        read_book(path)


def test_a_sheet_in_another_encoding_is_refused(tmp_path: Path) -> None:
    sheet = worksheet(ROWS).replace("UTF-8", "UTF-16").encode("utf-16")
    raw_book(tmp_path / "x.xlsx", ROWS)
    with zipfile.ZipFile(tmp_path / "x.xlsx") as held:
        parts: dict[str, str | bytes] = {name: held.read(name) for name in held.namelist()}
    with pytest.raises(AuditorError, match="not written in UTF-8"):
        read_book(write_parts(tmp_path / "x.xlsx", parts | {"xl/worksheets/sheet1.xml": sheet}))


def test_macros_are_never_looked_at(tmp_path: Path) -> None:
    raw_book(tmp_path / "x.xlsm", ROWS)
    with zipfile.ZipFile(tmp_path / "x.xlsm", "a") as held:
        held.writestr("xl/vbaProject.bin", b"\0not a macro")
    assert read_book(tmp_path / "x.xlsm").accepted == 1


PEAK = """
import resource, sys
from pathlib import Path
from auditor.records import read_records
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(read_records(Path(sys.argv[1])).rejected, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.skipif(not hasattr(resource, "RUSAGE_SELF"), reason="peak memory is not told here")
def test_a_sheet_of_empty_formatted_rows_takes_no_memory(tmp_path: Path) -> None:
    # 400,000 rows of formatted cells that hold nothing, and one cell at the end of the sheet: 30 MB of XML.
    empty = "".join(f'<row r="{r}"><c r="A{r}" s="1"/><c r="B{r}" s="1"/></row>' for r in range(3, 400_000))
    last = f'<row r="1048576">{inline("A1048576", "x")}</row>'
    data = f"<sheetData>{text_rows([KEYS, ('S1', '1')])}{empty}{last}</sheetData>"
    path = raw_book(tmp_path / "x.xlsx", data)
    done = subprocess.run([sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True)
    rejected, kilobytes = map(int, done.stdout.split())
    assert rejected == 1
    assert kilobytes < 60_000


@settings(max_examples=60, deadline=None)
@given(
    part=st.sampled_from(
        ["xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml", "xl/worksheets/sheet1.xml"]
    ),
    place=st.floats(0, 1, exclude_max=True),
    cut=st.integers(0, 30),
    put=st.text(alphabet="<>\"'/=09 azA&;:!x", max_size=6),
)
def test_a_part_that_was_tampered_with_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, part: str, place: float, cut: int, put: str
) -> None:
    rows = [(*KEYS, "tilt_deg"), *((f"S{i}", "1", i + 0.5) for i in range(5))]
    path = write_book(tmp_path_factory.mktemp("r") / "x.xlsx", {"A": rows})
    with zipfile.ZipFile(path) as held:
        parts: dict[str, str | bytes] = {name: held.read(name) for name in held.namelist()}
    whole = bytes(parts[part]) if isinstance(parts[part], bytes) else b""
    at = int(place * len(whole))
    parts[part] = whole[:at] + put.encode() + whole[at + cut :]
    try:
        reading = read_book(write_parts(path, parts))
    except AuditorError:
        return
    assert balanced(reading)
