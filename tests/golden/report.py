"""The golden report: the sample's counts by check and verdict, and every finding that is not a pass.

It shows change and proves nothing. `python tests/golden/report.py` writes it anew, and refuses where the findings of a
check changed whose version did not: raise the version, and say why in the check's docstring.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

from auditor.catalog import load_catalog
from auditor.cli.demo import FILES
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import Connection, open_records
from auditor.store.snapshot import open_snapshot

HERE = Path(__file__).parent
GOLDEN = HERE / "report.json"
SAMPLE = HERE.parents[1] / "sample_portfolio"

Report = dict[str, Any]


def report(con: Connection) -> Report:
    """The report of a snapshot."""
    counts: Report = {}
    query = 'SELECT "check", check_version, verdict::VARCHAR, count(*) FROM finding GROUP BY ALL ORDER BY ALL'
    for check, version, verdict, number in con.execute(query).fetchall():
        counts.setdefault(check, {"version": version})[verdict] = number
    rows = con.execute(
        'SELECT "check", system_id, coalesce(circuit_id, \'\'), verdict::VARCHAR, value, "limit", missing FROM finding'
        " WHERE verdict IN ('fail', 'unknown') ORDER BY ALL"
    ).fetchall()
    findings: Report = {}
    for check, system, circuit, verdict, value, limit, missing in rows:
        words = [verdict, *(f"{x:.6g}" if x is not None else "-" for x in (value, limit)), missing]
        findings.setdefault(check, {})[f"{system}/{circuit}"] = " | ".join(words)
    return {"counts": counts, "findings": findings}


def difference(old: Report, new: Report) -> list[str]:
    """What changed, check by check: newly failing, newly passing, newly unknown, and moved figures."""
    lines = []
    for check in sorted(old["findings"].keys() | new["findings"].keys()):
        before, after = old["findings"].get(check, {}), new["findings"].get(check, {})
        for key in sorted(before.keys() | after.keys()):
            was, now = before.get(key, "pass"), after.get(key, "pass")
            if was != now:
                verdicts = was.split(" | ")[0], now.split(" | ")[0]
                what = f"newly {verdicts[1]}" if verdicts[0] != verdicts[1] else "moved"
                lines.append(f"{check} {key}: {what}: {was} -> {now}")
    for check in sorted(old["counts"].keys() | new["counts"].keys()):
        if old["counts"].get(check) != new["counts"].get(check):
            lines.append(f"{check}: counts {old['counts'].get(check)} -> {new['counts'].get(check)}")
    return lines


def main() -> int:
    """Write the report anew."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        store.create()
        shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", store.catalog / "equipment.toml")
        with store.locked("golden"), open_records(store) as con:
            for name, mapping in FILES:
                import_file(con, store, SAMPLE / name, SAMPLE / mapping if mapping else None, imported_on="2026-01-31")
            publish(con, store, load_catalog([store.catalog]), load_policy(SAMPLE / "policy.toml"), date(2026, 1, 31))
        with open_snapshot(store) as snapshot:
            new = report(snapshot)
    old = json.loads(GOLDEN.read_text("utf-8")) if GOLDEN.exists() else {"counts": {}, "findings": {}}
    for check, counts in new["counts"].items():
        moved = old["findings"].get(check) != new["findings"].get(check)
        if check in old["counts"] and moved and old["counts"][check]["version"] == counts["version"]:
            sys.stderr.write(f"{check}: its findings changed and its version did not.\n")
            return 1
    sys.stdout.write("\n".join(difference(old, new)) + "\n")
    GOLDEN.write_text(json.dumps(new, indent=1, sort_keys=True, ensure_ascii=False) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
