"""What field visits found, read back from a sample's file."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from auditor.errors import AuditorError
from auditor.quality.field import ANTICIPATED, DEFICIENT, SOUND

FOUND_WORDS = f"`{DEFICIENT}` or `{SOUND}`"
_NEEDED = ("system_id", "stratum", "stratum_systems", "found")


def read_found(path: Path) -> pl.DataFrame:
    """Read a sample with its column `found`: system_id, stratum, stratum_systems, deficient (null where not visited).

    AuditorError names the column or row that cannot be read.
    """
    try:
        text = pl.read_parquet(path) if path.suffix.lower() == ".parquet" else pl.read_csv(path, infer_schema=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise AuditorError(f"{path}: cannot be read as a sample: {str(error).splitlines()[0]}.") from error
    lacking = [name for name in _NEEDED if name not in text.columns]
    if lacking:
        raise AuditorError(f"{path}: lacks the column {', '.join(lacking)}; take the file that `quality sample` wrote.")
    frame = text.select(pl.col(name).cast(pl.String) for name in _NEEDED).with_columns(
        pl.col("found").str.strip_chars().str.to_lowercase().fill_null("").alias("word"),
        pl.col("stratum_systems").cast(pl.Int64, strict=False),
    )
    _checked(path, frame)
    deficient = pl.when(pl.col("word") == "").then(None).otherwise(pl.col("word") == DEFICIENT)
    return frame.select("system_id", "stratum", "stratum_systems", deficient.alias("deficient"))


def _checked(path: Path, frame: pl.DataFrame) -> None:
    rows = frame.with_row_index("row", 2)
    for wrong, what in (
        (~pl.col("word").is_in([DEFICIENT, SOUND, ""]), f"`found` takes {FOUND_WORDS}, or nothing where no one was"),
        (~pl.col("stratum").is_in(list(ANTICIPATED)).fill_null(False), f"`stratum` is one of {', '.join(ANTICIPATED)}"),
        (pl.col("stratum_systems").is_null(), "`stratum_systems` is a whole number"),
        (pl.col("system_id").is_duplicated(), "the system stands there twice"),
    ):
        bad = rows.filter(wrong)
        if bad.height:
            raise AuditorError(f"{path}, row {bad['row'][0]} ({bad['system_id'][0]}): {what}.")
