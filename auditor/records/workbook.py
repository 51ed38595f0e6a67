"""A workbook opened: its sheets in order, the formats of its cells and its table of strings.

The file format is SpreadsheetML, ECMA-376 part 1, chapter 18. Macros, links and everything else are never looked at.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from auditor.errors import AuditorError
from auditor.records.archive import blocks, feed, local, open_archive, relations, tags, xml_parser
from auditor.records.cell_formats import NUMBER, CellFormat, built_in, read_format

MAX_STRING_BYTES = 1 << 30
MAX_STRINGS = 20_000_000
#: A cell of a sheet holds 32,767 characters; one that is escaped takes seven.
MAX_CELL_CHARACTERS = 7 * 32_767
#: The kinds of parts that are read, besides the workbook's own.
_READ = ("worksheet", "styles", "sharedStrings")
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")


@dataclass(frozen=True)
class SheetPart:
    """A sheet of cells: what people call it, the part that holds it, whether it is hidden."""

    name: str
    part: str
    hidden: bool


@dataclass(frozen=True)
class Workbook:
    """An open workbook. `formats` are the cell formats by the style number that cells give.

    `computes_on_load` says that its formulas are yet to be computed: a stored 0 is then no result.
    """

    path: Path
    archive: zipfile.ZipFile
    sheets: tuple[SheetPart, ...]
    formats: tuple[CellFormat, ...]
    strings: list[str]
    from_1904: bool
    computes_on_load: bool

    def where(self, sheet: str) -> str:
        """Return how a refusal names a sheet of this workbook."""
        return f"{self.path}, sheet {sheet!r}"


@contextmanager
def open_workbook(path: Path) -> Iterator[Workbook]:
    """Open a workbook; AuditorError, with what to do, where it cannot be relied on."""
    with open_archive(path) as archive:
        main = _main_part(path, archive)
        related = relations(archive, main, str(path))
        names = set(archive.namelist())
        absent = [part for kind, part in related.values() if kind in _READ and part not in names]
        if absent:
            raise AuditorError(f"{path}: the workbook is damaged: its part {absent[0]!r} is missing")
        sheets, from_1904, computes = _read_main(path, archive, main, related)
        by_kind = dict(related.values())
        yield Workbook(
            path,
            archive,
            sheets,
            _formats(path, archive, by_kind.get("styles")),
            _strings(path, archive, by_kind.get("sharedStrings")),
            from_1904,
            computes,
        )


def _main_part(path: Path, archive: zipfile.ZipFile) -> str:
    names = archive.namelist()
    if "mimetype" in names and "content.xml" in names:
        raise AuditorError(f"{path}: is an OpenDocument spreadsheet; open it and save it as .xlsx")
    main = next((part for kind, part in relations(archive, "", str(path)).values() if kind == "officeDocument"), "")
    if main.endswith(".bin"):
        raise AuditorError(f"{path}: is a binary workbook (.xlsb); open it and save it as .xlsx")
    if main not in names:
        raise AuditorError(f"{path}: is an archive and no workbook")
    return main


def _read_main(
    path: Path, archive: zipfile.ZipFile, main: str, related: dict[str, tuple[str, str]]
) -> tuple[tuple[SheetPart, ...], bool, bool]:
    sheets: list[SheetPart] = []
    from_1904 = computes = False
    for name, tag in tags(archive, main, str(path)):
        if name == "sheet":
            kind, part = related.get(tag.get("id", ""), ("", ""))
            if kind == "worksheet":
                sheets.append(SheetPart(tag.get("name", ""), part, tag.get("state", "visible") != "visible"))
        elif name == "workbookPr":
            from_1904 = tag.get("date1904", "0") in ("1", "true")
        elif name == "calcPr":
            computes = tag.get("fullCalcOnLoad", "0") in ("1", "true")
    if not sheets:
        raise AuditorError(f"{path}: the workbook has no sheet of cells")
    return tuple(sheets), from_1904, computes


def _formats(path: Path, archive: zipfile.ZipFile, part: str | None) -> tuple[CellFormat, ...]:
    if part is None:
        return ()
    codes: dict[int, str] = {}
    formats: list[CellFormat] = []
    inside = ""
    for name, tag in tags(archive, part, str(path)):
        if name in ("cellXfs", "cellStyleXfs", "dxfs", "numFmts", "cellStyles"):
            inside = name
        elif name == "numFmt" and inside == "numFmts":
            codes[_whole(tag.get("numFmtId"))] = tag.get("formatCode", "")
        elif name == "xf" and inside == "cellXfs":
            number = _whole(tag.get("numFmtId"))
            formats.append(read_format(codes[number]) if number in codes else built_in(number))
    return tuple(NUMBER if one == NUMBER else one for one in formats)


def _whole(text: str | None) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 10 else 0


def _strings(path: Path, archive: zipfile.ZipFile, part: str | None) -> list[str]:
    """Return the table of strings that cells refer to by number; phonetic guides are left out."""
    if part is None:
        return []
    if archive.getinfo(part).file_size > MAX_STRING_BYTES:
        raise AuditorError(f"{path}: its texts take more than {MAX_STRING_BYTES >> 30} GiB; split the workbook")
    strings: list[str] = []
    pieces: list[str] = []
    parser = xml_parser(str(path))
    phonetic = False

    def start(name: str, _: dict[str, str]) -> None:
        nonlocal phonetic
        name = local(name)
        if name == "t" and not phonetic:
            parser.CharacterDataHandler = pieces.append
        elif name == "rPh":
            phonetic = True

    def end(name: str) -> None:
        nonlocal phonetic
        name = local(name)
        if name == "t":
            parser.CharacterDataHandler = None
        elif name == "rPh":
            phonetic = False
        elif name == "si":
            strings.append(unescaped(pieces[0] if len(pieces) == 1 else "".join(pieces)))
            pieces.clear()

    parser.StartElementHandler, parser.EndElementHandler = start, end
    for _ in feed(parser, blocks(archive, part, str(path)), str(path)):
        if len(strings) > MAX_STRINGS or sum(map(len, pieces)) > MAX_CELL_CHARACTERS:
            raise AuditorError(f"{path}: its table of texts is larger than any workbook's; refused")
    return strings


def unescaped(text: str) -> str:
    """Return a text with its _xHHHH_ escapes read (ST_Xstring, ECMA-376 part 1, 22.9.2.19)."""
    return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), text) if "_x" in text else text
