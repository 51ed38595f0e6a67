"""Costs from a price file by hand, and what is told where a price lacks."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from remedy_cases import candidates, circuit, home_run_m, of, run, system, told

from auditor.errors import AuditorError
from auditor.remedies.choosing import with_choice
from auditor.remedies.mending import Candidates
from auditor.remedies.prices import changes, load_prices, priced

SAMPLE = Path(__file__).parents[2] / "sample_portfolio" / "prices.toml"
WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}
PRICES = """
name = "Test prices"
currency = "crowns"
rests_on = "invented"
[visit]
cost = 100.0
crew_days = 0.5
[[work]]
remedy = "home-run-size"
per_system = 10.0
per_circuit = 20.0
crew_days_per_system = 0.25
crew_days_per_circuit = 0.5
[[work]]
remedy = "feed-point"
per_system = 0.0
per_circuit = 40.0
crew_days_per_system = 0.0
crew_days_per_circuit = 1.0
[[wire]]
place = "home run"
size = "8 AWG"
material = "copper"
per_m = 2.5
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> Candidates:
    """The common-practice example: larger wire, centre feed and two circuits all mend it."""
    return candidates(
        tmp_path_factory.mktemp("prices"),
        [system(grid_profile=None)],
        [circuit(ambient_c=30.0, raceway_conductors=2)],
        [run("home run", 1, length_m=home_run_m(0.8), **WIRES), run("feeder", **WIRES)],
        ways=told(0.0),
    )


def prices(folder: Path, text: str = PRICES):
    path = folder / "prices.toml"
    path.write_text(text, "utf-8")
    return load_prices(path)


def test_a_cost_is_the_visit_the_work_and_the_wire(found, tmp_path):
    table = with_choice(priced(found, prices(tmp_path)))
    wire, centre, split = (
        of(Candidates(table, found.wire, found.part), name) for name in ("home-run-size", "feed-point", "split-branch")
    )
    # By hand: 100 + 10 + 20 + 2.5 a metre; 100 + 40, and nothing for a way of no length.
    assert wire["cost"] == pytest.approx(130 + 2.5 * home_run_m(0.8)) and wire["crew_days"] == 1.25
    assert centre["cost"] == 140.0 and centre["crew_days"] == 1.5 and wire["not_priced"] is None
    assert centre["not_priced"] is None
    assert split["cost"] is None and split["not_priced"].startswith("split-branch; 10 AWG copper home run")
    assert (centre["choice"], centre["ties"], wire["choice"], split["choice"]) == ("least cost", 1, None, None)


def test_without_a_price_file_there_is_no_price_and_effort_decides(found):
    table = with_choice(priced(found, None))
    assert table["cost"].is_null().all() and table["currency"].is_null().all()
    # Roof work is less effort than new conductors.
    assert of(Candidates(table, found.wire, found.part), "feed-point")["choice"] == "least effort"


def test_ties_are_all_marked(found, tmp_path):
    same = PRICES.replace("per_m = 2.5", "per_m = 0.0").replace("per_circuit = 40.0", "per_circuit = 30.0")
    chosen = with_choice(priced(found, prices(tmp_path, same))).filter(pl.col("choice").is_not_null())
    assert sorted(chosen["remedy"]) == ["feed-point", "home-run-size"] and chosen["ties"].to_list() == [2, 2]


def test_the_samples_prices_are_read_and_marked_invented():
    held = load_prices(SAMPLE)
    assert "invented" in held.name and "invented" in held.rests_on


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('remedy = "feed-point"', 'remedy = "feed-pint"', "Did you mean feed-point"),
        ('remedy = "feed-point"', 'remedy = "home-run-size"', "priced twice"),
        ("per_m = 2.5", "per_m = -2.5", "per_m"),
        ('size = "8 AWG"', 'size = "8"', "must read like 12 AWG"),
        ("cost = 100.0", 'cost = "100"', "cost"),
    ],
)
def test_a_faulty_price_file_says_what_is_wrong(tmp_path, old, new, said):
    with pytest.raises(AuditorError, match=said):
        prices(tmp_path, PRICES.replace(old, new, 1))


def test_what_two_price_files_say_otherwise(tmp_path):
    path = tmp_path / "prices.toml"
    path.write_text(PRICES, "utf-8")
    old = load_prices(path)
    assert changes(old, old) == []
    path.write_text(PRICES.replace("Test prices", "Others").replace('rests_on = "invented"', 'rests_on = "x"'), "utf-8")
    assert changes(old, load_prices(path)) == []  # they cost the same under another name
    path.write_text(PRICES.replace("cost = 100.0", "cost = 101.0").replace('size = "8 AWG"', 'size = "6 AWG"'), "utf-8")
    told = ["the visit", "8 AWG copper in a home run", "6 AWG copper in a home run"]
    assert changes(old, load_prices(path)) == told
