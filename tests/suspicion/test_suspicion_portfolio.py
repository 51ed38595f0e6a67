"""Rules over all systems at once: places beside their utility's, and the lengths of one file beside the others'."""

from __future__ import annotations

import random

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.suspicion.portfolio import _median_of_others, file_lengths, of_portfolio, out_of_place

SYSTEM = {
    "system_id": pl.String,
    "utility": pl.String,
    "region": pl.String,
    "latitude_deg": pl.Float64,
    "longitude_deg": pl.Float64,
}
Place = tuple[float | None, float | None]
HOME: list[Place] = [(43.0, -38.0), (43.5, -38.5), (44.0, -37.5), (42.5, -38.2), (43.2, -39.0)]


def systems(places: list[Place], utility: str | None = "U", region: str | None = "R") -> pl.DataFrame:
    """Return systems S0, S1, ... at these places."""
    rows = [(f"S{i}", utility, region, *place) for i, place in enumerate(places)]
    return pl.DataFrame(rows, schema=SYSTEM, orient="row")


@pytest.mark.parametrize(
    ("place", "why"),
    [
        ((-38.1, 43.3), "may have changed places"),
        ((43.1, 38.2), "the longitude may have the wrong sign"),
        ((-43.1, -38.2), "the latitude may have the wrong sign"),
        ((48.4, -38.0), "more than 5 degrees"),
        ((43.0, -43.4), "more than 5 degrees"),
    ],
)
def test_a_system_far_from_its_utilitys_others_is_told(place: Place, why: str) -> None:
    for utility, region in (("U", None), (None, "R"), ("U", "R")):
        told = out_of_place(systems([*HOME, place], utility, region))
        assert told.select("system_id", "circuit_id", "code").rows() == [("S5", None, "out-of-place")]
        assert why in told["sentence"][0]


@pytest.mark.parametrize(
    "places",
    [
        [*HOME, (48.3, -38.0)],  # 4.95 degrees from the median of 43.35
        [*HOME[:3], (20.0, -38.0)],  # four systems say nothing
        [*HOME, (20.0, -38.0), (21.0, -38.0)],  # five of seven near: the utility is wide
        [*HOME, (None, -38.0), (20.0, None)],
        [*HOME, (80.0, -38.0), ],  # no place at all: told by the rule on coordinates
    ],
)  # fmt: skip
def test_places_that_are_not_told(places: list[Place]) -> None:
    assert out_of_place(systems(places)).height == 0


def test_systems_without_utility_and_region_are_no_group() -> None:
    assert out_of_place(systems([*HOME, (20.0, -38.0)], None, None)).height == 0


def lengths(**files: list[float | None]) -> pl.DataFrame:
    """Return home runs, each file an import."""
    rows = [(i, f"{name}.csv", x) for i, (name, xs) in enumerate(files.items(), 1) for x in xs]
    return pl.DataFrame(
        rows, schema={"import_id": pl.Int32, "file_name": pl.String, "length_m": pl.Float64}, orient="row"
    )


def test_a_file_in_feet_read_as_metres_is_told_once() -> None:
    dice = random.Random(5)
    metres = [dice.uniform(5, 40) for _ in range(60)]
    told = file_lengths(lengths(a=metres[:30], b=[m / 0.3048 for m in metres[30:]], c=[None, 0.0]))
    assert told.select("system_id", "code", "column").rows() == [(None, "file-lengths", "home_run_length_m")]
    assert told["sentence"][0].startswith("import 2, b.csv: the median of its 30 home runs")


@pytest.mark.parametrize(
    ("times", "count", "told"),
    [(2.49, 30, 0), (2.5, 30, 1), (4.2, 30, 1), (4.21, 30, 0), (3.28, 29, 0)],
)
def test_bounds_of_a_files_lengths(times: float, count: int, told: int) -> None:
    assert file_lengths(lengths(a=[10.0] * 30, b=[10.0 * times] * count)).height == told
    assert file_lengths(lengths(a=[10.0] * count, b=[10.0 * times] * 30)).height == told


@given(
    values=st.lists(st.integers(0, 50), min_size=2, max_size=40),
    chosen=st.sets(st.integers(0, 39)),
)
def test_the_median_of_the_others_is_theirs(values: list[int], chosen: set[int]) -> None:
    ascending = np.sort(np.array(values, dtype=float))
    places = np.array(sorted(place for place in chosen if place < len(values)), dtype=np.int64)
    others = np.delete(ascending, places)
    if len(others):
        assert _median_of_others(ascending, places) == np.median(others)


def test_nothing_at_all_gives_nothing() -> None:
    assert of_portfolio(systems([]), lengths()).height == 0
