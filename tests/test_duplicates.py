"""Possible duplicates against a brute force over all pairs, and by hand where two kinds of evidence meet.

The brute force is written in plain Python: it compares every two systems, with great circles by the spherical law of
cosines in extended form (Vincenty's formula on a sphere), and shares no code and no formula with what it tests.
"""

from __future__ import annotations

import math
import random
import re
from collections import Counter
from collections.abc import Iterable
from itertools import combinations

import duckdb
import polars as pl
import pytest

from auditor.duplicates import MOST_ALIKE, NEAR_M, RADIUS_M, possible_duplicates

SYSTEM = {
    "system_id": pl.String,
    "site_label": pl.String,
    "contact": pl.String,
    "latitude_deg": pl.Float64,
    "longitude_deg": pl.Float64,
}
#: A circuit: system, id, model, count, home-run length [m] and size.
Circuit = tuple[str, str, str | None, int | None, float | None, str | None]


def found(
    systems: Iterable[tuple[object, ...]],
    circuits: Iterable[Circuit] = (),
    merged: Iterable[str] = (),
    apart: Iterable[tuple[str, str]] = (),
) -> dict[tuple[str, str], list[str]]:
    with duckdb.connect() as con:
        held = list(circuits)
        frames = {
            "system": pl.DataFrame(list(systems), schema=SYSTEM, orient="row"),
            "circuit": pl.DataFrame(
                [row[:4] for row in held],
                schema={
                    "system_id": pl.String,
                    "circuit_id": pl.String,
                    "inverter_model": pl.String,
                    "inverter_count": pl.Int64,
                },
                orient="row",
            ),
            "run": pl.DataFrame(
                [(*row[:2], "home run", 1, *row[4:]) for row in held],
                schema={
                    "system_id": pl.String,
                    "circuit_id": pl.String,
                    "role": pl.String,
                    "run_order": pl.Int64,
                    "length_m": pl.Float64,
                    "size": pl.String,
                },
                orient="row",
            ),
        }
        for name, frame in frames.items():
            con.register("given", frame.to_arrow())
            con.execute(f"CREATE TABLE {name} AS FROM given")
            con.unregister("given")
        con.execute(
            "CREATE TABLE unit AS SELECT system_id, circuit_id, inverter_model, inverter_count FROM circuit LIMIT 0"
        )
        told = possible_duplicates(con, merged, apart)
    assert told.rows() == sorted(told.rows(), key=lambda row: (-row[3], row[0], row[1]))
    assert all(row[0] < row[1] for row in told.rows())
    return {(row[0], row[1]): row[2] for row in told.rows()}


def site(system: str, label: str | None = None, contact: str | None = None, place: tuple[float, float] | None = None):  # type: ignore[no-untyped-def]
    return (system, label, contact, *(place or (None, None)))


def circuits(system: str, *lengths: float | None, count: int | None = 12) -> list[Circuit]:
    return [(system, str(at), "U1", count, length, "10 AWG") for at, length in enumerate(lengths, 1)]


PAIR = ("A", "B")


def test_one_kind_of_evidence_is_not_enough() -> None:
    assert found([site("A", "Hill Farm"), site("B", "Hill Farm")]) == {}
    assert found([site("A", contact="Ada"), site("B", contact="Ada")]) == {}
    assert found([site("A", place=(40, -100)), site("B", place=(40, -100))]) == {}
    assert found([site("A-1"), site("A1")]) == {}
    assert found([site("A"), site("B")], circuits("A", 20) + circuits("B", 20)) == {}


def test_two_kinds_are_told_with_what_they_are() -> None:
    near = (40.0, -100.0), (40.0001, -100.0)
    told = found(
        [site("A", "Hill Farm", "Ada", near[0]), site("B", "HILL-FARM.", "ada", near[1])],
        circuits("A", 20, 30) + circuits("B", 30, 20),
    )
    # 0.0001 degree of a meridian is 11.1 m.
    assert told == {
        PAIR: [
            "same site label: Hill Farm",
            "places 11 m apart",
            "same contact: Ada",
            "same circuits: 2, with equal inverters, counts and home runs",
        ]
    }


def test_labels_are_compared_without_case_punctuation_and_form() -> None:
    composed, taken_apart = "Café Nørd", "CAFE\u0301  nørd!"
    assert list(found([site("A", composed, "Ada"), site("B", taken_apart, "Ada")])) == [PAIR]
    assert found([site("A", "--", "Ada"), site("B", "...", "Ada")]) == {}
    assert found([site("A", None, "Ada"), site("B", None, "Ada")]) == {}


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("AB-0012", "ab12"), ("AB 12", "AB/012"), ("S12", "S12-R1"), ("S12", "S12 (2)"), ("S12", "S12_rev 2"),
        ("S12", "S12.v3"), ("S12", "S12 copy"), ("00123", "123"), ("É1", "E\u03011"), ("1-23", "01-023"),
    ],
)  # fmt: skip
def test_ids_written_alike(first: str, second: str) -> None:
    told = found([site(first, contact="Ada"), site(second, contact="Ada")])
    assert list(told.values()) == [["ids written alike", "same contact: Ada"]]


@pytest.mark.parametrize(
    ("first", "second"),
    [("1-23", "12-3"), ("S12", "S13"), ("S12", "S120"), ("S12-R1", "S13-R1"), ("S1.0", "S10"), ("HILLER", "HILLE-1")],
)
def test_ids_that_differ(first: str, second: str) -> None:
    assert found([site(first, contact="Ada"), site(second, contact="Ada")]) == {}


def test_common_circuits_count_only_beside_ids_written_alike() -> None:
    crowd = [f"C{number}" for number in range(MOST_ALIKE + 3)]
    systems = [site(name, contact=f"contact {at // 2}") for at, name in enumerate(crowd)]
    held = [row for name in [*crowd, "C001"] for row in circuits(name, 20)]
    assert list(found([*systems, site("C001")], held)) == [("C001", "C1")]


def test_what_many_share_is_no_evidence() -> None:
    few, many = MOST_ALIKE, MOST_ALIKE + 1
    for number, pairs in ((few, few * (few - 1) // 2), (many, 0)):
        systems = [site(f"N{at:02}x{at * 7}", "Residence", "The office") for at in range(number)]
        assert len(found(systems)) == pairs
    crowded = [site(f"N{at:02}x{at * 7}", f"L{at // 2}", None, (40, -100)) for at in range(many)]
    assert found(crowded) == {}


@pytest.mark.parametrize(
    "change",
    [{"count": 11}, {"count": None}, {"lengths": (20.0, 31.0)}, {"lengths": (20.0, None)}, {"lengths": (20.0,)}],
)
def test_circuits_that_differ_or_are_not_known(change: dict[str, object]) -> None:
    lengths = change.pop("lengths", (20.0, 30.0))
    other = circuits("B", *lengths, **change)  # type: ignore[arg-type, misc]
    systems = [site("A", "Hill Farm"), site("B", "Hill Farm")]
    assert found(systems, circuits("A", 20, 30) + other) == {}
    assert found(systems, circuits("A", 20, 30) + circuits("B", 20, 30)) != {}


@pytest.mark.parametrize(("lengths", "count"), [((20.0, None), 12), ((20.0, 30.0), None)])
def test_what_neither_states_is_not_alike(lengths: tuple[float | None, ...], count: int | None) -> None:
    systems = [site("A", "Hill Farm"), site("B", "Hill Farm")]
    assert found(systems, circuits("A", *lengths, count=count) + circuits("B", *lengths, count=count)) == {}


def test_what_people_decided_is_left_out() -> None:
    systems = [site(name, "Hill Farm", "Ada") for name in ("A", "B", "C")]
    assert set(found(systems)) == {("A", "B"), ("A", "C"), ("B", "C")}
    assert set(found(systems, merged=["B"])) == {("A", "C")}
    assert set(found(systems, apart=[("C", "A")])) == {("A", "B"), ("B", "C")}


def _metres(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Vincenty's formula for a sphere."""
    p, q, d = math.radians(a[0]), math.radians(b[0]), math.radians(b[1] - a[1])
    over = math.hypot(math.cos(q) * math.sin(d), math.cos(p) * math.sin(q) - math.sin(p) * math.cos(q) * math.cos(d))
    return RADIUS_M * math.atan2(over, math.sin(p) * math.sin(q) + math.cos(p) * math.cos(q) * math.cos(d))


@pytest.mark.parametrize("latitude", [0.0, 40.0, -61.3, 69.9])
def test_against_a_brute_force_over_all_pairs(latitude: float) -> None:
    """Blocking by a grid loses no near pair on either side of a cell's edge, at any latitude."""
    draw = random.Random(int(latitude * 10) + 5)
    places = [
        (latitude + draw.uniform(0, 0.004), 10 + draw.uniform(0, 0.004 / math.cos(math.radians(latitude))))
        for _ in range(120)
    ]
    systems = [
        site(f"S{at}x", f"Label {draw.randrange(40)}", f"c{draw.randrange(60)}", p) for at, p in enumerate(places)
    ]
    shared = {column: Counter(row[column] for row in systems) for column in (1, 2)}
    expected = set()
    kinds: Counter[str] = Counter()
    for a, b in combinations(systems, 2):
        label, contact = (a[at] == b[at] and shared[at][a[at]] <= MOST_ALIKE for at in (1, 2))
        near = _metres(a[3:], b[3:]) <= NEAR_M
        kinds["near"] += near
        if label + contact + near > 1:
            expected.add((min(a[0], b[0]), max(a[0], b[0])))
    assert kinds["near"] > 20
    assert len(expected) > 4
    told = found(systems)
    assert set(told) == expected
    for pair, evidence in told.items():
        apart = [re.fullmatch(r"places (\d+) m apart", text) for text in evidence]
        metres = [int(match[1]) for match in apart if match]
        a, b = (next(row for row in systems if row[0] == name) for name in pair)
        assert metres == ([round(_metres(a[3:], b[3:]))] if _metres(a[3:], b[3:]) <= NEAR_M else [])
