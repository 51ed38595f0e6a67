"""`auditor import` and `auditor demo`: what they print, what they refuse and what they leave behind."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import SAMPLE, Refused, Run, expected_import

from auditor.cli.demo import EVIDENCE, FILES
from auditor.store import Store
from auditor.store.originals import read_manifest
from auditor.store.snapshot import open_snapshot, snapshot_numbers


def content(store: Path) -> str:
    with open_snapshot(Store(store)) as con:
        return str(con.execute("SELECT content_hash FROM audit").fetchall()[0][0])


def test_demo_goes_the_whole_way(run: Run, tmp_path: Path) -> None:
    ran = run("demo", "--no-serve", "--store", tmp_path / "d")
    assert ran.status == 0
    expected = expected_import() | expected_import("expected_evidence.csv")
    for name, _ in (*FILES, *EVIDENCE):
        if name in expected:
            rows, accepted = expected[name]["rows_in"], expected[name]["accepted"]
        else:  # nothing is planted in what was logged because of complaints
            rows = accepted = len((SAMPLE / name).read_text("utf-8").splitlines()) - 1
        assert f"{name}: rows in {rows:,} = accepted {accepted:,} + rejected" in ran.out
    with open_snapshot(Store(tmp_path / "d")) as con:
        systems, circuits = con.execute("SELECT systems, circuits FROM audit").fetchall()[0]
    for said in (
        "Run 1, as of ",
        f": {systems:,} systems, {circuits:,} circuits (content ",
        "Over the voltage-rise target: ",
        "Largest voltage rises:",
        "Unknown verdicts wait mostly for: ",
        "The catalog has no such inverter: Larkfield U999 (",
        f"auditor export findings -o findings.xlsx --store {tmp_path / 'd'}",
        "A pass is a recomputed record, not a safe or compliant installation: nothing here inspects.",
        "The sample portfolio is invented.",
        "No record yet of 1 system: Q9999.",
    ):
        assert said in ran.out
    assert ran.err == ""
    again = run("demo", "--no-serve", "--store", tmp_path / "d")
    assert again.status == 0
    assert again.out.count("nothing has changed since: nothing to do") == len(FILES) + len(EVIDENCE)


def test_demo_stays_out_of_a_store_with_other_records(run: Run, refused: Refused, store: Path, small: Path) -> None:
    policy = store / "policy.toml"
    policy.write_text(policy.read_text("utf-8") + "\n# mine\n", "utf-8")
    assert "would mix" in refused("demo", "--no-serve", "--store", store)
    run("import", small, "--store", store)
    assert "Name a new folder with --store" in refused("demo", "--no-serve", "--store", store)
    assert policy.read_text("utf-8").endswith("# mine\n")


@pytest.mark.parametrize(("name", "mapping"), FILES)
def test_each_form_of_the_sample(run: Run, store: Path, name: str, mapping: str | None) -> None:
    with_mapping = ["--mapping", SAMPLE / mapping] if mapping else []
    ran = run("import", SAMPLE / name, *with_mapping, "--store", store)
    assert ran.status == 0
    counts = expected_import()[name]
    assert (
        f"{name}: rows in {counts['rows_in']} = accepted {counts['accepted']} + rejected {counts['rejected']}"
        f" + duplicate {counts['duplicates']}\n"
    ) in ran.out
    assert "Run 1, as of " in ran.out


def test_a_nested_file_that_lists_units_does_not_lack_their_model(run: Run, store: Path) -> None:
    ran = run("import", SAMPLE / "projects.json", "--store", store, "--dry-run")
    lacking = next(line for line in ran.out.splitlines() if "does not state" in line)
    assert "inverter_model" not in lacking
    assert "inverter_count" not in lacking
    assert "transformer_r_pct" in lacking


def test_columns_that_no_check_reads_are_not_missed(run: Run, store: Path, tmp_path: Path) -> None:
    (tmp_path / "thin.csv").write_text("system_id,circuit_id\nS1,1\n", "utf-8")
    ran = run("import", "thin.csv", "--store", store)
    assert "site_label" not in ran.out
    assert "1 system and 1 circuit in the file" in ran.out
    lacking = next(line for line in ran.out.splitlines() if "The file does not state: " in line)
    assert "installation_code" in lacking


def test_many_rejects_are_counted_by_column(run: Run, store: Path, tmp_path: Path) -> None:
    rows = [f"S{n},1,{'many' if n % 2 else 4},{'-1' if n % 3 else 20}" for n in range(60)]
    (tmp_path / "bad.csv").write_text("\n".join(["system_id,circuit_id,inverter_count,breaker_a", *rows]) + "\n")
    ran = run("import", "bad.csv", "--store", store, "--no-audit")
    # By hand: 30 counts and 40 breakers are bad, 70 cells in 50 rows; five are shown.
    assert "rows in 60 = accepted 10 + rejected 50 + duplicate 0" in ran.out
    assert ran.out.count("\n  Row ") == 5
    assert "... and 65 more (" in ran.out
    assert f"auditor export rejects -o rejects.csv --store {store}" in ran.out


def test_a_dry_run_keeps_nothing(run: Run, store: Path, small: Path, tmp_path: Path) -> None:
    ran = run("import", small, "--store", store, "--dry-run")
    assert ran.status == 0
    assert "0 circuits would be revised" in ran.out
    assert ran.out.endswith("Dry run: nothing was kept.\n")
    assert read_manifest(Store(store)) == []
    assert list((store / "originals").iterdir()) == []
    assert snapshot_numbers(Store(store)) == []
    assert run("import", small, "--store", tmp_path / "new", "--dry-run").status == 0
    assert not (tmp_path / "new").exists()


def test_the_same_file_twice_is_nothing_to_do(run: Run, store: Path) -> None:
    first = run("import", SAMPLE / "tidy.csv", "--store", store)
    again = run("import", SAMPLE / "tidy.csv", "--store", store)
    assert again.status == 0
    assert "Already imported as import 1, and nothing has changed since: nothing to do." in again.out
    assert "  Its 7 rejected rows wait to be mended: auditor export rejects" in again.out
    for repeated in ("[type-error]", "Warning:", "does not state", "Run 2"):
        assert repeated not in again.out
    assert "[type-error]" in first.out
    assert snapshot_numbers(Store(store)) == [1]


def test_no_audit_leaves_the_audit_for_later(run: Run, store: Path, small: Path) -> None:
    ran = run("import", small, "--store", store, "--no-audit")
    assert ran.out.endswith(f"Not audited yet. Run: auditor audit --store {store}\n")
    assert snapshot_numbers(Store(store)) == []
    again = run("import", small, "--store", store)
    assert "An earlier import was not audited yet: auditing now." in again.out
    assert "Run 1, as of " in again.out
    assert "Run 2" not in run("import", small, "--store", store).out


def test_replace_says_which_circuits_are_gone(run: Run, store: Path, small: Path, tmp_path: Path) -> None:
    run("import", small, "--store", store)
    lines = small.read_text("utf-8").splitlines(keepends=True)
    (tmp_path / "less.csv").write_text("".join(lines[:-1]), "utf-8")
    ran = run("import", "less.csv", "--replace", "--store", store)
    assert ran.status == 0
    assert "1 circuit revised" in ran.out
    assert "19 circuits" in ran.out.split("Run 2", 1)[1].splitlines()[0]


def test_files_that_cannot_be_read_are_named(refused: Refused, store: Path, tmp_path: Path) -> None:
    assert refused("import", "none.csv", "--store", store) == ("none.csv: there is no such file. Nothing was imported.")
    assert "is a folder; name the files in it" in refused("import", tmp_path, "--store", store)
    (tmp_path / "book.xlsx").write_bytes(b"PK")
    (tmp_path / "notes.docx").write_bytes(b"PK")
    assert "a record file is .csv, " in refused("import", "notes.docx", "--store", store)
    assert "book.xlsx" in refused("import", "book.xlsx", "--store", store)
    (tmp_path / "empty.csv").touch()
    assert "empty.csv" in refused("import", "empty.csv", "--store", store)
    (tmp_path / "quote.csv").write_text('system_id,circuit_id\nS1,"1\nS2,2\n', "utf-8")
    assert "quote that opens on line 2" in refused("import", "quote.csv", "--store", store)
    (tmp_path / "bytes.csv").write_bytes(b"system_id,circuit_id\nS\xff\xfe1,1\n")
    assert "bytes.csv" in refused("import", "bytes.csv", "--store", store)
    (tmp_path / "cut.json").write_text('{"systems": [{"system_id": "S1", ', "utf-8")
    assert "cut.json" in refused("import", "cut.json", "--store", store)
    assert read_manifest(Store(store)) == []


def test_mappings_that_do_not_fit_are_named(refused: Refused, store: Path, small: Path, tmp_path: Path) -> None:
    assert "none.toml" in refused("import", small, "--mapping", "none.toml", "--store", store)
    (tmp_path / "broken.toml").write_text("not toml [[", "utf-8")
    assert "broken.toml" in refused("import", small, "--mapping", "broken.toml", "--store", store)
    (tmp_path / "wrong.toml").write_text("[columns]\nsystem_id = 4\n", "utf-8")
    wrong = refused("import", small, "--mapping", "wrong.toml", "--store", store)
    assert wrong.startswith("wrong.toml: [columns] system_id = 4: must be your column's name in quotes")
    foreign = refused("import", small, "--mapping", SAMPLE / "field_export_mapping.toml", "--store", store)
    assert "'Job No', which the file does not have" in foreign
    assert read_manifest(Store(store)) == []


def test_one_bad_file_among_good_ones(run: Run, store: Path, small: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text('system_id,circuit_id\nS1,"1\n', "utf-8")
    ran = run("import", small, "bad.csv", "--store", store)
    assert ran.status == 1
    assert "bad.csv: refused. " in ran.out
    assert ran.err == "auditor: 1 of 2 files refused, as said above; the others are imported.\n"
    assert "Run 1, as of " in ran.out


def test_a_catalog_or_policy_that_cannot_be_used_stops_before_anything_changes(
    run: Run, store: Path, small: Path
) -> None:
    policy = store / "policy.toml"
    good = policy.read_text("utf-8")
    policy.write_text("name = 4\n", "utf-8")
    assert f"{policy}: name = 4: must be text in quotes." in run("import", small, "--store", store).err
    assert read_manifest(Store(store)) == []
    assert run("import", small, "--store", store, "--no-audit").status == 0
    policy.write_text(good, "utf-8")
    assert run("audit", "--store", store).status == 0


def test_a_file_of_which_nothing_can_be_read(run: Run, refused: Refused, store: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("system_id,circuit_id,breaker_a\n,1,many\n", "utf-8")
    ran = run("import", "bad.csv", "--store", store)
    assert ran.status == 0
    assert "rows in 1 = accepted 0 + rejected 1 + duplicate 0" in ran.out
    assert "No system could be read: the audit shows what was rejected, and why." in ran.out
    assert "Run 1, as of" in ran.out
    assert "0 systems, 0 circuits" in ran.out
    assert run("export", "rejects", "-o", "rejects.csv", "--store", store).status == 0
    assert "system_id is empty" in (tmp_path / "rejects.csv").read_text("utf-8")
    assert run("audit", "--store", store).status == 0


def test_an_audit_of_a_store_without_imports_says_what_to_do(refused: Refused, store: Path) -> None:
    assert "holds no import yet. Import a file first" in refused("audit", "--store", store)


def test_an_import_can_be_made_to_hang_on_what_the_store_holds(
    run: Run, refused: Refused, store: Path, small: Path, tmp_path: Path
) -> None:
    seen = run("import", small, "--store", store, "--dry-run", "--report", "seen.json", "--name", "Book 1.csv")
    told = json.loads((tmp_path / "seen.json").read_text("utf-8"))
    assert (seen.status, told["imports"]) == (0, 0)
    found = told["files"][0]
    assert found["rows_in"] == found["accepted"] + found["rejected"] + found["duplicate"] == 20
    assert "Book 1.csv: rows in 20" in seen.out
    assert run("import", small, "--store", store, "--if-unchanged", 0, "--name", "Book 1.csv").status == 0
    assert [entry.file_name for entry in read_manifest(Store(store))] == ["Book 1.csv"]
    assert "holds 1 import by now, not 0; nothing was imported" in refused(
        "import", small, "--store", store, "--if-unchanged", 0
    )
    assert len(read_manifest(Store(store))) == 1
    assert "--name says what one file is called" in refused("import", small, small, "--store", store, "--name", "x.csv")


def test_a_mapping_is_kept_for_its_header_where_asked(run: Run, store: Path, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("Job,Branch,OCPD\nA,1,20\n", "utf-8")
    (tmp_path / "own.toml").write_text(
        '[columns]\nsystem_id = "Job"\ncircuit_id = "Branch"\nbreaker_a = "OCPD"\n', "utf-8"
    )
    ran = run("import", "own.csv", "--store", store, "--mapping", "own.toml", "--keep-mapping")
    assert (ran.status, "The mapping is kept" in ran.out) == (0, True)
    (tmp_path / "next.csv").write_text("Job,Branch,OCPD\nB,1,15\n", "utf-8")
    again = run("import", "next.csv", "--store", store)
    assert (again.status, "read by the mapping that is kept" in again.out) == (0, True)


def test_imported_text_does_not_steer_the_terminal(run: Run, store: Path, tmp_path: Path) -> None:
    text = "system_id,circuit_id,utility,inverter_model\nS1,1,a\x1b[31m,\x1b[2JU9\nS1,2,[bold]b,[red]U9\n"
    name = "steer\x1b[31m.csv"
    (tmp_path / name).write_text(text, "utf-8")
    ran = run("import", name, "--store", store)
    assert ran.status == 0
    assert "\x1b" not in ran.out
    assert "[bold]b" in ran.out
    assert "[red]U9 (1 circuit)" in ran.out
