"""A sheet as the bytes of a file."""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from auditor.sheets.content import AUDIENCES, Audience, sheet
from auditor.sheets.html import as_html
from auditor.sheets.pdf import Paper, as_pdf
from auditor.store.decisions import Decision
from auditor.store.records_db import Connection

__all__ = ("AUDIENCES", "SUFFIXES", "written")
SUFFIXES = (".html", ".pdf")


def written(
    con: Connection, decisions: Iterable[Decision], system_id: str, audience: str, suffix: str, paper: str = "a4"
) -> bytes:
    """The file's bytes; `audience` is one of AUDIENCES, `suffix` one of SUFFIXES."""
    made = sheet(con, decisions, system_id, cast(Audience, audience))
    return as_html(made).encode() if suffix == ".html" else as_pdf(made, cast(Paper, paper))
