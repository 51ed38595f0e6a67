"""Green Button files (ESPI XML): the voltages in them, as rows of readings in text.

A feed holds entries that refer to each other by links: a usage point has meter readings, a meter reading one reading
type and blocks of intervals, in any order. So a file is read twice: first for the types and links, then for the
intervals. Only electric potential is taken (unit 29, volts): averages as mean voltage, maxima of the same interval as
highest voltage. Energy, power and counts of excursions are left, and the summary's `mainsVoltage`, which is mains
signalling, is never looked at.

Source
------
NAESB REQ.21 ESPI, usage.xsd v3.3.1 (OpenESPI-Common-java, develop at e6b43e8b): `UomType`, `DataQualifierType`,
`PhaseCodeType`, `QualityOfReading`, `powerOfTenMultiplier`; the phase codes as in IEEE 2030.5's sep.xsd.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from auditor.errors import AuditorError
from auditor.records.archive import BLOCK_BYTES, feed, local, xml_parser
from auditor.records.frames import ROW_NUMBER

VOLTS = "29"
#: `dataQualifier`: an average or a normal reading is a mean, a maximum a highest voltage; a minimum is not taken.
MEAN, HIGHEST = frozenset({"", "0", "2", "12"}), frozenset({"8"})
#: `phase` of a reading, as a leg; what is not listed is kept by its number.
LEGS = {
    "129": "A-N", "65": "B-N", "33": "C-N", "132": "A-B", "66": "B-C", "40": "C-A", "128": "A", "64": "B", "32": "C",
    "0": "", "": "",
}  # fmt: skip
#: `quality` of readings that are no measurement.
NOT_MEASURED = {"8": "estimated", "9": "estimated", "10": "questionable"}
#: Columns of the rows, with ROW_NUMBER before them: texts as a file with such a header would hold them.
POINT = "usage point"
COLUMNS = (POINT, "place", "leg", "start", "duration_s", "mean_v", "max_v", "quality")


@dataclass(frozen=True)
class Intervals:
    """Every voltage of a file, one row per interval, and how many readings of other kinds it holds."""

    rows: pl.DataFrame
    others: int


@dataclass
class _Entry:
    """What one entry of the feed says of itself."""

    own: str = ""
    up: str = ""
    related: list[str] = field(default_factory=list)
    title: str = ""
    kind: str = ""
    facts: dict[str, str] = field(default_factory=dict)


def espi_intervals(path: Path) -> Intervals:
    """Read the voltages of a Green Button file; AuditorError where it is none, is damaged or declares a document type.

    Each usage point is a system by its title, or the last part of its address where it has none.
    """
    entries = list(_entries(path))
    kinds = {entry.kind for entry in entries}
    if not {"MeterReading", "ReadingType", "IntervalBlock"} <= kinds:
        raise AuditorError(f"{path}: is no Green Button file with intervals: it has no meter reading, type or block.")
    types = {entry.own: entry.facts for entry in entries if entry.kind == "ReadingType"}
    points = {entry.own: entry.title or entry.own.rpartition("/")[2] for entry in entries if entry.kind == "UsagePoint"}
    readings = [entry for entry in entries if entry.kind == "MeterReading"]
    owner = {link: reading for reading in readings for link in (*reading.related, reading.own)}
    taken, others = list[dict[str, str | int]](), 0
    for row in _intervals(path):
        reading = owner.get(row.block.up) or owner.get(row.block.own.rpartition("/")[0])
        facts = next((types[link] for link in reading.related if link in types), None) if reading else None
        if reading is None or facts is None:
            raise AuditorError(
                f"{path}: the block of intervals {row.block.own or row.block.up!r} belongs to no meter reading with a"
                " type, so nobody can tell what it measures. Nothing was imported."
            )
        if facts.get("uom") != VOLTS or facts.get("dataQualifier", "") not in MEAN | HIGHEST:
            others += 1
            continue
        taken.append(_told(row, facts, _point_of(reading, points)))
    return Intervals(_joined(taken), others)


def _point_of(reading: _Entry, points: dict[str, str]) -> str:
    """The usage point that a meter reading belongs to."""
    for own, name in points.items():
        if reading.up.startswith(own + "/") or reading.own.startswith(own + "/"):
            return name
    return next(iter(points.values())) if len(points) == 1 else ""


@dataclass(frozen=True)
class _Interval:
    number: int
    block: _Entry
    facts: dict[str, str]


def _told(row: _Interval, facts: dict[str, str], point: str) -> dict[str, str | int]:
    """One interval in text: a value that is no whole number stands as it is, to be refused."""
    text = row.facts.get("value", "")
    try:
        volts = f"{int(text) * 10.0 ** int(facts.get('powerOfTenMultiplier') or 0):.6g}"
    except (ValueError, OverflowError):
        volts = text
    highest = facts.get("dataQualifier", "") in HIGHEST
    start = row.facts.get("start", "")
    return {
        ROW_NUMBER: row.number,
        POINT: point,
        "place": "service",
        "leg": LEGS.get(facts.get("phase", ""), f"phase {facts.get('phase')}"),
        "start": start,
        "duration_s": row.facts.get("duration", "") or facts.get("intervalLength", ""),
        "mean_v": "" if highest else volts,
        "max_v": volts if highest else "",
        "quality": NOT_MEASURED.get(row.facts.get("quality", ""), ""),
    }


def _joined(taken: list[dict[str, str | int]]) -> pl.DataFrame:
    """Averages with the maximum of the same interval beside them; a maximum without an average keeps its row."""
    schema = {ROW_NUMBER: pl.Int64(), **dict.fromkeys(COLUMNS, pl.String())}
    every = pl.DataFrame(taken, schema=schema)
    keys = [POINT, "leg", "start", "duration_s"]
    means, tops = every.filter(pl.col("max_v") == ""), every.filter(pl.col("max_v") != "")
    once = tops.unique(keys, keep="first", maintain_order=True).select(*keys, pl.col("max_v").alias("_top"))
    beside = means.join(once, on=keys, how="left", maintain_order="left").with_columns(
        pl.col("_top").fill_null("").alias("max_v")
    )
    alone = tops.join(means, on=keys, how="anti", maintain_order="left")
    iso = pl.from_epoch(pl.col("start").cast(pl.Int64, strict=False)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = pl.concat([beside.drop("_top"), alone]).sort(ROW_NUMBER)
    return rows.with_columns(pl.coalesce(iso, "start").alias("start"))


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            yield block


#: Elements of an interval reading, a reading type and a quality that are read.
_FACTS = frozenset(
    {"uom", "dataQualifier", "phase", "powerOfTenMultiplier", "intervalLength", "start", "duration", "value", "quality"}
)
_KINDS = frozenset({"UsagePoint", "MeterReading", "ReadingType", "IntervalBlock"})


class _Reader:
    """Gathers entries, and with `intervals` the interval readings of each block, from the parser's events."""

    def __init__(self, where: str, intervals: bool) -> None:
        self.entry, self.entries = _Entry(), list[_Entry]()
        self.with_intervals, self.block, self.done = intervals, list[_Interval](), list[_Interval]()
        self.facts: dict[str, str] | None = None
        self.inside = list[str]()
        self.text = list[str]()
        self.number = 0
        self.parser = xml_parser(where)
        self.parser.StartElementHandler, self.parser.EndElementHandler = self.start, self.end
        self.parser.CharacterDataHandler = self.text.append

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """A tag opens."""
        tag = local(name)
        self.inside.append(tag)
        self.text.clear()
        if tag == "entry":
            self.entry = _Entry()
        elif tag == "link":
            self._link(attributes.get("rel", ""), attributes.get("href", ""))
        elif tag in _KINDS:
            self.entry.kind = self.entry.kind or tag
        elif tag == "IntervalReading":
            self.facts = {}

    def _link(self, rel: str, href: str) -> None:
        if rel == "self":
            self.entry.own = href
        elif rel == "up":
            self.entry.up = href
        elif rel == "related":
            self.entry.related.append(href)

    def end(self, name: str) -> None:
        """A tag closes."""
        tag = local(name)
        self.inside.pop()
        text = "".join(self.text).strip()
        self.text.clear()
        if tag == "IntervalReading":
            self.number += 1
            if self.with_intervals and self.facts is not None:
                self.block.append(_Interval(self.number, self.entry, self.facts))
            self.facts = None
        elif tag == "title" and self.inside[-1:] == ["entry"]:
            self.entry.title = text
        elif tag == "entry":
            self.entries.append(self.entry)
            self.done += self.block  # only now are all its links known
            self.block.clear()
        elif tag in _FACTS and self.facts is not None:
            self.facts.setdefault(tag, text)
        elif tag in _FACTS and self.inside[-1:] == ["ReadingType"]:
            self.entry.facts.setdefault(tag, text)


def _entries(path: Path) -> list[_Entry]:
    reader = _Reader(str(path), intervals=False)
    for _ in feed(reader.parser, _blocks(path), str(path), WHAT):
        pass
    return reader.entries


def _intervals(path: Path) -> Iterator[_Interval]:
    reader = _Reader(str(path), intervals=True)
    for _ in feed(reader.parser, _blocks(path), str(path), WHAT):
        yield from reader.done
        reader.done.clear()


#: What the file is called where its XML breaks.
WHAT = "the file is damaged ({error}); download it again"
