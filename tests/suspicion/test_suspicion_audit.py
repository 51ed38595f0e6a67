"""From a file to the snapshot: warnings are worked out by the audit, hashed with it, and kept beside the records."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest

from auditor import publish
from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import Connection, open_records
from auditor.store.snapshot import open_snapshot

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
AS_OF = date(2026, 1, 31)
ODD = [
    {"stated_rise_pct": "0.05"},
    {"module_count": "1"},
    {"energized_date": "1994-02-01"},
    {"busbar_a": "20"},
    {"breaker_a": "1"},
    {"latitude_deg": "0", "longitude_deg": "0"},
    {"feeder_length_m": "501"},
]
Rows = list[dict[str, str]]


def sample_rows(count: int) -> Rows:
    """Return the sample's first rows."""
    with (SAMPLE / "tidy.csv").open(encoding="utf-8", newline="") as file:
        return [row for row, _ in zip(csv.DictReader(file), range(count), strict=False)]


def write(path: Path, rows: Rows) -> Path:
    """Write rows as CSV with every column that any of them has."""
    header = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, header, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def odd_rows() -> Rows:
    """Return the sample's first rows, each system with one odd fact in all its rows."""
    rows = sample_rows(70)
    place = {system: i for i, system in enumerate(dict.fromkeys(row["system_id"] for row in rows))}
    return [row | ODD[place[row["system_id"]] % len(ODD)] for row in rows]


@pytest.fixture
def con(tmp_path: Path):  # type: ignore[no-untyped-def]
    """Records of odd systems in a store of their own."""
    store = Store(tmp_path / "store")
    store.create()
    with store.locked("test"), open_records(store) as opened:
        import_file(opened, store, write(tmp_path / "odd.csv", odd_rows()), imported_on="2026-01-31")
        yield opened


def audited(con: Connection, folder: Path, size: int) -> tuple[dict[str, Path], str]:
    """Audit all records in batches of a size."""
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    done = publish.audit_all(con, folder, catalog, policy, AS_OF, size=size)
    return done.paths, done.content_hash


def test_warnings_do_not_depend_on_the_batch_and_count_in_the_hash(con: Connection, tmp_path: Path) -> None:
    hashes = {size: audited(con, tmp_path, size)[1] for size in (4, 25)}
    paths, before = audited(con, tmp_path, 1000)
    assert set(hashes.values()) == {before}, hashes
    codes = dict(con.execute(f"SELECT code, count(*) FROM '{paths['warning']}' GROUP BY ALL").fetchall())
    assert {"stated-rise", "module-count", "dates", "device-sizes", "coordinates", "run-length"} <= codes.keys()
    assert codes["module-count"] > 5
    # A fact that only the warnings look at.
    con.execute("UPDATE circuit SET stated_rise_pct = 0.06 WHERE stated_rise_pct IS NOT NULL")
    assert audited(con, tmp_path, 1000)[1] != before


def test_feet_read_as_metres_are_told_by_the_run_and_by_the_file(tmp_path: Path) -> None:
    rows = [row for row in sample_rows(160) if row["home_run_length_m"]]
    sound, feet = rows[:70], [dict(row) for row in rows[70:]]
    shared = {row["system_id"] for row in sound}
    for row in feet:
        row["home_run_length_m"] = repr(float(row["home_run_length_m"]) / 0.3048)
    feet = [row for row in feet if row["system_id"] not in shared]
    store = Store(tmp_path / "store")
    store.create()
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    with store.locked("test"), open_records(store) as opened:
        for name, part in (("sound.csv", sound), ("feet.csv", feet)):
            import_file(opened, store, write(tmp_path / name, part), imported_on="2026-01-31")
        publish.publish(opened, store, catalog, policy, AS_OF)
    with open_snapshot(store) as snapshot:
        told = snapshot.execute("SELECT system_id, sentence FROM warning WHERE code = 'file-lengths'").fetchall()
        tables = {row[0] for row in snapshot.execute("SELECT table_name FROM information_schema.tables").fetchall()}
    ((system, sentence),) = told
    assert system is None
    assert sentence.startswith("import 2, feet.csv")
    assert {"warning", "import_warning", "conflict"} <= tables
    assert "of_portfolio" not in tables


def test_a_stated_rise_finds_the_length_that_was_read_in_another_unit(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    store.create()
    (base,) = [row for row in sample_rows(60) if row["home_run_length_m"] and row["service"] == "120/240"][:1]
    alone = base | {"system_id": "A", "circuit_id": "1", "feeder_length_m": "0", "home_run_length_m": "20"}
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")

    def rise_and_warnings(row: dict[str, str]) -> tuple[float, list[str]]:
        with store.locked("test"), open_records(store) as opened:
            import_file(opened, store, write(tmp_path / "a.csv", [row]), imported_on="2026-01-31")
            paths = publish.audit_all(opened, tmp_path, catalog, policy, AS_OF).paths
            ((rise,),) = opened.execute(f"SELECT total_rise_pct FROM '{paths['circuit_result']}'").fetchall()
            told = opened.execute(f"SELECT sentence FROM '{paths['warning']}' WHERE code = 'stated-rise'").fetchall()
        return rise, [text for (text,) in told]

    rise, told = rise_and_warnings(alone)
    assert told == []
    stated = alone | {"stated_rise_pct": f"{rise:.2f}"}
    assert rise_and_warnings(stated)[1] == []
    for factor, why in ((1 / 0.3048, "feet taken for metres"), (2.0, "there and back")):
        (sentence,) = rise_and_warnings(stated | {"home_run_length_m": repr(20 * factor)})[1]
        assert why in sentence


@pytest.mark.parametrize(
    ("rule", "offered"),
    [
        ('on_error = "reject"', {"feet", "there and back"}),
        ('unit = "m"', {"there and back"}),
        ('lengths = "one-way"', {"feet"}),
        ('unit = "m", lengths = "one-way"', set()),
    ],
)
@pytest.mark.parametrize("run", ["home_run", "feeder"])
def test_a_cause_that_the_mapping_has_ruled_out_is_not_offered(
    tmp_path: Path, run: str, rule: str, offered: set[str]
) -> None:
    (base,) = [row for row in sample_rows(60) if row["home_run_length_m"] and row["service"] == "120/240"][:1]
    column = f"{run}_length_m"
    row = base | {"system_id": "A", "circuit_id": "1", f"{run}_size": "10 AWG", f"{run}_material": "copper"}
    row = {name: cell for name, cell in row.items() if name != column} | {"Run": "400"}
    (tmp_path / "m.toml").write_text(f'[columns]\n{column} = {{ column = "Run", {rule} }}\n', "utf-8")
    store = Store(tmp_path / "store")
    store.create()
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    with store.locked("test"), open_records(store) as opened:
        path = write(tmp_path / "a.csv", [row])
        import_file(opened, store, path, tmp_path / "m.toml", imported_on="2026-01-31")
        publish.publish(opened, store, catalog, policy, AS_OF)
    with open_snapshot(store) as snapshot:
        query = "SELECT sentence FROM warning WHERE code = 'run-rise' AND \"column\" = ?"
        ((sentence,),) = snapshot.execute(query, [column]).fetchall()
    assert {cause for cause in ("feet", "there and back") if cause in sentence} == offered
    assert " of 400 m, 10 AWG, alone raises the voltage by " in sentence


def test_a_declared_unit_is_not_said_to_be_another_for_a_file(tmp_path: Path) -> None:
    rows = [row for row in sample_rows(160) if row["home_run_length_m"]]
    sound, shared = rows[:70], {row["system_id"] for row in rows[:70]}
    far = [row | {"Run": repr(float(row["home_run_length_m"]) / 0.3048)} for row in rows[70:]]
    far = [row for row in far if row["system_id"] not in shared]
    for row in far:
        del row["home_run_length_m"]
    mapping = tmp_path / "m.toml"
    mapping.write_text('[columns]\nhome_run_length_m = { column = "Run", unit = "m" }\n', "utf-8")
    store = Store(tmp_path / "store")
    store.create()
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    with store.locked("test"), open_records(store) as opened:
        import_file(opened, store, write(tmp_path / "a.csv", sound), imported_on="2026-01-31")
        import_file(opened, store, write(tmp_path / "b.csv", far), mapping, imported_on="2026-01-31")
        publish.publish(opened, store, catalog, policy, AS_OF)
    with open_snapshot(store) as snapshot:
        told = snapshot.execute("SELECT import_id, sentence FROM warning WHERE code = 'file-lengths'").fetchall()
    ((number, sentence),) = told
    assert number == 2
    assert sentence.endswith(" m")
