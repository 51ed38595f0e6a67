"""`audit`, `runs`, `export`, `explain`, `catalog`, `policy`: answers, and one clear sentence for every mistake."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from command_line import SAMPLE, Refused, Run

import auditor.cli.running
from auditor.checks import CHECKS
from auditor.policy import DEFAULT
from auditor.store import Store
from auditor.store.snapshot import current_number, open_snapshot, snapshot_numbers


def about(store: Path, column: str) -> object:
    with open_snapshot(Store(store)) as con:
        return con.execute(f"SELECT {column} FROM audit").fetchall()[0][0]


def test_audit_again_is_the_same(run: Run, full: Path) -> None:
    before = about(full, "content_hash")
    ran = run("audit", "--store", full, "--as-of", "2026-01-31")
    assert ran.status == 0
    held = f"{about(full, 'systems'):,} systems, {about(full, 'circuits'):,} circuits"
    assert f"Run 2, as of 2026-01-31: {held} (content " in ran.out
    assert about(full, "content_hash") == before


def test_audit_as_of_another_day_uses_the_specs_of_that_day(run: Run, full: Path) -> None:
    before = about(full, "content_hash")
    assert run("audit", "--store", full, "--as-of", "2016-06-30").status == 0
    assert about(full, "as_of") == "2016-06-30"
    assert about(full, "content_hash") != before


def test_audit_with_another_policy_and_catalog(run: Run, full: Path, tmp_path: Path) -> None:
    strict = tmp_path / "strict.toml"
    # On the sample's supplies, so that no table of the likelihood must be made anew.
    text = (SAMPLE / "policy.toml").read_text("utf-8")
    assert 'name = "sample portfolio"' in text
    strict.write_text(
        text.replace("target_pct = 2.0", "target_pct = 0.5").replace('"sample portfolio"', '"strict"'), "utf-8"
    )
    ran = run("audit", "--store", full, "--policy", strict)
    assert ran.status == 0
    assert "(target 0.5 %)" in ran.out
    assert about(full, "policy_name") == "strict"
    (tmp_path / "specs").mkdir()
    text = (SAMPLE / "catalog" / "equipment.toml").read_text("utf-8")
    (tmp_path / "specs" / "other.toml").write_text(text.replace("Larkfield TC-3", "Larkfield TC-33"), "utf-8")
    ran = run("audit", "--store", full, "--catalog", tmp_path / "specs")
    assert "The catalog has no such trunk: Larkfield TC-3 (" in ran.out
    assert about(full, "policy_name") != "strict"


def test_audit_says_what_is_wrong(refused: Refused, full: Path, tmp_path: Path) -> None:
    for text in ("2026-13-01", "31.01.2026", "yesterday"):
        assert refused("audit", "--store", full, "--as-of", text) == (
            f"--as-of {text}: write the date as year-month-day, such as 2026-01-31."
        )
    assert "there is no such folder" in refused("audit", "--store", full, "--catalog", "nowhere")
    (tmp_path / "empty").mkdir()
    assert "holds no equipment file" in refused("audit", "--store", full, "--catalog", "empty")
    assert "none.toml: cannot be read: " in refused("audit", "--store", full, "--policy", "none.toml")
    (tmp_path / "broken.toml").write_text("[[", "utf-8")
    assert "broken.toml" in refused("audit", "--store", full, "--policy", "broken.toml")
    assert "there is no store here. Import a file first" in refused("audit", "--store", "nowhere")
    assert snapshot_numbers(Store(full)) == [1]


def test_runs_lists_and_removes(run: Run, full: Path) -> None:
    for _ in range(3):
        run("audit", "--store", full)
    listed = run("runs", "--store", full)
    assert listed.status == 0
    rows = [line.split() for line in listed.out.splitlines()[1:]]
    assert [row[0] for row in rows] == ["1", "2", "3", "4"]
    assert [row[-1] == "yes" for row in rows] == [False, False, False, True]
    assert run("runs", "--store", full, "--keep", 2).out.startswith("Removed: run 1, 2.\n")
    assert snapshot_numbers(Store(full)) == [3, 4]
    assert run("runs", "--store", full, "--keep", 2).out.startswith("Nothing to remove.\n")
    (full / "snapshots" / "audit-0003.duckdb").write_bytes(b"broken" * 5000)
    listed = run("runs", "--store", full)
    assert listed.status == 0
    assert "cannot be opened" in listed.out


def test_runs_says_what_is_wrong(run: Run, refused: Refused, full: Path, store: Path) -> None:
    assert refused("runs", "--store", full, "--keep", 0, status=2).startswith("Invalid value for '--keep'")
    assert refused("runs", "--store", full, "--keep", "few", status=2).endswith("See: auditor runs --help")
    assert run("runs", "--store", store).out == f"Nothing has been audited yet. Run: auditor audit --store {store}\n"


@pytest.mark.parametrize("what", ["findings", "circuits", "systems", "rejects"])
def test_export_of_each_table(run: Run, full: Path, tmp_path: Path, what: str) -> None:
    ran = run("export", what, "--store", full, "-o", "out.csv")
    lines = (tmp_path / "out.csv").read_bytes().count(b"\n")
    assert ran.out == f"out.csv: {lines - 1:,} rows.\n"


def test_export_of_an_earlier_run(run: Run, refused: Refused, full: Path, tmp_path: Path) -> None:
    run("audit", "--store", full, "--as-of", "2016-06-30")
    for number in (1, 2):
        assert run("export", "findings", "--store", full, "--run", number, "-o", f"{number}.csv").status == 0
    assert (tmp_path / "1.csv").read_text("utf-8").splitlines()[1].startswith("1,")
    assert (tmp_path / "2.csv").read_text("utf-8").splitlines()[1].startswith("2,")
    assert refused("export", "findings", "--store", full, "--run", 9, "-o", "x.csv").endswith(
        "there is no run 9. Runs kept: 1, 2."
    )


def test_export_says_what_is_wrong(refused: Refused, full: Path, store: Path) -> None:
    assert "the suffix says the format" in refused("export", "findings", "--store", full, "-o", "x.pdf")
    assert "There is no export of 'things'" in refused("export", "things", "--store", full, "-o", "x.csv")
    assert "nowhere/x.xlsx: cannot be written" in refused("export", "rejects", "--store", full, "-o", "nowhere/x.xlsx")
    assert "nothing has been audited yet" in refused("export", "rejects", "--store", store, "-o", "x.csv")
    assert refused("export", "rejects", "--store", full, status=2).startswith("Missing option '--output'")


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_explain_of_each_check(run: Run, check) -> None:  # type: ignore[no-untyped-def]
    ran = run("explain", check.name)
    assert ran.status == 0
    assert ran.out.startswith(f"{check.name} (version {check.version}, {check.severity}")
    for heading in ("\nWhat\n", "\nWhy\n", "\nFormula\n", "\nReference\n", "\nWhat mends it\n", "\nVersions\n"):
        assert heading in ran.out
    assert check.name in run("explain").out


def test_explain_of_the_likelihood(run: Run) -> None:
    ran = run("explain", "trip-likelihood")
    assert ran.out.startswith("trip-likelihood (version 1, one answer per system)")
    for heading in ("\nWhat\n", "\nWhy\n", "\nFormula\n", "\nReference\n", "\nWhat mends it\n", "\nVersions\n"):
        assert heading in ran.out
    for part in ("Output f", "Supply", "Up-crossing", "Peaks", "Ten-minute rules", "Volt-watt and volt-var", "Units",
                 "Trip-days and chances", "Cause", "Updating by a log"):  # fmt: skip
        assert f"\n    {part}\n" in ran.out
    assert "trip-likelihood" in run("explain").out


def test_explain_of_none(refused: Refused) -> None:
    assert refused("explain", "voltage-raise").startswith(
        "There is no check and no remedy 'voltage-raise'. Did you mean voltage-rise"
    )
    assert refused("explain", "xyz") == "There is no check and no remedy 'xyz'. `auditor explain` lists them all."


def test_catalog_lists_and_adds(run: Run, store: Path, tmp_path: Path) -> None:
    listed = run("catalog", "--store", store)
    assert "inverter   Larkfield U240, revision 1, from " in listed.out
    template = run("catalog", "--template").out
    (tmp_path / "mine.toml").write_text(template, "utf-8")
    added = run("catalog", "mine.toml", "--store", tmp_path / "fresh")
    assert added.status == 0
    assert added.out.startswith("Added mine.toml. It counts from the next audit on: auditor audit --store ")
    assert (tmp_path / "fresh" / "catalog" / "mine.toml").read_text("utf-8") == template
    assert "revision" in run("catalog", "--store", tmp_path / "fresh").out
    again = run("catalog", "mine.toml", "--store", tmp_path / "fresh")
    assert again.status == 0


def test_catalog_of_an_empty_store(run: Run, tmp_path: Path) -> None:
    Store(tmp_path / "bare").create()
    assert "The store holds no equipment yet." in run("catalog", "--store", tmp_path / "bare").out


def test_catalog_takes_all_or_nothing_and_names_the_users_own_file(
    run: Run, refused: Refused, store: Path, tmp_path: Path
) -> None:
    before = sorted(path.name for path in (store / "catalog").iterdir())
    (tmp_path / "good.toml").write_text(run("catalog", "--template").out, "utf-8")
    (tmp_path / "bad.toml").write_text("[[gadget]]\n", "utf-8")
    told = refused("catalog", "good.toml", "bad.toml", "--store", store)
    assert told.startswith("bad.toml")
    assert tempfile.gettempdir() + "/tmp" not in told
    assert told.endswith("Nothing was added.")
    (tmp_path / "twice.toml").write_text((store / "catalog" / "equipment.toml").read_text("utf-8"), "utf-8")
    twice = run("catalog", "twice.toml", "--store", store)
    assert twice.status == 1
    assert "is already given at" in twice.err
    assert str(store / "catalog" / "equipment.toml") in twice.err
    assert "there is no such file" in refused("catalog", "none.toml", "--store", store)
    (tmp_path / "specs.txt").touch()
    assert "an equipment file is a .toml file" in refused("catalog", "specs.txt", "--store", store)
    (tmp_path / "b").mkdir()
    shutil.copyfile(tmp_path / "good.toml", tmp_path / "b" / "good.toml")
    assert "is called good.toml too" in refused("catalog", "good.toml", "b/good.toml", "--store", store)
    assert sorted(path.name for path in (store / "catalog").iterdir()) == before


def test_policy_shows_and_sets(run: Run, refused: Refused, tmp_path: Path) -> None:
    shown = run("policy", "--store", "fresh")
    assert shown.out.rstrip("\n") == DEFAULT.read_text("utf-8").rstrip("\n")
    assert shown.err == "fresh: has no policy of its own; this is the default.\n"
    mine = tmp_path / "mine.toml"
    mine.write_text(shown.out.replace('"default"', '"mine"'), "utf-8")
    set_to = run("policy", mine, "--store", "fresh")
    assert set_to.status == 0
    assert "is the store's policy from the next audit on: auditor audit --store fresh" in set_to.out
    shown = run("policy", "--store", "fresh")
    assert 'name = "mine"' in shown.out
    assert shown.err == ""
    (tmp_path / "broken.toml").write_text("name = 3\n", "utf-8")
    broken = run("policy", "broken.toml", "--store", "fresh")
    assert broken.status == 1
    assert broken.err.startswith('auditor: broken.toml: name = 3: must be text in quotes. Write it in quotes: "3".\n')
    assert str(tmp_path) not in broken.err
    # A file of a version that knew no triage names what it lacks, and the default is there to copy it from.
    default = run("policy", "--default", "--store", "fresh").out
    Path("old.toml").write_text(default[: default.index("# How complaints are weighed")], "utf-8")
    old = run("policy", "old.toml", "--store", "fresh")
    assert old.status == 1
    assert old.err.startswith("auditor: old.toml: [triage]: is missing. Write a table (How complaints are weighed")
    assert old.err.endswith("to copy what is missing: auditor policy --default\n")
    assert "[triage.prior]" in default
    assert "leave one out" in refused("policy", "old.toml", "--default", "--store", "fresh")
    assert "cannot read the policy" in refused("policy", "none.toml", "--store", "fresh")
    assert "cannot read the policy" in refused("policy", tmp_path, "--store", "fresh")
    assert 'name = "mine"' in run("policy", "--store", "fresh").out


COMMANDS = (
    ("import", "small.csv"),
    ("audit",),
    ("runs",),
    ("export", "findings", "-o", "x.csv"),
    ("catalog",),
    ("policy",),
    ("demo", "--no-serve"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_a_store_that_is_a_file(refused: Refused, small: Path, tmp_path: Path, command: tuple[str, ...]) -> None:
    (tmp_path / "afile").write_text("mine", "utf-8")
    told = refused(*command, "--store", "afile", status=2)
    assert "'afile' is a file" in told
    assert (tmp_path / "afile").read_text("utf-8") == "mine"


def test_the_environment_names_the_store(run: Run, full: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUDITOR_STORE", str(full))
    assert run("runs").out.count("yes") == 1


def test_commands_and_options_that_are_none(run: Run, refused: Refused) -> None:
    assert refused("nonsense", status=2) == "No such command 'nonsense'. See: auditor --help"
    assert refused("audit", "--colour", status=2).startswith("No such option: --colour")
    assert refused("import", status=2) == "Missing argument 'files'. See: auditor import --help"
    nothing = run()
    assert nothing.status == 2
    assert nothing.err == ""
    assert "Commands" in nothing.out
    assert run("--help").status == 0
    assert run("export", "--help").status == 0


def test_what_nobody_foresaw_is_kept_in_a_file(
    refused: Refused, run: Run, full: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(*args: object, **options: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(auditor.cli.running, "publish", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    ran = run("audit", "--store", full)
    assert ran.status == 70
    assert "this should not happen: ZeroDivisionError: by zero" in ran.err
    (trace,) = tmp_path.glob("auditor-error-*.txt")
    assert str(trace) in ran.err
    assert "Traceback" in trace.read_text("utf-8")
    assert current_number(Store(full)) == 1


def test_a_full_disk_is_a_sentence(refused: Refused, full: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full_disk(*args: object, **options: object) -> None:
        raise OSError(28, "No space left on device", "scratch/x")

    monkeypatch.setattr(auditor.cli.running, "publish", full_disk)
    told = refused("audit", "--store", full)
    assert told.startswith("scratch/x: No space left on device. What was finished is kept")
