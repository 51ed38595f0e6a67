"""What must not change an audit: the unit lengths are written in, the order of rows and columns, one file or two.

Each form of one portfolio goes through import and audit, and the content hash over all results is the same.
"""

from __future__ import annotations

import csv
import random
from datetime import date
from pathlib import Path

import pytest

from auditor import publish
from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
LENGTHS = ("home_run_length_m", "feeder_length_m", "service_drop_length_m", "service_entrance_length_m")
ROWS = 150
Table = tuple[list[str], list[dict[str, str]]]


def portfolio() -> Table:
    """Return the header and the first rows of the sample, lengths in whole feet, with rows that disagree and repeat."""
    with (SAMPLE / "tidy.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows = [row for row, _ in zip(reader, range(ROWS), strict=False)]
        header = list(reader.fieldnames or ())
    for row in rows:
        for name in LENGTHS:
            row[name] = str(max(1, round(float(row[name]) / 0.3048))) if row[name] else ""
    differing = rows[3] | {"breaker_a": "15", "home_run_length_m": "99"}
    return header, [*rows, differing, rows[5]]


def in_metres(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    """Return the rows with every length in metres, to the last digit."""
    return [row | {name: repr(int(row[name]) * 0.3048) for name in LENGTHS if row[name]} for row in rows]


def write(path: Path, header: list[str], rows: list[dict[str, str]]) -> Path:
    """Write rows as CSV."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, header, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def audited(folder: Path, files: list[Path], mapping: Path | None = None) -> str:
    """Return the content hash of an audit of these files."""
    store = Store(folder / "store")
    store.create()
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    with store.locked("test"), open_records(store) as con:
        for path in files:
            import_file(con, store, path, mapping, imported_on="2026-01-31")
        return publish.audit_all(con, folder, catalog, policy, date(2026, 1, 31)).content_hash


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The content hash of the portfolio as it stands, in metres."""
    header, rows = portfolio()
    folder = tmp_path_factory.mktemp("plain")
    return audited(folder, [write(folder / "plain.csv", header, in_metres(rows))])


def test_feet_through_a_mapping(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    names = {name: name.replace("_m", " ft").replace("_", " ") for name in LENGTHS}
    renamed = [{names.get(name, name): cell for name, cell in row.items()} for row in rows]
    columns = "\n".join(f'{name} = {{ column = "{ours}", unit = "ft" }}' for name, ours in names.items())
    (tmp_path / "feet.toml").write_text("[columns]\n" + columns, encoding="utf-8")
    path = write(tmp_path / "feet.csv", [names.get(name, name) for name in header], renamed)
    assert audited(tmp_path, [path], tmp_path / "feet.toml") == plain


def test_lengths_there_and_back_through_a_mapping(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    doubled = [row | {name: repr(float(row[name]) * 2) for name in LENGTHS if row[name]} for row in in_metres(rows)]
    (tmp_path / "both.toml").write_text('[file]\nlengths = "round-trip"', encoding="utf-8")
    # The trunk's first section is a length too, which the sample leaves empty.
    assert not any(row.get("first_section_m") for row in rows)
    assert audited(tmp_path, [write(tmp_path / "both.csv", header, doubled)], tmp_path / "both.toml") == plain


def test_rows_shuffled(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    shuffled = in_metres(rows)
    random.Random(3).shuffle(shuffled)
    assert audited(tmp_path, [write(tmp_path / "shuffled.csv", header, shuffled)]) == plain


def test_columns_in_another_order(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    other = sorted(header, reverse=True)
    assert audited(tmp_path, [write(tmp_path / "columns.csv", other, in_metres(rows))]) == plain


def test_a_file_split_in_two(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    whole = in_metres(rows)
    ids = sorted({row["system_id"] for row in whole})
    first = set(ids[: len(ids) // 2])
    parts = [[row for row in whole if (row["system_id"] in first) == half] for half in (True, False)]
    files = [write(tmp_path / f"part{i}.csv", header, part) for i, part in enumerate(parts)]
    assert audited(tmp_path, files) == plain
    (tmp_path / "again").mkdir()
    assert audited(tmp_path / "again", files[::-1]) == plain


def test_a_file_split_within_its_systems(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    whole = in_metres(rows)
    key = [(row["system_id"], row["circuit_id"]) for row in whole]
    odd = [i for i, k in enumerate(key) if sorted(set(key)).index(k) % 2]
    parts = [[row for i, row in enumerate(whole) if (i in set(odd)) == half] for half in (True, False)]
    files = [write(tmp_path / f"part{i}.csv", header, part) for i, part in enumerate(parts)]
    assert audited(tmp_path, files) == plain


def test_one_changed_cell_changes_the_hash(plain: str, tmp_path: Path) -> None:
    header, rows = portfolio()
    changed = in_metres(rows)
    changed[0] = changed[0] | {"home_run_length_m": "31.9"}
    assert audited(tmp_path, [write(tmp_path / "changed.csv", header, changed)]) != plain
