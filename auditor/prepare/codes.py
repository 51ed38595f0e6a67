"""Installation codes as people write them, and the family of rules each belongs to."""

from __future__ import annotations

import re

import polars as pl

#: Spellings of the codes the checks know, each with its usual name and its family. Anything else stays as written, and
#: which rules hold there is unknown: a code is never taken for the nearest.
SPELLINGS = (
    (re.compile(r"\bnec(?![a-z])|\bnfpa\W*70(?!\d)|national electric(al)? code", re.I), "NEC", "NEC"),
    (re.compile(r"\bas\W*(nzs)?\W*3000(?!\d)", re.I), "AS/NZS 3000", "IEC"),
    (re.compile(r"\bbs\W*7671(?!\d)", re.I), "BS 7671", "IEC"),
    (re.compile(r"\b(iec|hd|en)\W*60364(?!\d)", re.I), "IEC 60364", "IEC"),
    (re.compile(r"\b(din\W*)?vde\W*0100(?!\d)", re.I), "DIN VDE 0100", "IEC"),
    (re.compile(r"\bnf\W*c\W*15\W*100(?!\d)", re.I), "NF C 15-100", "IEC"),
)
_YEAR = re.compile(r"(?<!\d)((19|20)\d\d)(?!\d)")


def read_code(text: str) -> tuple[str, str | None, str | None]:
    """Return a code's usual name, its family ("NEC" or "IEC") and the year in it, None where the text has none."""
    year = _YEAR.search(text)
    for spelling, name, family in SPELLINGS:
        if spelling.search(text):
            return name, family, year and year[1]
    return text, None, year and year[1]


def add_codes(system: pl.DataFrame, iec_services: tuple[str, ...], us_services: tuple[str, ...]) -> pl.DataFrame:
    """Give codes their usual names, fill a missing edition from a code's text, and add `code_family`.

    The services of the IEC family settle it; on services of the NEC a code of another family, or one that is not
    known, leaves it null.
    """
    texts = system["installation_code"].drop_nulls().unique().to_list()
    names, families, years = ({text: read_code(text)[part] for text in texts} for part in range(3))
    code = pl.col("installation_code")
    family = code.replace_strict(families, default=None, return_dtype=pl.String)
    service = pl.col("service")
    return system.with_columns(
        code.replace_strict(names, default=None, return_dtype=pl.String).alias("installation_code"),
        pl.coalesce("code_edition", code.replace_strict(years, default=None, return_dtype=pl.String)).alias(
            "code_edition"
        ),
        pl.when(service.is_in(iec_services))
        .then(pl.lit("IEC"))
        .when(service.is_in(us_services) & (family != "NEC"))
        .then(None)
        .otherwise(family)
        .alias("code_family"),
    )
