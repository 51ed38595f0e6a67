"""`auditor map`, and imports that find the mapping kept for their header."""

from __future__ import annotations

import json
from pathlib import Path

from command_line import SAMPLE, Refused, Run

from auditor.records import load_mapping

FOREIGN = SAMPLE / "field_export.csv"


def test_what_is_proposed_is_shown_and_kept_and_used_by_the_next_import(run: Run, store: Path) -> None:
    told = run("map", FOREIGN, "--store", store, "--lengths", "one-way")
    assert told.status == 0
    assert "sure    Job No" in told.out
    assert "Left unmapped:" in told.out
    assert "accepted 187 + rejected 3" in told.out
    (kept,) = (store / "mappings").glob("*.toml")
    assert load_mapping(kept).columns["home_run_length_m"].lengths == "round-trip"
    imported = run("import", FOREIGN, "--store", store, "--no-audit")
    assert imported.status == 0
    assert "mapping that is kept for this header" in imported.out
    assert "accepted 187" in imported.out
    entry = json.loads((store / "originals" / "manifest.jsonl").read_text("utf-8").splitlines()[-1])
    assert entry["mapping_name"] == kept.name
    assert (store / "originals" / f"{entry['mapping_sha256']}.toml").exists()


def test_unsure_lengths_stay_commented_out(run: Run, tmp_path: Path, store: Path) -> None:
    out = tmp_path / "mapping.toml"
    told = run("map", FOREIGN, "-o", out, "--store", store)
    assert "--lengths one-way" in told.out
    assert "feeder_length_m" not in load_mapping(out).columns
    assert "# feeder_length_m = " in out.read_text("utf-8")
    assert not list((store / "mappings").glob("*"))


def test_a_kept_mapping_is_never_overwritten(run: Run, refused: Refused, tmp_path: Path, store: Path) -> None:
    assert run("map", FOREIGN, "--store", store).status == 0
    (kept,) = (store / "mappings").glob("*.toml")
    kept.write_text(kept.read_text("utf-8") + "# mended\n", "utf-8")
    before = kept.read_bytes()
    assert run("map", FOREIGN, "--store", store).status == 1
    assert kept.read_bytes() == before
    out = tmp_path / "mapping.toml"
    out.write_text("", "utf-8")
    assert "exists already" in refused("map", FOREIGN, "-o", out)


def test_a_header_in_another_row_is_another_file(run: Run, tmp_path: Path, store: Path) -> None:
    assert run("map", FOREIGN, "--store", store).status == 0
    moved = tmp_path / "moved.csv"
    moved.write_text("".join(FOREIGN.read_text("utf-8").splitlines(keepends=True)[2:]), "utf-8")
    assert run("import", moved, "--store", store, "--no-audit").status == 1


def test_what_map_cannot_read(refused: Refused, tmp_path: Path) -> None:
    assert "no such file" in refused("map", tmp_path / "none.csv")
    assert ".csv and .xlsx" in refused("map", SAMPLE / "projects.json")
    empty = tmp_path / "empty.csv"
    empty.write_text("\n\n", "utf-8")
    assert "holds nothing" in refused("map", empty)
    assert "write one-way or round-trip" in refused("map", FOREIGN, "--lengths", "both")
    assert "--sheet" in refused("map", SAMPLE / "site_book.xlsx")
