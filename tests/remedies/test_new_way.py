"""What a home run grows by where a branch is fed elsewhere: judged, told and priced; by hand."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from remedy_cases import candidates, circuit, home_run_m, of, run, system, told

from auditor.remedies.choosing import with_choice
from auditor.remedies.mending import NO_WAY, Candidates
from auditor.remedies.prices import load_prices, priced

WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}
#: 16 units of 1 A end-fed on sections of 1 m: 1.33 % in the trunk, 36/136 of it from the centre.
CENTRE_PCT = 1.33 * 36 / 136
#: A metre of 10 AWG copper with 16 A [% of 240 V]: 2 x 16 x 1.24 ohm/1000 ft.
PER_M_PCT = 2 * 16 * 1.24 / 304.8 / 240 * 100
PRICES = """
name = "Test prices"
currency = "crowns"
rests_on = "invented"
visit = { cost = 100.0, crew_days = 0.5 }
work = [
    { remedy = "feed-point", per_system = 0.0, per_circuit = 40.0, crew_days_per_system = 0.0 },
    { remedy = "split-branch", per_system = 0.0, per_circuit = 40.0, crew_days_per_system = 0.0 },
]
wire = [{ place = "home run", size = "10 AWG", material = "copper", per_m = 2.0 }]
"""


def case(folder: Path, rise_pct: float, way_m: float | None = None, **facts: object) -> Candidates:
    """The example with so much in its home run of 10 AWG."""
    runs = [run("home run", 1, length_m=home_run_m(rise_pct), **WIRES), run("feeder", **WIRES)]
    ways = None if way_m is None else told(way_m)
    return candidates(folder, [system()], [circuit(first_section_m=1.0, **facts)], runs, ways=ways)


def test_a_centre_feed_is_judged_along_the_cable_until_its_way_is_told(tmp_path: Path) -> None:
    """By hand: 0.352 + 1.5 = 1.852 % leave 0.148 %, 2.7 m of 10 AWG. Along the cable it is 8 sections of 1 m: 2.285 %.

    So it is not chosen. Told as 2 m it meets the target, as 3 m it does not; where 8 m are within the room it may be.
    """
    along = of(case(tmp_path, 1.5), "feed-point")
    assert along["rise_after_pct"] == pytest.approx(CENTRE_PCT + 1.5 + 8 * PER_M_PCT, rel=1e-6)
    may_m = (2 - CENTRE_PCT - 1.5) / PER_M_PCT
    assert along["home_run_may_grow_m"] == pytest.approx(may_m, rel=1e-6) and round(may_m, 1) == 2.7
    assert along["new_way"] == (
        "new way of circuit 1: enough only if it is under 2.7 m; along the cable, as is assumed here, it is 8.0 m"
    )
    assert along["meets_target"] is None and along["still_fails"] == "voltage-rise" and not along["helps"]
    for way_m, meets in ((2.0, True), (3.0, False)):
        row = of(case(tmp_path, 1.5, way_m), "feed-point")
        assert row["rise_after_pct"] == pytest.approx(CENTRE_PCT + 1.5 + way_m * PER_M_PCT, rel=1e-6)
        assert (row["meets_target"], row["helps"]) == (meets, meets)
        assert row["home_run_may_grow_m"] == pytest.approx(may_m, rel=1e-6) and "as told" in row["new_way"]
    near = of(case(tmp_path, 0.8), "feed-point")
    assert near["meets_target"] is None and near["helps"] and near["mends"] == "voltage-rise"
    never = of(case(tmp_path, 5.0), "feed-point")  # 0.352 + 5 > 2, and nothing else is enough
    assert never["home_run_may_grow_m"] is None and "not enough however short it is" in never["new_way"]


def test_the_way_has_extra_cable_in_it_and_starts_where_the_branch_is_fed(tmp_path: Path) -> None:
    """By hand: 8 sections and 5 m after unit 3. Fed after unit 3 before, it is 5 sections; extra at the feed is behind.

    5 m after unit 3 lie between the old point and the new in both: the old one is before them.
    """
    middle = pl.col("done").str.contains("between units 8 and 9")
    found = case(tmp_path, 0.8, extra_trunk="3@5").table
    assert "it is 13.0 m" in found.filter(middle, remedy="feed-point")["new_way"][0]
    found = case(tmp_path, 1.3, extra_trunk="3@5", feed="arms", arm_counts="3+13").table
    centre = found.filter(middle, remedy="feed-point")
    assert "it is 10.0 m" in centre["new_way"][0]
    assert "it is 8.0 m" in of(case(tmp_path, 0.8, extra_trunk="8@5"), "split-branch")["new_way"]


def test_the_second_home_run_of_a_split_goes_to_the_middle(tmp_path: Path) -> None:
    """By hand: 8 A over 10 AWG, 0.352 + 0.75 + 8 m x half of the rise a metre; a circuit fed there needs no way."""
    split = of(case(tmp_path, 1.5), "split-branch")
    assert split["rise_after_pct"] == pytest.approx(CENTRE_PCT + 0.75 + 8 * PER_M_PCT / 2, rel=1e-6)
    assert "circuit 1 (2)" in split["new_way"] and split["meets_target"] is None and split["helps"]
    turned = of(case(tmp_path, 1.8, feed="centre"), "split-branch")
    assert turned["rise_after_pct"] == pytest.approx(CENTRE_PCT + 0.9, rel=1e-6)
    assert turned["new_way"] is None and turned["meets_target"]


def test_the_added_wire_is_priced(tmp_path: Path) -> None:
    """By hand: 100 + 40 and 8 m at 2.0 for the centre; for the second home run its whole length and 8 m."""
    (tmp_path / "own").mkdir()
    path = tmp_path / "own" / "prices.toml"
    path.write_text(PRICES, "utf-8")
    found = case(tmp_path, 0.8)
    table = with_choice(priced(found, load_prices(path)))
    centre, split = (table.filter(remedy=name).row(0, named=True) for name in ("feed-point", "split-branch"))
    assert centre["cost"] == pytest.approx(156.0) and centre["choice"] == "least cost"
    assert split["cost"] == pytest.approx(140 + 2.0 * (home_run_m(0.8) + 8.0))
    # One that misses the target along the cable is not chosen, though nothing is cheaper.
    far = with_choice(priced(case(tmp_path, 1.5), load_prices(path))).filter(remedy="feed-point")
    assert far["cost"].to_list() == [156.0] and far["choice"].to_list() == [None]


def test_the_piece_with_the_most_resistance_grows(tmp_path: Path) -> None:
    """By hand: 10 AWG grows by 8 m and not the 8 AWG behind it; which one would is not known, nor how far it may."""
    runs = [
        run("home run", 1, length_m=home_run_m(0.3), size="8 AWG", **WIRES),
        run("home run", 1, length_m=home_run_m(0.6), **WIRES | {"run_order": 2}),
        run("feeder", **WIRES),
    ]
    row = of(candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], runs), "feed-point")
    held = 0.3 * 0.778 / 1.24 + 0.6
    assert row["rise_after_pct"] == pytest.approx(CENTRE_PCT + held + 8 * PER_M_PCT, rel=1e-6)
    assert row["home_run_may_grow_m"] is None and "at most is not known" in row["new_way"]


def test_without_a_conductor_the_way_is_not_known_and_nothing_is_proposed(tmp_path: Path) -> None:
    """A home run of no length needs no conductor, but what grows out of it does."""
    runs = [run("home run", 1, length_m=0.0, size=None, material=None), run("feeder", **WIRES)]
    held = [circuit(first_section_m=1.0, inverter_count=25, module_count=25)]
    row = of(candidates(tmp_path, [system()], held, runs), "feed-point")
    assert row["rise_before_pct"] > 2 and row["rise_after_pct"] is None and row["meets_target"] is None
    assert row["why_not"] == NO_WAY and not row["helps"]
