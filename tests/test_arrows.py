"""Who may import whom: the table of DEVELOPERS.md, held by reading the sources."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
EVERYONE = {"auditor.errors", "auditor.toml_file", "auditor"}

#: Which parts of the package each part may import, besides itself, `auditor.errors` and `auditor.toml_file`.
MAY_IMPORT: dict[str, set[str]] = {
    "auditor.errors": set(),
    "auditor.toml_file": set(),
    "auditor.catalog": set(),
    "auditor.policy": set(),
    "auditor.electrical": set(),
    "auditor.records": {"auditor.catalog"},
    "auditor.store": {"auditor.records", "auditor.catalog"},
    "auditor.checks": {"auditor.electrical", "auditor.catalog", "auditor.policy"},
    "auditor.prepare": {"auditor.electrical", "auditor.catalog", "auditor.policy", "auditor.records", "auditor.checks"},
    "auditor.suspicion": {"auditor.prepare", "auditor.policy"},
    "auditor.trips": {
        *("auditor.prepare", "auditor.policy", "auditor.catalog", "auditor.checks", "auditor.likelihood"),
        *("auditor.electrical", "auditor.evidence", "auditor.records"),
    },
    "auditor.audit": {"auditor.prepare", "auditor.checks", "auditor.policy", "auditor.suspicion", "auditor.trips"},
    "auditor.likelihood": set(),
    "auditor.evidence": {"auditor.likelihood", "auditor.records"},
    "auditor.triage": {
        *("auditor.policy", "auditor.catalog", "auditor.prepare", "auditor.likelihood", "auditor.evidence"),
        "auditor.records",
    },
    "auditor.complaints": {
        *("auditor.policy", "auditor.prepare", "auditor.store", "auditor.triage"),
    },
    "auditor.cautions": set(),
    "auditor.sheets": {
        *("auditor.one_system", "auditor.prepare", "auditor.reports", "auditor.store", "auditor.cautions"),
    },
    "auditor.results": set(),
    "auditor.trip_likelihood": set(),
    "auditor.findings": {"auditor.checks", "auditor.policy"},
    "auditor.shown": {"auditor.checks", "auditor.findings"},
    "auditor.duplicates": set(),
    "auditor.publish": {
        *("auditor.duplicates", "auditor.held"),
        *("auditor.audit", "auditor.results", "auditor.findings", "auditor.prepare", "auditor.store", "auditor.shown"),
        *("auditor.records", "auditor.catalog", "auditor.policy"),
        *("auditor.suspicion", "auditor.evidence", "auditor.trips", "auditor.complaints", "auditor.checks"),
    },
    "auditor.remedies": {
        *("auditor.audit", "auditor.prepare", "auditor.checks", "auditor.catalog", "auditor.policy", "auditor.trips"),
        "auditor.electrical",
    },
    "auditor.mend": {
        *("auditor.remedies", "auditor.catalog", "auditor.policy", "auditor.prepare", "auditor.records"),
        *("auditor.store", "auditor.trips", "auditor.held"),
    },
    "auditor.one_system": {
        *("auditor.audit", "auditor.prepare", "auditor.checks", "auditor.electrical", "auditor.records"),
        *("auditor.catalog", "auditor.policy", "auditor.findings", "auditor.trips", "auditor.likelihood"),
        "auditor.held",
    },
    "auditor.held": {
        "auditor.prepare",
        "auditor.policy",
        "auditor.records",
        "auditor.store",
        "auditor.trips",
        "auditor.evidence",
    },
    "auditor.compare": {
        "auditor.held",
        *("auditor.audit", "auditor.publish", "auditor.store", "auditor.records", "auditor.catalog", "auditor.policy"),
        *("auditor.checks", "auditor.prepare", "auditor.trips"),
    },
    "auditor.quality": set(),
    "auditor.reports": {"auditor.store", "auditor.records", "auditor.quality"},
    "auditor.jobs": {"auditor.store"},
    "auditor.cli": {
        *("auditor.publish", "auditor.store", "auditor.reports", "auditor.catalog", "auditor.policy"),
        *("auditor.checks", "auditor.records", "auditor.jobs", "auditor.trip_likelihood", "auditor.compare"),
        *("auditor.mend", "auditor.remedies", "auditor.trips"),
        *("auditor.quality", "auditor.cautions"),
        "auditor.sheets",
    },
    "auditor.__main__": {"auditor.cli"},
}
#: Libraries that a part may not know: pure functions know no file, no database and no frame.
_PURE = {"polars", "duckdb", "pyarrow", "pathlib", "pydantic"}
MAY_NOT_KNOW = {"auditor.electrical": _PURE, "auditor.likelihood": _PURE, "auditor.quality": _PURE - {"polars"}}

#: What the dashboard may know of `auditor`: the store's reading side, exports, one system's audit, the checks' names,
#: the records' declared columns, what a row of totals is called, and the statistics of comparisons.
DASHBOARD = {
    "auditor.errors", "auditor.store", "auditor.store.snapshot", "auditor.store.records_db", "auditor.reports.export",
    "auditor.reports.fetching", "auditor.reports.mending", "auditor.store.originals", "auditor.jobs", "auditor",
    "auditor.one_system", "auditor.checks", "auditor.records.schema", "auditor.records.totals",
    "auditor.store.decisions", "auditor.trip_likelihood", "auditor.mend", "auditor.trips",
    "auditor.store.actions", "auditor.reports.cases", "auditor.reports.quality", "auditor.cautions",
    "auditor.reports.complaints", "auditor.reports.actions",
}  # fmt: skip
#: Parts that the dashboard may know throughout.
OPEN = (
    "auditor.compare",
    "auditor.one_system",
    "auditor.checks",
    "auditor.remedies",
    "auditor.quality",
    "auditor.sheets",
)
#: The one module of `auditor` that may import the dashboard, inside its functions.
SERVING = ROOT / "auditor" / "cli" / "serving.py"


def part_of(module: str) -> str:
    return ".".join(module.split(".")[:2])


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {node.module or ""}
            if node.module == "auditor":
                found |= {f"auditor.{alias.name}" for alias in node.names}
    return found


SOURCES = sorted((ROOT / "auditor").rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_imports_only_what_it_may(path: Path) -> None:
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    part = part_of(module)
    if part == "auditor":
        return
    for name in imports(path):
        assert name.split(".")[0] not in MAY_NOT_KNOW.get(part, set()), f"{module} imports {name}"
        if path != SERVING:
            assert name.split(".")[0] not in {"dash", "dashboard"}, f"{module} imports {name}"
        if name.startswith("auditor.") and name.split(".")[1] != "__version__":
            allowed = MAY_IMPORT[part] | {part} | EVERYONE
            assert part_of(name) in allowed, f"{module} imports {name}"


def test_every_part_is_in_the_table() -> None:
    parts = {part_of("auditor." + path.name.removesuffix(".py")) for path in (ROOT / "auditor").glob("*.py")}
    parts |= {f"auditor.{path.name}" for path in (ROOT / "auditor").iterdir() if (path / "__init__.py").exists()}
    assert parts - {"auditor.__init__"} == MAY_IMPORT.keys()


def test_serving_imports_the_dashboard_inside_its_functions() -> None:
    for node in ast.parse(SERVING.read_text("utf-8")).body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            assert "dash" not in ast.unparse(node)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "dashboard").rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT))
)
def test_the_dashboard_reads_only(path: Path) -> None:
    for name in imports(path):
        if not name.startswith("auditor"):
            continue
        known = any(name == known or name.startswith(known + ".") for known in OPEN)
        assert known or name in DASHBOARD, f"{path} imports {name}"
        if name == "auditor.store.records_db":
            assert "from auditor.store.records_db import Connection\n" in path.read_text("utf-8")
    if path.parent.name == "queries":
        assert not {name for name in imports(path) if name.split(".")[0] in {"dash", "plotly"}}, path
