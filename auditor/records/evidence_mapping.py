"""How a foreign file of readings, events or complaints becomes the canonical one: a mapping in TOML, as for records."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator

from auditor.errors import AuditorError
from auditor.records.bindings import Binding
from auditor.records.cells import CellRules
from auditor.records.evidence_schema import REQUIRED
from auditor.records.fault import clean
from auditor.records.instants import checked_zone, iso_clock
from auditor.records.mapping import FileRules
from auditor.records.schema import Column, Table
from auditor.records.vocabularies import VocabularyName, decoded, vocabulary
from auditor.toml_file import checked, did_you_mean, read_toml

#: What a figure of each column's unit may be written in, and how many of the column's units that is.
UNITS: dict[str, dict[str, float]] = {
    "V": {"V": 1.0, "mV": 0.001, "kV": 1000.0},
    "kW": {"kW": 1.0, "W": 0.001, "MW": 1000.0},
    "s": {"s": 1.0, "min": 60.0, "h": 3600.0},
    "%": {"%": 1.0},
}
InstantOrder = Literal["month-day-year", "day-month-year"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class EvidenceFileRules(_Part):
    """What holds for the whole file. `date_order` is that of times written in figures, `zone` that of times without an
    offset.
    """

    header_row: int = Field(default=1, ge=1, le=10_000)
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    encoding: str | None = None
    decimal_mark: Literal[".", ","] = "."
    date_order: InstantOrder | None = None
    missing: tuple[str, ...] = ("",)
    zone: str = ""

    @field_validator("zone")
    @classmethod
    def _zone(cls, text: str) -> str:
        try:
            return checked_zone(text) if text else ""
        except AuditorError as error:
            raise ValueError(str(error)) from error

    def csv(self) -> FileRules:
        """The rules as the reader of CSV files takes them."""
        return FileRules(header_row=self.header_row, delimiter=self.delimiter, encoding=self.encoding)


class EvidenceColumn(_Part):
    """Which of the user's columns a canonical one is read from.

    `values` renames cells, and `otherwise` is what every other text of a column of choices stands for. Of an event's
    kind, `vocabulary` names the open standard whose word of bits stands there.
    """

    model_config = ConfigDict(
        json_schema_extra={"said": 'your column\'s name in quotes, or { column = "Power", unit = "W" }'}
    )

    column: str = Field(min_length=1)
    unit: str | None = None
    values: dict[str, str] = Field(default_factory=dict)
    vocabulary: VocabularyName | None = None
    otherwise: str | None = None


def _named(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


def _as_text(value: Any) -> Any:
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


class EvidenceMapping(_Part):
    """A mapping file. A header that is canonical and not spoken for here is read as it stands."""

    file: EvidenceFileRules = Field(default_factory=EvidenceFileRules)
    columns: dict[str, Annotated[EvidenceColumn, BeforeValidator(_named)]] = Field(default_factory=dict)
    constants: dict[str, Annotated[str, BeforeValidator(_as_text)]] = Field(default_factory=dict)


def load_evidence_mapping(path: Path, table: Table) -> EvidenceMapping:
    """Read a mapping for files of this table; an AuditorError names the file and each entry that is wrong."""
    mapping, faults = checked(EvidenceMapping, read_toml(path))
    told = [str(fault) for fault in faults] if mapping is None else _faults(mapping, table)
    if mapping is None or told:
        raise AuditorError("\n".join(f"{path}: {fault}" for fault in told))
    return mapping


def _faults(mapping: EvidenceMapping, table: Table) -> list[str]:
    """Every entry that does not suit the table, and why."""
    known = {column.name: column for column in table.columns}
    faults = []
    for part, names in (("columns", mapping.columns), ("constants", mapping.constants)):
        for name in names:
            if name not in known:
                told = f"[{part}] {name}: is no column of {table.name}s.{did_you_mean(name, known)}"
                faults.append(f"{told} They are: {', '.join(known)}.")
    for name, rule in mapping.columns.items():
        if name in mapping.constants:
            faults.append(f"[columns] {name}: it stands under [constants] too; leave one out")
        if name in known:
            faults += [f"[columns] {name}: {told}" for told in _rule_faults(rule, known[name])]
    return faults


def _rule_faults(rule: EvidenceColumn, column: Column) -> list[str]:
    faults = []
    allowed = UNITS.get(column.unit, {})
    if rule.unit is not None and rule.unit not in allowed:
        told = f"unit {rule.unit!r} is not one of: {', '.join(allowed)}" if allowed else "takes no unit; leave it out"
        faults.append(told)
    if column.name != "kind" and rule.vocabulary:
        faults.append("vocabulary is for an event's kind; leave it out")
    if not column.choices and rule.otherwise:
        faults.append("otherwise is for columns of choices; leave it out")
    stated = [*rule.values.values(), *([rule.otherwise] if rule.otherwise else [])]
    for text in stated if column.choices else []:
        if text not in column.choices:
            faults.append(f"{text!r} is not one of: {', '.join(column.choices)}.{did_you_mean(text, column.choices)}")
    return faults


def bound(headers: Sequence[str], table: Table, mapping: EvidenceMapping, where: str) -> tuple[Binding, ...]:
    """The bindings of a file with these cleaned headers; a constant is bound to a column that `prepared` adds.

    AuditorError where a mapped or a needed column is absent, or one stands twice.
    """
    spoken = {clean(rule.column) for rule in mapping.columns.values()}
    bindings = []
    for column in table.columns:
        name, rule = column.name, mapping.columns.get(column.name)
        if name in mapping.constants:
            header = _constant_header(name)
        elif rule is not None:
            header = clean(rule.column)
            if header not in headers:
                raise AuditorError(
                    f"{where}: the mapping reads {name} from a column {header!r}, which the file does not have. Its"
                    f" columns: {', '.join(headers)}"
                )
        elif name in headers and name not in spoken:
            header = name
        elif name == "words" and "kind" in mapping.columns:
            header = WORDS  # What the source calls it is kept, whoever names no column for it.
        else:
            continue
        bindings.append(Binding(name, column, header, _rules(rule, mapping, column)))
    _refuse(bindings, headers, table, where)
    # In the file's own order, which is then the order in which a row's faults are told.
    place = {header: position for position, header in enumerate(headers)}
    return tuple(sorted(bindings, key=lambda b: place.get(str(b.header), len(place))))


#: The column that `prepared` adds with what the source calls an event.
WORDS = "(what the source calls it)"


def _constant_header(name: str) -> str:
    return f"{name} (constant)"


def _rules(rule: EvidenceColumn | None, mapping: EvidenceMapping, column: Column) -> CellRules:
    values = rule.values if rule else {}
    missing = frozenset({"", *(clean(text).lower() for text in mapping.file.missing)})
    return CellRules(values=values, missing=missing, date_order=mapping.file.date_order)


def _refuse(bindings: list[Binding], headers: Sequence[str], table: Table, where: str) -> None:
    used = [str(b.header) for b in bindings]
    twice = sorted({header for header in used if list(headers).count(header) > 1})
    if twice:
        raise AuditorError(f"{where}: duplicate-label: several columns are called {', '.join(twice)}")
    given = {b.canonical for b in bindings}
    lacking = [name for name in REQUIRED[table.name] if name not in given]
    if lacking:
        raise AuditorError(
            f"{where}: has no column {' and none '.join(lacking)}. A file of {table.name}s has the columns"
            f" {', '.join(c.name for c in table.columns)}, of which {', '.join(REQUIRED[table.name])} are needed; its"
            f" own are {', '.join(headers)}. A mapping can name others (--mapping)."
        )


def prepared(frame: pl.DataFrame, bindings: Sequence[Binding], mapping: EvidenceMapping) -> pl.DataFrame:
    """The file's rows with what the mapping states: constants, kinds out of alarm words, figures in canonical units,
    times written in figures. Text cells stay text; a cell that is not understood stands as it is, to be refused.
    """
    columns = [pl.lit(text).alias(_constant_header(name)) for name, text in mapping.constants.items()]
    frame = frame.with_columns(columns)
    names = {b.canonical: str(b.header) for b in bindings}
    kind = mapping.columns.get("kind")
    if kind is not None:
        frame = _kinds(frame, names["kind"], kind)
    missing = [clean(text) for text in mapping.file.missing if clean(text)]
    for binding in bindings:
        if binding.column.kind in ("number", "instant") and frame.schema[str(binding.header)] == pl.String:
            cell = pl.col(str(binding.header)).str.strip_chars()
            cell = pl.when(cell.is_in(missing)).then(pl.lit("")).otherwise(cell)
            frame = frame.with_columns(cell.alias(str(binding.header)))
        told = _otherwise(binding, mapping.columns.get(binding.canonical))
        frame = _figures(frame if told is None else frame.with_columns(told), binding, mapping)
    return frame


def _kinds(frame: pl.DataFrame, header: str, rule: EvidenceColumn) -> pl.DataFrame:
    """An event's kind out of its alarm word, and what the source calls it beside."""
    kinds = words = frame[header].cast(pl.String).str.strip_chars()
    if rule.vocabulary is not None:
        kinds, words = decoded(words, vocabulary(rule.vocabulary))
    return frame.with_columns(kinds.alias(header), words.alias(WORDS))


def _otherwise(binding: Binding, rule: EvidenceColumn | None) -> pl.Expr | None:
    """What a cell of a column of choices stands for where the mapping lists it not; None where nothing is said."""
    if rule is None or rule.otherwise is None:
        return None
    cell = pl.col(str(binding.header)).cast(pl.String).str.strip_chars()
    listed = cell.is_in([*rule.values, *binding.column.choices]) | cell.str.to_lowercase().is_in(binding.rules.missing)
    return pl.when(listed).then(cell).otherwise(pl.lit(rule.otherwise)).alias(str(binding.header))


def _figures(frame: pl.DataFrame, binding: Binding, mapping: EvidenceMapping) -> pl.DataFrame:
    header, rule = str(binding.header), mapping.columns.get(binding.canonical)
    text = frame.schema[header] == pl.String
    if binding.column.kind == "instant" and mapping.file.date_order is not None and text:
        return frame.with_columns(iso_clock(frame[header], mapping.file.date_order).alias(header))
    if binding.column.kind != "number":
        return frame
    if text and mapping.file.decimal_mark == ",":
        frame = frame.with_columns(pl.col(header).str.replace(",", ".", literal=True))
    scale = UNITS.get(binding.column.unit, {}).get(rule.unit or "", 1.0) if rule else 1.0
    if scale == 1.0:
        return frame
    figure = pl.col(header).cast(pl.Float64, strict=False) * scale
    scaled = pl.when(figure.is_not_null()).then(figure.cast(pl.String) if text else figure).otherwise(pl.col(header))
    return frame.with_columns(scaled.alias(header))
