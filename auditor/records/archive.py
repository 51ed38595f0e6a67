"""The parts of a workbook, which is a ZIP archive of XML files, opened with limits.

The directory is checked before anything is unpacked, nothing is ever written to disk, and a part is read in blocks.
An XML part that declares a document type (and could so declare entities that grow) is refused.
"""

from __future__ import annotations

import posixpath
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO
from xml.parsers import expat

from auditor.errors import AuditorError

BLOCK_BYTES = 1 << 18
MAX_ENTRIES = 10_000
MAX_DIRECTORY_BYTES = 4 << 20
MAX_TOTAL_BYTES = 8 << 30
#: Deflate reaches 1,032 at most; sheets of much repetition were measured at up to 40.
MAX_RATIO = 200
RATIO_FROM_BYTES = 32 << 20
#: The most that one XML tag, or a small part as a whole, may take.
MAX_TAG_BYTES = 1 << 20
MAX_SMALL_PART_BYTES = 64 << 20

_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0"
_OLE_LOOK_BYTES = 1 << 20


@contextmanager
def open_archive(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a workbook's archive; AuditorError, with what to do, where it is none or breaks a limit."""
    with path.open("rb") as file:
        _refuse_other_kinds(path, file)
        _refuse_big_directory(path, file)
    with told(str(path)):
        archive = zipfile.ZipFile(path)
    with archive:
        _check_directory(path, archive)
        yield archive


@contextmanager
def told(where: str) -> Iterator[None]:
    """Turn what a damaged archive raises into an AuditorError."""
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, ValueError, OSError, struct.error) as error:
        raise AuditorError(f"{where}: the workbook is damaged ({error}); open it, save it again as .xlsx") from error


def _refuse_other_kinds(path: Path, file: IO[bytes]) -> None:
    start = file.read(4)
    if start == _ZIP:
        return
    if start == _OLE:
        if "EncryptedPackage".encode("utf-16-le") in file.read(_OLE_LOOK_BYTES):
            raise AuditorError(f"{path}: the workbook is locked with a password; remove it and save the workbook again")
        raise AuditorError(f"{path}: is a workbook of the old kind (.xls); open it and save it as .xlsx")
    raise AuditorError(f"{path}: is no .xlsx workbook, whatever its name says")


def _refuse_big_directory(path: Path, file: IO[bytes]) -> None:
    """Look at the end record, for the directory itself is read into memory as a whole."""
    size = file.seek(0, 2)
    file.seek(max(0, size - (1 << 16) - 256))
    tail = file.read()
    at, at_64 = tail.rfind(b"PK\x05\x06"), tail.rfind(b"PK\x06\x06")
    directory = 0
    if at >= 0 and len(tail) >= at + 16:
        directory = struct.unpack_from("<L", tail, at + 12)[0]
    if directory == 0xFFFFFFFF:
        directory = struct.unpack_from("<Q", tail, at_64 + 40)[0] if 0 <= at_64 <= len(tail) - 48 else size
    if directory > MAX_DIRECTORY_BYTES:
        raise AuditorError(f"{path}: its directory takes {directory:,} bytes, more than any workbook needs; refused")


def _check_directory(path: Path, archive: zipfile.ZipFile) -> None:
    entries = archive.infolist()
    names = [entry.filename for entry in entries]
    if len(entries) > MAX_ENTRIES:
        raise AuditorError(f"{path}: holds {len(entries):,} parts; a workbook may hold {MAX_ENTRIES:,}")
    if len(set(names)) != len(names):
        raise AuditorError(f"{path}: two parts of the archive have one name, which no workbook has; refused")
    for name in names:
        if name.startswith(("/", "\\")) or ":" in name or ".." in name.replace("\\", "/").split("/"):
            raise AuditorError(f"{path}: the part {name!r} points outside the workbook; refused")
    if any(entry.flag_bits & 1 for entry in entries):
        raise AuditorError(f"{path}: its parts are encrypted; save it without a password")
    if sum(entry.file_size for entry in entries) > MAX_TOTAL_BYTES:
        raise AuditorError(f"{path}: unpacks to more than {MAX_TOTAL_BYTES >> 30} GiB; split the workbook")
    for entry in entries:
        if entry.file_size > RATIO_FROM_BYTES and entry.file_size > MAX_RATIO * max(1, entry.compress_size):
            raise AuditorError(
                f"{path}: the part {entry.filename!r} unpacks to {entry.file_size // max(1, entry.compress_size):,} "
                "times its size, as no real sheet does; refused"
            )


def blocks(archive: zipfile.ZipFile, part: str, where: str) -> Iterator[bytes]:
    """Yield a part's bytes, block by block."""
    with told(where), archive.open(part) as file:
        while block := file.read(BLOCK_BYTES):
            yield block


def xml_parser(where: str) -> expat.XMLParserType:
    """Return a parser that hands over text whole and refuses a document type."""
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.buffer_size = 1 << 16

    def refuse(*_: object) -> None:
        raise AuditorError(f"{where}: holds a document type declaration, which no such file needs; refused")

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    return parser


def feed(
    parser: expat.XMLParserType,
    chunks: Iterator[bytes],
    where: str,
    damaged: str = "the workbook is damaged ({error}); open it, save it again as .xlsx",
) -> Iterator[None]:
    """Feed blocks to a parser, pausing after each; AuditorError where the XML breaks or one tag has no end.

    `damaged` says so, and what to do.
    """
    given = 0
    try:
        for block in chunks:
            parser.Parse(block, False)
            given += len(block)
            if given - parser.CurrentByteIndex > BLOCK_BYTES + MAX_TAG_BYTES:
                raise AuditorError(f"{where}: a single tag takes more than {MAX_TAG_BYTES:,} bytes; refused")
            yield
        parser.Parse(b"", True)
    except (expat.ExpatError, LookupError) as error:
        if isinstance(error, KeyError | IndexError):
            raise  # Not the parser's, which raises a plain LookupError for an encoding that it does not know.
        raise AuditorError(f"{where}: {damaged.format(error=error)}") from error
    yield


def tags(archive: zipfile.ZipFile, part: str, where: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield the start tags of a small part: the name without its prefix, and the attributes likewise."""
    if archive.getinfo(part).file_size > MAX_SMALL_PART_BYTES:
        raise AuditorError(f"{where}: the part {part!r} is larger than {MAX_SMALL_PART_BYTES >> 20} MiB; refused")
    found: list[tuple[str, dict[str, str]]] = []
    parser = xml_parser(where)

    def start(name: str, attributes: dict[str, str]) -> None:
        found.append((local(name), {local(key): value for key, value in attributes.items()}))

    parser.StartElementHandler = start
    for _ in feed(parser, blocks(archive, part, where), where):
        yield from found
        found.clear()


def local(name: str) -> str:
    """Return an XML name without its namespace prefix."""
    return name.rpartition(":")[2]


def relations(archive: zipfile.ZipFile, part: str, where: str) -> dict[str, tuple[str, str]]:
    """Return what a part relates to: id -> (kind, part). Kinds are the last word of the relation's type."""
    folder, name = posixpath.split(part)
    listed = posixpath.join(folder, "_rels", f"{name}.rels")
    if listed not in archive.namelist():
        return {}
    return {
        tag.get("Id", ""): (
            tag.get("Type", "").rpartition("/")[2],
            posixpath.normpath(posixpath.join("/", folder, tag.get("Target", ""))).lstrip("/"),
        )
        for kind, tag in tags(archive, listed, where)
        if kind == "Relationship" and tag.get("TargetMode") != "External"
    }
