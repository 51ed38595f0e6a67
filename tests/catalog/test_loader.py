"""Reading equipment files: what is accepted, and how each fault is told. All equipment here is invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from auditor.catalog import load_catalog
from auditor.errors import AuditorError

INVERTER = """
[[inverter]]
model = "Rowan 240"
revision = 1
effective = 2014-01-01
source = "Sheet A"
rated_w = 240
current_a = { "240" = "1.00", "208" = "1.15" }
branch_limits = [ { service = "120/240", wiring = "single", breaker_a = 20, units = 16 } ]
grid_profiles = ["1547-2018 cat II"]
"""
BARE = '[[{table}]]\nmodel = "Rowan"\nrevision = {revision}\neffective = {effective}\nsource = "Sheet A"\n'


def write(folder: Path, text: str, name: str = "equipment.toml") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text, "utf-8")
    return folder


def fault(folder: Path, text: str) -> str:
    with pytest.raises(AuditorError) as caught:
        load_catalog([write(folder, text)])
    return str(caught.value)


def test_an_equipment_file_is_read(tmp_path: Path) -> None:
    catalog = load_catalog([write(tmp_path, INVERTER)])
    assert [i.model for i in catalog.inverter] == ["Rowan 240"]
    assert catalog.inverter[0].rated_w == 240.0
    assert catalog.inverter[0].max_input_v is None


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbf" + INVERTER.encode())
    assert len(load_catalog([tmp_path]).inverter) == 1


def test_a_file_may_be_invented_as_a_whole(tmp_path: Path) -> None:
    text = "invented = true\n" + INVERTER.replace('source = "Sheet A"\n', "")
    assert load_catalog([write(tmp_path, text)]).frames()["inverter"]["source"].to_list() == ["invented"]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("rated_w = 240", 'rated_w = "240"', 'rated_w = "240": must be a number above 0. Write it without quotes: 240'),
        ("rated_w = 240", "rated_w = true", "rated_w = true: must be a number above 0."),
        ("rated_w = 240", "rated_w = -240", "rated_w = -240: must be a number above 0."),
        ("rated_w = 240", "rated_w = nan", "rated_w = nan: must be a number above 0."),
        ("rated_w = 240", "rated_w = inf", "rated_w = inf: must be a number above 0."),
        ("rated_w = 240", "rated_kw = 0.24", "rated_kw: there is no such entry. Did you mean rated_w? Allowed"),
        ("revision = 1\n", "", "revision: is missing"),
        ("revision = 1", "revision = 1.5", "revision = 1.5: must be a whole number of 1 or more."),
        ("revision = 1", "revision = 0", "revision = 0: must be a whole number of 1 or more."),
        ("effective = 2014-01-01", 'effective = "2014-01-01"', "quotes. Write it without quotes: 2014-01-01"),
        ('source = "Sheet A"\n', "", "source is missing: name the document"),
        ('"Sheet A"', '""', "source: must be a text without spaces at its ends, got ''"),
        ('"Sheet A"', '"Sheet A "', "source: must be a text without spaces at its ends, got 'Sheet A '"),
        (
            '["1547-2018 cat II"]',
            '"1547"',
            'grid_profiles = "1547": must be a list in brackets. Write it in brackets: ["1547"].',
        ),
        ('"1.00"', '"one"', "current_a: must be a plain decimal number written as text, such as '1.15'; got 'one'"),
        ('"1.00"', '"1,00"', "current_a: must be a plain decimal number written as text, such as '1.15'; got '1,00'"),
        ('"1.00"', '"-1.00"', "current_a: must be a plain decimal number"),
        ('"1.00"', '"0.00"', "current_a: the current at 240 V must be greater than 0"),
        ('"1.00"', "1.00", "current_a: the current at 240 V must be text in quotes"),
        ('"240" = "1.00"', '"240 V" = "1.00"', "current_a: the key '240 V' must be the voltage across the unit"),
        ('"208" = ', '"240.0" = ', "current_a: the same voltage is given twice"),
        (
            '"120/240"',
            '"120/230"',
            'branch_limits, item 1, service = "120/230": must be "120/240", "208Y/120", "480Y/277", "230" or',
        ),
        (
            '"single"',
            '"two-wire"',
            'branch_limits, item 1, wiring = "two-wire": must be "single" or "three-phase".',
        ),
        ("units = 16", "units = 16, amps = 20", "branch_limits, item 1, amps: there is no such entry"),
        ("units = 16", "units = 0", "branch_limits, item 1, units = 0: must be a whole number of 1 or more."),
        ('["1547-2018 cat II"]', '["1547"]', "grid_profiles: unknown grid profile '1547'. Known: AS/NZS 4777.2:2015"),
        (
            "rated_w = 240",
            "window_low_v = 45\nwindow_high_v = 27",
            "window_low_v = 45 must not exceed window_high_v = 27",
        ),
        (
            "rated_w = 240",
            "window_high_v = 61\nmax_input_v = 60",
            "window_high_v = 61 must not exceed max_input_v = 60",
        ),
    ],
)
def test_faults_of_an_entry(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in INVERTER
    message = fault(tmp_path, INVERTER.replace(old, new))
    assert f"{tmp_path / 'equipment.toml'}: [[inverter]] entry 1 (Rowan 240)" in message
    assert expected in message


def test_a_branch_limit_given_twice(tmp_path: Path) -> None:
    limit = '{ service = "120/240", wiring = "single", breaker_a = 20, units = 16 }'
    assert "branch_limits gives 120/240, single, 20 A twice" in fault(
        tmp_path, INVERTER.replace(f"[ {limit} ]", f"[ {limit}, {limit} ]")
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            '[[invertor]]\nmodel = "X"\n',
            "[[invertor]]: there is no such table. Did you mean inverter? Allowed: [[inverter]], [[trunk]], [[module]]",
        ),
        (
            '[inverter]\nmodel = "X"\n',
            "inverter: write each entry under a heading of its own in double brackets, [[inverter]]",
        ),
        ("invented = 1\n", "invented = 1: must be true or false, without quotes"),
        ("[[inverter\n", "not a TOML file"),
        (BARE.format(table="trunk", revision=1, effective="2014-01-01") + 'conductor_size = "12"', "12 AWG, 4/0 AWG"),
        (
            BARE.format(table="trunk", revision=1, effective="2014-01-01") + "conductors = 6",
            "conductors = 6: must be a whole number from 2 to 5.",
        ),
        (
            BARE.format(table="module", revision=1, effective="2014-01-01") + "voc_pct_per_c = 0.3",
            "must be a number below 0.",
        ),
        (BARE.format(table="module", revision=1, effective="2014-01-01") + "voc_v = 30\nvmp_v = 31", "must not exceed"),
    ],
)
def test_faults_of_a_file(tmp_path: Path, text: str, expected: str) -> None:
    message = fault(tmp_path, text)
    assert str(tmp_path / "equipment.toml") in message
    assert expected in message


def test_every_fault_of_a_file_is_told(tmp_path: Path) -> None:
    message = fault(tmp_path, INVERTER.replace("240\n", "-1\n") + BARE.format(table="trunk", revision=0, effective="1"))
    assert len(message.splitlines()) == 3
    assert "[[trunk]] entry 1 (Rowan): effective = 1: must be a date such as 2024-03-25, without quotes." in message


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"model = '\xff'")
    with pytest.raises(AuditorError, match="not UTF-8 text"):
        load_catalog([tmp_path])


def test_a_folder_that_is_not_there_or_empty(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="no such folder"):
        load_catalog([tmp_path / "absent"])
    with pytest.raises(AuditorError, match="holds no equipment file"):
        load_catalog([tmp_path])


def test_a_revision_given_twice_names_both_places(tmp_path: Path) -> None:
    entry = BARE.format(table="trunk", revision=1, effective="2014-01-01")
    write(tmp_path, entry, "a.toml")
    write(tmp_path, entry, "b.toml")
    with pytest.raises(AuditorError) as caught:
        load_catalog([tmp_path])
    assert "b.toml: [[trunk]] entry 1 (Rowan), revision: 1 is already given at" in str(caught.value)
    assert "a.toml: [[trunk]] entry 1 (Rowan)." in str(caught.value)


def test_faults_of_every_file_are_told_at_once(tmp_path: Path) -> None:
    good = BARE.format(table="trunk", revision=1, effective="2014-01-01")
    write(tmp_path, good + "rated_w = 20\n", "a.toml")
    write(tmp_path, good + "rated_a = -20\n", "b.toml")
    write(tmp_path, good, "c.toml")
    write(tmp_path, good, "d.toml")
    with pytest.raises(AuditorError) as caught:
        load_catalog([tmp_path])
    lines = str(caught.value).splitlines()
    assert [Path(line.partition(":")[0]).name for line in lines] == ["a.toml", "b.toml", "d.toml"]


def test_what_a_whole_entry_must_hold_is_told_beside_its_faults(tmp_path: Path) -> None:
    message = fault(tmp_path, INVERTER.replace("rated_w = 240", "rated_w = 0").replace('source = "Sheet A"\n', ""))
    assert "rated_w = 0: must be a number above 0." in message
    assert "source is missing: name the document" in message


@pytest.mark.parametrize("second", ["2014-01-01", "2013-06-01"])
def test_effective_dates_must_increase_with_revisions(tmp_path: Path, second: str) -> None:
    text = BARE.format(table="module", revision=2, effective=second)
    text += BARE.format(table="module", revision=1, effective="2014-01-01")
    message = fault(tmp_path, text)
    assert f"revision 2 is effective {second}, which must be later than 2014-01-01 of revision 1" in message


def test_one_model_is_spelt_alike(tmp_path: Path) -> None:
    # Records are matched to models without regard to case and spaces.
    text = BARE.format(table="trunk", revision=1, effective="2014-01-01")
    text += BARE.format(table="trunk", revision=2, effective="2015-01-01").replace("Rowan", "rowan")
    assert "[[trunk]] entry 2 (rowan), model: differs from 'Rowan' at" in fault(tmp_path, text)


def test_one_name_may_be_a_model_of_two_tables(tmp_path: Path) -> None:
    text = BARE.format(table="module", revision=1, effective="2014-01-01")
    text += BARE.format(table="trunk", revision=1, effective="2014-01-01")
    catalog = load_catalog([write(tmp_path, text)])
    assert catalog.module[0].model == catalog.trunk[0].model == "Rowan"


PROFILE = """
[[grid_profile]]
name = "North Vale sheet"
standard = "Interconnection sheet"
edition = "2021"
source = "Sheet B"
mark = "seen in one text"
alias = ["NV sheet"]
thresholds = [ { threshold = "OV1", kind = "instant", level_pu = 1.1, clearing_s = 2.0, mark = "seen in one text" } ]
"""


def test_a_user_may_add_a_grid_profile(tmp_path: Path) -> None:
    catalog = load_catalog([write(tmp_path, PROFILE + INVERTER.replace("1547-2018 cat II", "nv SHEET"))])
    assert catalog.profile_name("NV-Sheet") == "North Vale sheet"
    assert catalog.frames()["inverter_grid_profile"]["profile"].to_list() == ["North Vale sheet"]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"NV sheet"', '"Rule 21"', "name or alias 'rule21' already belongs to"),
        ("level_pu = 1.1", "level_v = 264", "base_v is missing: level_v needs the nominal volts"),
        ("level_pu = 1.1", "level_pu = 1.1, level_v = 264, base_v = 240", "give either level_pu or level_v, not both"),
        ("level_pu = 1.1, ", "", "give level_pu, or level_v with base_v"),
        ("clearing_s = 2.0", "clearing_s = 2.0, mean_slides = true", "mean_slides belongs to a ten-minute threshold"),
        ("clearing_s = 2.0", "clearing_s = 2.0, delay_s = 3.0", "delay_s must not exceed clearing_s"),
        ("clearing_s = 2.0", "clearing_s = 2.0, clearing_range_s = [2.0, 1.0]", "must hold the lower limit first"),
        ('"instant"', '"hourly"', 'thresholds, item 1, kind = "hourly": must be "instant" or "ten-minute".'),
        (
            'mark = "seen in one text"\n',
            'mark = "sure"\n',
            'mark = "sure": must be "seen in two texts", "seen in one text", "derived" or "from memory".',
        ),
        (
            'alias = ["NV sheet"]',
            'volt_watt = { v1_pu = 1.1, v2_pu = 1.06, p2 = 0, on_by_default = true, mark = "derived" }',
            "v1 must be below v2",
        ),
    ],
)
def test_faults_of_a_grid_profile(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in PROFILE
    message = fault(tmp_path, PROFILE.replace(old, new))
    assert "[[grid_profile]] entry 1 (North Vale sheet)" in message
    assert expected in message
