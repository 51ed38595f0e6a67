"""The catalog as frames, as JSON, as a hash, and the template that documents its files. Equipment is invented."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import polars as pl
import pytest
from pydantic import ValidationError

from auditor.catalog import FRAME_SCHEMAS, Catalog, alias_key, equipment_template, load_catalog
from auditor.catalog.entries import size_mm2
from auditor.catalog.equipment import BranchLimit, half_digit
from auditor.records.schema import RUN, SERVICES

UNIT = """
[[inverter]]
model = "Rowan 240"
revision = {revision}
effective = 20{revision:02}-03-01
source = "Sheet A"
rated_w = 240
connection = "line-line"
current_a = {{ "240" = "1.00", "208" = "1.15" }}
branch_limits = [
    {{ service = "208Y/120", wiring = "three-phase", breaker_a = 20, units = 24 }},
    {{ service = "120/240", wiring = "single", breaker_a = 20, units = 16 }},
]
"""
TRUNK = """
[[trunk]]
model = "Rowan Trunk"
revision = 1
effective = 2012-05-01
invented = true
conductor_material = "copper"
conductor_size = "12 AWG"
section_length_m = { portrait = 1.02 }
r_ohm_per_km = 6.5
"""


def load(folder: Path, **files: str) -> Catalog:
    folder.mkdir()
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, "utf-8")
    return load_catalog([folder])


@pytest.fixture
def catalog(tmp_path: Path) -> Catalog:
    return load(tmp_path / "equipment", one=UNIT.format(revision=12) + TRUNK)


@pytest.mark.parametrize(
    ("printed", "half"),
    [("1.00", 0.005), ("1.15", 0.005), ("1", 0.5), ("0.94", 0.005), ("0.9", 0.05), ("10", 0.5), ("1.000", 0.0005)],
)
def test_half_digit(printed: str, half: float) -> None:
    assert half_digit(printed) == half


@pytest.mark.parametrize("printed", ["", "1.", ".5", "1e3", "+1", " 1", "1\n", "1,5", "nan", "１"])
def test_half_digit_of_what_is_no_number(printed: str) -> None:
    with pytest.raises(ValueError, match="plain decimal number"):
        half_digit(printed)


def test_inverter_frames(catalog: Catalog) -> None:
    frames = catalog.frames()
    row = frames["inverter"].row(0, named=True)
    assert (row["model"], row["revision"], row["effective"]) == ("Rowan 240", 12, datetime.date(2012, 3, 1))
    assert (row["rated_w"], row["connection"], row["max_input_v"]) == (240.0, "line-line", None)
    assert frames["inverter_current"].rows() == [
        ("Rowan 240", 12, 208.0, 1.15, 0.005),
        ("Rowan 240", 12, 240.0, 1.0, 0.005),
    ]
    assert frames["inverter_branch_limit"].rows() == [
        ("Rowan 240", 12, "120/240", "single", 20.0, 16),
        ("Rowan 240", 12, "208Y/120", "three-phase", 20.0, 24),
    ]


def test_trunk_frame(catalog: Catalog) -> None:
    row = catalog.frames()["trunk"].row(0, named=True)
    assert (row["portrait_m"], row["landscape_m"], row["r_ohm_per_km"]) == (1.02, None, 6.5)
    assert (row["conductor_size"], row["source"], row["connectors_included"]) == ("12 AWG", "invented", None)


def test_every_frame_has_its_declared_columns(catalog: Catalog) -> None:
    for frames in (load_catalog().frames(), catalog.frames()):
        assert frames.keys() == FRAME_SCHEMAS.keys()
        for name, frame in frames.items():
            assert dict(frame.schema) == FRAME_SCHEMAS[name], name


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("conductor", ["size", "material"]),
        ("reactance", ["size", "raceway"]),
        ("ampacity", ["size", "material", "rating_c", "edition_from"]),
        ("ampacity_iec", ["size", "material", "loaded", "method"]),
        ("small_conductor", ["size", "material"]),
        ("ambient_factor", ["to_c", "rating_c"]),
        ("fill_factor", ["from_n"]),
        ("standard_breaker", ["amps"]),
        ("service_range", ["service", "range", "base_v"]),
        ("grid_profile", ["name"]),
        ("grid_profile_threshold", ["profile", "threshold"]),
        ("grid_profile_alias", ["alias_key"]),
    ],
)
def test_built_in_keys_are_unique_and_marked(name: str, key: list[str]) -> None:
    frame = load_catalog().frames()[name]
    assert frame.height > 0
    assert frame.select(key).is_unique().all()
    assert frame.select(key).null_count().sum_horizontal().item() == 0
    if "mark" in frame.columns:
        assert frame["mark"].null_count() == 0


def test_every_size_has_a_reactance_in_every_raceway() -> None:
    frames = load_catalog().frames()
    raceways = pl.DataFrame({"raceway": RUN.column("raceway").choices})
    wanted = frames["conductor"].select("size").unique().join(raceways, how="cross")
    assert wanted.join(frames["reactance"], on=["size", "raceway"], how="anti").height == 0


def test_sizes_are_sorted_by_area() -> None:
    for name in ("conductor", "ampacity"):
        areas = [size_mm2(size) for size in load_catalog().frames()[name]["size"]]
        assert areas == sorted(areas), name


def test_ranges_are_in_order() -> None:
    frames = load_catalog().frames()
    assert frames["fill_factor"]["from_n"].is_sorted()
    assert frames["ambient_factor"]["to_c"].is_sorted()
    assert frames["standard_breaker"]["amps"].is_sorted()


def test_size_areas_follow_the_gauge() -> None:
    # ASTM B258 in circular mils as NFPA 70 Chapter 9 Table 8 prints them; the definition rounds to the same digits.
    for size, cmil in (("14 AWG", 4110), ("10 AWG", 10380), ("1 AWG", 83690), ("1/0 AWG", 105600), ("4/0 AWG", 211600)):
        assert size_mm2(size) == pytest.approx(cmil * 5.0670748e-4, rel=1e-3)
    assert size_mm2("250 kcmil") == pytest.approx(126.67687, rel=1e-6)
    assert size_mm2("2.5 mm2") == 2.5
    with pytest.raises(ValueError, match="must read like"):
        size_mm2("12AWG")


def test_services_are_those_of_the_records() -> None:
    assert BranchLimit.model_fields["service"].annotation.__args__ == SERVICES  # type: ignore[union-attr]


def test_hash_does_not_depend_on_the_layout_of_files(tmp_path: Path) -> None:
    first, second = UNIT.format(revision=12), UNIT.format(revision=14)
    together = load(tmp_path / "a", one=first + second + TRUNK)
    apart = load(tmp_path / "b", z=first, y=second, x="# a comment\n" + TRUNK)
    swapped = '{ "208" = "1.15", "240" = "1.00" }'
    assert '{ "240" = "1.00", "208" = "1.15" }' in first
    inner = load(tmp_path / "c", one=first.replace('{ "240" = "1.00", "208" = "1.15" }', swapped) + second + TRUNK)
    assert together.content_hash() == apart.content_hash() == inner.content_hash()
    assert together.as_json() == apart.as_json()


@pytest.mark.parametrize(
    ("old", "new"), [('"1.00"', '"1.0"'), ("units = 16", "units = 15"), ("Sheet A", "Sheet B"), ("rated_w = 240\n", "")]
)
def test_hash_depends_on_every_value(tmp_path: Path, old: str, new: str) -> None:
    text = UNIT.format(revision=12)
    assert old in text
    changed = load(tmp_path / "b", one=text.replace(old, new))
    assert load(tmp_path / "a", one=text).content_hash() != changed.content_hash()


def test_json_reads_back(catalog: Catalog) -> None:
    again = Catalog.from_json(catalog.as_json())
    assert again == catalog
    assert again.content_hash() == catalog.content_hash()
    for name, frame in catalog.frames().items():
        assert frame.equals(again.frames()[name]), name


def test_json_of_another_kind_is_refused() -> None:
    with pytest.raises(ValidationError):
        Catalog.from_json('{"inverters": []}')


@pytest.mark.parametrize(
    ("text", "key"),
    [("IEEE 1547-2018 Cat. II", "ieee15472018catii"), ("as/nzs 4777.2:2020", "asnzs477722020"), (" - ", "")],
)
def test_alias_key(text: str, key: str) -> None:
    assert alias_key(text) == key
    assert alias_key(alias_key(text)) == key


def test_the_template_loads_and_shows_every_field(tmp_path: Path) -> None:
    text = equipment_template()
    catalog = load(tmp_path / "template", equipment=text)
    document = tomllib.loads(text)
    for table, kind in (
        ("inverter", catalog.inverter[0]),
        ("trunk", catalog.trunk[0]),
        ("module", catalog.module[0]),
    ):
        assert document[table][0].keys() == type(kind).model_fields.keys()
        assert all(field.description for field in type(kind).model_fields.values())
        for name, value in dict(kind).items():
            assert value not in (None, (), {}), (table, name)
    assert max(len(line) for line in text.splitlines()) <= 120
