"""How the faults of settings files are told; the sentences were written for people, not taken from a run."""

from __future__ import annotations

from pathlib import Path

import pytest

from auditor.errors import AuditorError
from auditor.policy import DEFAULT, load_policy
from auditor.toml_file import did_you_mean, entry, inner_entry, nearest, read_toml


@pytest.mark.parametrize(
    ("loc", "is_table", "written"),
    [
        (("name",), False, "name"),
        (("rise",), True, "[rise]"),
        (("rise", "target_pct"), False, "[rise] target_pct"),
        (("rise", "by_code"), False, "[rise] by_code"),
        (("rise", "by_code", 0, "source"), False, "[[rise.by_code]] entry 1, source"),
        (("transformer", 1, "r_pct"), False, "[[transformer]] entry 2, r_pct"),
        (("transformer", 1), True, "[[transformer]] entry 2"),
        (("file", "missing", 0), False, "[file] missing, item 1"),
        (("terminal", "top_pu", "120/240"), False, '[terminal.top_pu] "120/240"'),
        (("region", "North Vale", "target_pct"), False, '[region."North Vale"] target_pct'),
    ],
)
def test_an_entry_is_written_as_in_the_file(loc: tuple[int | str, ...], is_table: bool, written: str) -> None:
    assert entry(loc, is_table) == written


def test_an_entry_within_a_named_one() -> None:
    assert inner_entry(("branch_limits", 1, "units")) == "branch_limits, item 2, units"


def test_names_that_may_have_been_meant() -> None:
    known = ("home_run_length_m", "home_run_size", "feeder_length_m", "crew")
    assert nearest("Home run lenght", known, 1) == ["home_run_length_m"]
    assert nearest("zzz", known) == []
    assert did_you_mean("crw", known) == " Did you mean crew?"
    assert did_you_mean("zzz", known) == ""


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"[rise\n", "is not a TOML file: "),
        (b"Run (ft) = 1\n", "so does a name that is not made of letters, digits, - and _ alone."),
        (b"a = 1\nb = '\xff'\n", "line 2 is not UTF-8 text. Save the file as UTF-8."),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, content: bytes, told: str) -> None:
    (tmp_path / "x.toml").write_bytes(content)
    with pytest.raises(AuditorError) as caught:
        read_toml(tmp_path / "x.toml")
    assert str(caught.value).startswith(f"{tmp_path / 'x.toml'}: ")
    assert told in str(caught.value)


def test_a_file_that_is_none(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(AuditorError, match="cannot be read: "):
            read_toml(path)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_bytes(b"\xef\xbb\xbfa = 1\n")
    assert read_toml(tmp_path / "x.toml") == {"a": 1}


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('name = "default"', "name = 3", 'name = 3: must be text in quotes. Write it in quotes: "3".'),
        ("units_ceiling = 400", "units_ceiling = 0", "units_ceiling = 0: must be a whole number from 1 to 5000."),
        ("units_ceiling = 400", "units_ceiling = true", "units_ceiling = true: must be a whole number from 1 to 5000."),
        ("target_pct = 2.0", "target_pct = -1", "[rise] target_pct = -1: must be a number above 0, up to 20."),
        ("target_pct = 2.0", 'target_pct = "2,5"', "above 0, up to 20. Write it without quotes: 2.5"),
        ("target_pct = 2.0", "target = 2.0", "[rise] target: there is no such entry. Did you mean target_pct"),
        ('starts_at = "main panel"', 'starts_at = "main pannel"', 'Did you mean "main panel"?'),
        ("_temp_c = 75.0", "_temp_c = nan", "conductor_temp_c = nan: must be a number from -20 to 110."),
        ("conductor_temp_c = 75.0", "", "[rise] conductor_temp_c: is missing. Write a number from -20 to 110."),
        ("cell_high_temp_c = 70", "cell_high_temp_c = inf", "[assume] cell_high_temp_c = inf: must be a number."),
        ('"230" = 1.10,', '"230" = "1.10",', '230 = "1.10": must be a number. Write it without quotes: 1.1'),
        ("one_feeder = true", 'one_feeder = "yes"', "true or false, without quotes. Write it without quotes: true"),
        ("terminal_rating_c = 60", "terminal_rating_c = 65", "[assume] terminal_rating_c = 65: must be 60, 75 or 90."),
        ("r_pct = 1.4", "r_pct = 0", "[[transformer]] entry 1, r_pct = 0: must be a number above 0."),
        ("[branch]", "[branches]", "[branches]: there is no such entry. Did you mean branch?"),
        ("[ratio]", "[ratio]\nunits_ceiling = 9", "[ratio] units_ceiling: there is no such entry."),
    ],
)
def test_faults_of_a_policy(tmp_path: Path, old: str, new: str, told: str) -> None:
    text = DEFAULT.read_text("utf-8").replace(old, new, 1)
    (tmp_path / "policy.toml").write_text(text, "utf-8")
    with pytest.raises(AuditorError) as caught:
        load_policy(tmp_path / "policy.toml")
    lines = str(caught.value).splitlines()
    assert len(lines) == 2
    assert lines[0].startswith(f"{tmp_path / 'policy.toml'}: ")
    assert told in lines[0]
    assert lines[1].endswith("to copy what is missing: auditor policy --default")


def test_every_fault_of_a_policy_is_told_once(tmp_path: Path) -> None:
    (tmp_path / "policy.toml").write_text("name = 3\n[rise]\ntarget_pct = 0\n[ratio]\nlow = 1\nhigh = 2\n", "utf-8")
    with pytest.raises(AuditorError) as caught:
        load_policy(tmp_path / "policy.toml")
    lines = str(caught.value).splitlines()[:-1]
    assert len(set(lines)) == len(lines)
    places = {line.split(": ")[1].split(" = ")[0] for line in lines}
    assert places == {
        *("name", "[rise] target_pct", "units_ceiling", "[rise] starts_at", "[rise] conductor_temp_c"),
        *("[branch]", "[terminal]", "[assume]", "[supply]", "[trips]", "[triage]"),
    }
