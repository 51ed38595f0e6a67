"""The sample's findings are those of the golden report."""

from __future__ import annotations

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from report import GOLDEN, difference, report

from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot


def test_no_finding_changed_unnoticed(sample_store: tuple[Store, dict[str, Imported]]) -> None:
    with open_snapshot(sample_store[0]) as con:
        changes = difference(json.loads(GOLDEN.read_text("utf-8")), report(con))
    told = "\n".join(changes)
    assert not changes, f"{told}\nIf this is meant: raise the check's version, then python tests/golden/report.py"
