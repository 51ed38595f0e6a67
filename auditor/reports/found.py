"""What field visits found, read back from a sample's file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl

from auditor.errors import AuditorError
from auditor.quality.field import ANTICIPATED, DEFICIENT, SOUND
from auditor.records.reading import WORKBOOK_SUFFIXES
from auditor.records.sheet_rows import sheet_rows
from auditor.records.workbook import open_workbook

FOUND_WORDS = f"`{DEFICIENT}` or `{SOUND}`"
_NEEDED = ("system_id", "stratum", "stratum_systems", "all_systems", "found")


def read_found(path: Path) -> pl.DataFrame:
    """Read a sample with its column `found`: system_id, stratum, stratum_systems, deficient (null where not visited).

    AuditorError names the column or row that cannot be read, and says where a stratum of the sample is not there.
    """
    try:
        text = _READERS.get(path.suffix.lower(), _csv)(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise AuditorError(f"{path}: cannot be read as a sample: {str(error).splitlines()[0]}.") from error
    lacking = [name for name in _NEEDED if name not in text.columns]
    if lacking:
        raise AuditorError(f"{path}: lacks the column {', '.join(lacking)}; take the file that `quality sample` wrote.")
    frame = text.select(pl.col(name).cast(pl.String) for name in _NEEDED).with_columns(
        pl.col("found").str.strip_chars().str.to_lowercase().fill_null("").alias("word"),
        pl.col("stratum_systems", "all_systems").cast(pl.Int64, strict=False),
    )
    _checked(path, frame)
    _whole(path, frame)
    deficient = pl.when(pl.col("word") == "").then(None).otherwise(pl.col("word") == DEFICIENT)
    return frame.select("system_id", "stratum", "stratum_systems", deficient.alias("deficient"))


def _csv(path: Path) -> pl.DataFrame:
    return pl.read_csv(path, infer_schema=False)


def _workbook(path: Path) -> pl.DataFrame:
    """The first sheet of a workbook as text, its first row the header; a cell that is none stops the reading."""
    with open_workbook(path) as book:
        rows = list(sheet_rows(book, book.sheets[0]))
    names = rows[0].cells if rows else {}
    for row in rows:
        for column, fault in row.faults.items():
            if names.get(column) in _NEEDED:
                raise AuditorError(f"{path}, row {row.number}, column {names[column]}: {fault.sentence}.")
    cells = [{name: row.cells.get(column) for column, name in names.items()} for row in rows[1:]]
    return pl.DataFrame(cells, schema=dict.fromkeys(names.values(), pl.String))


_READERS: dict[str, Callable[[Path], pl.DataFrame]] = {
    ".parquet": pl.read_parquet, ".jsonl": pl.read_ndjson, ".csv": _csv,
    **dict.fromkeys(WORKBOOK_SUFFIXES, _workbook),
}  # fmt: skip


def _whole(path: Path, frame: pl.DataFrame) -> None:
    """The systems of the strata must add up to all: an estimate without a stratum would speak of a part."""
    strata = frame.select("stratum", "stratum_systems", "all_systems").unique()
    there, whole = strata["stratum_systems"].sum(), strata["all_systems"].to_list()
    if strata["stratum"].is_duplicated().any() or any(one != there for one in whole):
        raise AuditorError(
            f"{path}: its strata have {there:,} systems together, and the sample was drawn from"
            f" {max(whole, default=0):,}. Rows of a stratum are missing, or stand here from several samples: take the"
            " whole file that `quality sample` wrote, with `found` left empty where no one was."
        )


def _checked(path: Path, frame: pl.DataFrame) -> None:
    rows = frame.with_row_index("row", 2)
    for wrong, what in (
        (~pl.col("word").is_in([DEFICIENT, SOUND, ""]), f"`found` takes {FOUND_WORDS}, or nothing where no one was"),
        (~pl.col("stratum").is_in(list(ANTICIPATED)).fill_null(False), f"`stratum` is one of {', '.join(ANTICIPATED)}"),
        (pl.col("stratum_systems").is_null(), "`stratum_systems` is a whole number"),
        (pl.col("all_systems").is_null(), "`all_systems` is a whole number"),
        (pl.col("system_id").is_duplicated(), "the system stands there twice"),
    ):
        bad = rows.filter(wrong)
        if bad.height:
            raise AuditorError(f"{path}, row {bad['row'][0]} ({bad['system_id'][0]}): {what}.")
