"""What closes a reject: its row mended, its circuit come in, newer rejects of its file; also in a rebuilt database."""

from __future__ import annotations

from pathlib import Path

import pytest
from mending_cases import CLEAN, HEADER, MESSY, bring, everything, given, mend_messy, mended, rejects
from sheets_read_back import Sheets

from auditor.store import Store
from auditor.store.records_db import remove


def test_the_database_is_rebuilt_with_the_same_closures(messy: Store, tmp_path: Path) -> None:
    bring(messy, mended(messy, tmp_path, lambda sheets: None, "once.xlsx"))

    def mend(sheets: Sheets) -> None:
        sheets["1 a"] = sheets.pop("2 1 a")
        mend_messy(sheets)

    bring(messy, mended(messy, tmp_path, mend, "twice.xlsx"))
    before = everything(messy)
    remove(messy)
    assert everything(messy) == before


def test_a_stand_in_that_comes_again_closes_nothing(messy: Store, tmp_path: Path) -> None:
    gone = given(tmp_path / "in", HEADER + CLEAN.splitlines(keepends=True)[0], "b.csv")
    bring(messy, gone, replace_circuits=True)
    again = given(tmp_path / "in", HEADER + "S1,2,120/240,,U,12,20,still about 25,10 AWG\n", "c.csv")
    (done,) = bring(messy, again)
    assert (done.outcome.closed, done.outcome.still_open) == (0, 3)


@pytest.mark.parametrize(
    ("text", "name", "mapping", "still_open"),
    [
        ("S1,2,120/240,,U,12,20,25,10 AWG\n", "other.csv", "", 1),
        ("S8,2,120/240,,U,12,20,25,10 AWG\n", "other.csv", "", 2),
        (MESSY + "S8,2,120/240,,U,12,20,25,10 AWG\n", "a.csv", "", 2),
        (MESSY, "renamed.csv", "[file]\nmissing = ['', 'none']\n", 2),
        ("S7,1,120/240,,U,12,20,25,10 AWG\n" + MESSY, "other.csv", "", 4),
    ],
    ids=["its circuit comes in", "another comes in", "same name and rows", "same bytes", "another file"],
)
def test_what_else_closes_a_reject(
    messy: Store, tmp_path: Path, text: str, name: str, mapping: str, still_open: int
) -> None:
    by = given(tmp_path / "in", mapping, "m.toml") if mapping else None
    (done,) = bring(messy, given(tmp_path / "in", HEADER + text, name), by, older=True)
    if mapping:  # Nothing new came of it, so it was not kept.
        assert done.outcome.accepted == 0
    assert (done.import_id, done.outcome.still_open) == (2, still_open)
    assert len(rejects(messy)) == still_open
