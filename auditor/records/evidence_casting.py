"""Rows of readings and events: from text cells, or the typed ones of Parquet, to columns; whole columns at once."""

from __future__ import annotations

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import KEYS, Binding
from auditor.records.casting import cast_frame, keys_of_refused
from auditor.records.evidence_schema import COMPLAINT, EVENT, READING, REQUIRED
from auditor.records.frames import FAULT_SCHEMA, KIND_TYPES, ROW_NUMBER, SOURCE_ROW
from auditor.records.instants import NO_ZONE, fault_of, read_instants
from auditor.records.schema import Column, Table

#: How far a highest voltage may lie below the mean before the two contradict each other [V]: printed in whole volts.
ROUNDED_V = 0.5
#: Rejects with whose rows they are, as far as that can be read.
OWNED_SCHEMA: dict[str, pl.DataType] = FAULT_SCHEMA | {"system_id": pl.String(), "circuit_id": pl.String()}


def evidence_schema_of(table: Table) -> dict[str, pl.DataType]:
    """Return the polars schema of the rows of readings or events, `source_row` last."""
    return {column.name: KIND_TYPES[column.kind] for column in table.columns} | {SOURCE_ROW: pl.Int64()}


def cast_evidence(
    frame: pl.DataFrame, table: Table, bindings: tuple[Binding, ...], zone: str, where: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return typed rows, in the columns of `evidence_schema_of`, and the rejects of all others, as `OWNED_SCHEMA`.

    `frame` has `row_number` and the file's own columns. AuditorError where a time has no zone and none is stated: the
    whole file has the one fault.
    """
    named = [b for b in bindings if b.column.kind not in ("number", "instant")]
    texts = frame.with_columns(pl.col(str(b.header)).cast(pl.String).fill_null("") for b in named)
    read = cast_frame(texts, named, REQUIRED[table.name])
    typed = frame.select(ROW_NUMBER)
    faults = [read.rejects]
    for binding in bindings:
        if binding.column.kind == "number":
            values, told = _figures(frame, binding)
        elif binding.column.kind == "instant":
            values, told = _instants(frame, binding, zone, where)
        else:
            continue
        typed = typed.with_columns(values.alias(binding.canonical))
        faults += [told, _lacking(frame, binding, values, told, table)]
    rows = read.rows.join(typed, on=ROW_NUMBER, how="inner", maintain_order="left")
    rows = rows.with_columns(
        pl.lit(None, KIND_TYPES[column.kind]).alias(column.name)
        for column in table.columns
        if column.name not in rows.columns
    )
    rejects = pl.concat([*faults, *_contradictions(frame, rows, table, bindings)])
    if rejects.height:
        rows = rows.filter(~pl.col(ROW_NUMBER).is_in(rejects[ROW_NUMBER].unique().implode()))
    if table is READING:
        rows = rows.with_columns(pl.col("leg").str.replace_all(r"\s", "").str.to_uppercase())
    kept = rows.rename({ROW_NUMBER: SOURCE_ROW}).select(list(evidence_schema_of(table)))
    return kept, _owned(texts, rejects.sort(ROW_NUMBER, maintain_order=True), bindings)


def _figures(frame: pl.DataFrame, binding: Binding) -> tuple[pl.Series, pl.DataFrame]:
    """Figures within the column's bounds; NaN and infinities are none."""
    column, raw = binding.column, frame[str(binding.header)]
    text = raw.dtype == pl.String
    cell = pl.col("raw").str.strip_chars() if text else pl.col("raw")
    value = cell.cast(pl.Float64, strict=False)
    good = value.is_finite() & value.is_between(column.minimum, column.maximum)
    given = (cell != "") if text else pl.col("raw").is_not_null()
    found = (
        raw.alias("raw")
        .to_frame()
        .select(
            pl.when(good).then(value).alias("value"),
            (given & ~good.fill_null(False)).fill_null(False).alias("bad"),
            value.is_finite().fill_null(False).alias("finite"),
        )
    )
    bad = _told(frame.filter(found["bad"]), binding)
    sentence = (
        pl.when(found.filter("bad")["finite"])
        .then(pl.format("'{}': {} must be {}", "raw", pl.lit(column.name), pl.lit(_reach(column))))
        .otherwise(pl.format("'{}' is not a number, in {} and without the unit", "raw", pl.lit(column.unit)))
    )
    code = pl.when(found.filter("bad")["finite"]).then(pl.lit("constraint-error")).otherwise(pl.lit("type-error"))
    return found["value"], bad.with_columns(code.alias("code"), sentence.alias("sentence")).select(list(FAULT_SCHEMA))


def _reach(column: Column) -> str:
    return f"from {column.minimum:g} to {column.maximum:g} {column.unit}"


def _instants(frame: pl.DataFrame, binding: Binding, zone: str, where: str) -> tuple[pl.Series, pl.DataFrame]:
    values, faults = read_instants(frame[str(binding.header)], zone)
    bad = faults.is_not_null()
    told = _told(frame.filter(bad), binding)
    stated = [fault_of(place, text) for place, text in zip(faults.filter(bad), told["raw"], strict=True)]
    for row, (code, sentence) in zip(told[ROW_NUMBER], stated, strict=True):
        if code == NO_ZONE[0]:
            raise AuditorError(
                f"{where}: row {row}: {binding.canonical} {sentence}. Write its offset, such as -05:00, or say the zone"
                " of all such times with --zone America/New_York, or --zone -05:00 where the clocks never change."
                " Nothing was imported."
            )
    codes = pl.Series("code", [code for code, _ in stated], dtype=pl.String)
    sentences = pl.Series("sentence", [sentence for _, sentence in stated], dtype=pl.String)
    return values, told.with_columns(codes, sentences).select(list(FAULT_SCHEMA))


def _told(rows: pl.DataFrame, binding: Binding) -> pl.DataFrame:
    """Rows as faults of one of their cells, without code and sentence."""
    return rows.select(
        ROW_NUMBER,
        pl.lit(binding.shown_header).alias("column"),
        pl.lit(binding.canonical).alias("canonical"),
        pl.col(str(binding.header)).cast(pl.String).alias("raw"),
    )


def _lacking(
    frame: pl.DataFrame, binding: Binding, values: pl.Series, told: pl.DataFrame, table: Table
) -> pl.DataFrame:
    """Rejects of rows whose required cell is empty."""
    if binding.canonical not in REQUIRED[table.name] or not values.null_count():
        return pl.DataFrame(schema=FAULT_SCHEMA)
    empty = frame.filter(values.is_null()).join(told, on=ROW_NUMBER, how="anti", maintain_order="left")
    sentence = pl.lit(f"{binding.canonical} is empty; every row needs it").alias("sentence")
    return _told(empty, binding).with_columns(pl.lit("constraint-error").alias("code"), sentence)


def _contradictions(
    frame: pl.DataFrame, rows: pl.DataFrame, table: Table, bindings: tuple[Binding, ...]
) -> list[pl.DataFrame]:
    """Rejects of rows whose own cells contradict each other; nothing is swapped."""
    if table is EVENT:
        rule, column, other, what = pl.col("end") < pl.col("start"), "end", "start", "the event starts only at"
    elif table is COMPLAINT:
        rule, column, other, what = pl.col("closed") < pl.col("opened"), "closed", "opened", "it was made only on"
    else:
        rule, column, other, what = pl.col("max_v") < pl.col("mean_v") - ROUNDED_V, "max_v", "mean_v", "the mean is"
    bad = rows.filter(rule).select(ROW_NUMBER)
    if not bad.height:
        return []
    headers = {b.canonical: str(b.header) for b in bindings}
    cell, beside = (pl.col(headers[name]).cast(pl.String) for name in (column, other))
    return [
        frame.join(bad, on=ROW_NUMBER, how="semi").select(
            ROW_NUMBER,
            pl.lit(headers[column]).alias("column"),
            pl.lit(column).alias("canonical"),
            cell.alias("raw"),
            pl.lit("constraint-error").alias("code"),
            pl.format(f"'{{}}' cannot be: {what} '{{}}'", cell, beside).alias("sentence"),
        )
    ]


def _owned(texts: pl.DataFrame, rejects: pl.DataFrame, bindings: tuple[Binding, ...]) -> pl.DataFrame:
    """Rejects with the ids of their rows, where these can be read."""
    if not rejects.height:
        return pl.DataFrame(schema=OWNED_SCHEMA)
    keys = keys_of_refused(texts, rejects, [b for b in bindings if b.canonical in KEYS])
    owner = keys.rename({SOURCE_ROW: ROW_NUMBER})
    return rejects.join(owner, on=ROW_NUMBER, how="left", maintain_order="left").select(list(OWNED_SCHEMA))
