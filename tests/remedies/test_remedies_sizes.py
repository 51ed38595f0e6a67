"""Which size of a home run or feeder is proposed, its ground and its terminals; by hand."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from remedy_cases import candidates, circuit, home_run_m, of, run, system

from auditor.remedies import EFFORTS
from auditor.remedies.mending import of_use

WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}


def test_the_first_size_that_its_breaker_may_protect_by_the_next_standard_device(tmp_path: Path) -> None:
    """By hand, 46 to 50 °C and ten conductors, 90 °C copper: 12 AWG 30 x 0.82 x 0.50 = 12.3 A, next device 15 A: fails.

    10 AWG 40 x 0.82 x 0.50 = 16.4 A: carries 16 A, and 20 A is the next standard device. NEC Table 310.16, Tables
    310.15(B)(1) and (C)(1), 240.4(B), 240.6(A). One unit more (17 A) asks for 8 AWG: 55 x 0.41 = 22.55 A.
    """
    home = run("home run", 1, length_m=1.0, size="12 AWG", **WIRES)
    for count, size in ((16, "10 AWG"), (17, "8 AWG")):
        facts = {"ambient_c": 48.0, "raceway_conductors": 10, "first_section_m": 1.0, "inverter_count": count}
        held = [circuit(module_count=count, **facts)]
        row = of(candidates(tmp_path, [system()], held, [home, run("feeder", **WIRES)]), "home-run-size")
        assert f"{size} in place of 12 AWG" in row["done"] and "home-run-ampacity" in row["mends"]


def test_a_run_that_gains_nothing_is_not_enlarged(tmp_path: Path) -> None:
    """By hand: of 0.01 % 8 AWG gains 0.01 x (1 - 0.778/1.24) = 0.0037 %, under half of 0.01 %; of 0.02 % 0.0075 %.

    Both would bring the rise under the target: 1.33 + 0.663 + 0.0063 and 1.33 + 0.655 + 0.0125 %.
    """
    for home_pct, feeder_pct, laid in ((0.01, 0.663, False), (0.02, 0.655, True)):
        home, feeder = (run(role, number, length_m=home_run_m(pct), **WIRES)
                        for role, number, pct in (("home run", 1, home_pct), ("feeder", None, feeder_pct)))  # fmt: skip
        table = candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], [home, feeder]).table
        assert table["rise_before_pct"][0] > 2 and (table["remedy"] == "home-run-size").any() == laid


def test_work_that_mends_nothing_and_gains_nothing_is_left_out() -> None:
    """Half of the last digit told: 0.005 % of the rise, 0.05 trip-days a year; what is not known is kept."""
    rows = [("a", 1.5, 9.0, 1), ("b", 1.496, 8.96, 1), ("c", 1.494, 9.0, 1), ("d", 1.5, 8.9, 1), ("e", 1.5, 9.0, 0),
            ("f", None, None, None)]  # fmt: skip
    table = pl.DataFrame(rows, ["clone", "rise", "trip_days", "fails"], orient="row")
    work = table.with_columns(pl.col("fails").cast(pl.UInt32), root=pl.lit("S"), effort=EFFORTS.index("new conductors"))
    was = pl.DataFrame(
        {"system_id": ["S"], "rise": [1.5], "trip_days": [9.0], "fails": [1], "log_unexplained": [False]}
    )
    was = was.with_columns(pl.col("fails").cast(pl.UInt32))
    assert of_use(work, was)["clone"].to_list() == ["c", "d", "e", "f"]
    # After a log that is not explained the rise alone counts; what needs no work on wires stays.
    assert of_use(work, was.with_columns(log_unexplained=True))["clone"].to_list() == ["c", "e", "f"]
    assert of_use(work.with_columns(effort=EFFORTS.index("settings")), was).height == 6


def test_a_size_above_what_terminals_usually_take_is_to_be_verified(tmp_path: Path) -> None:
    """Up to 30 A terminals are seldom listed for more than 8 AWG or 10 mm2 (common practice)."""
    for rise_pct, size in ((0.8, None), (2.0, "4 AWG")):
        runs = [run("home run", 1, length_m=home_run_m(rise_pct), **WIRES), run("feeder", **WIRES)]
        verify = of(candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], runs), "home-run-size")[
            "verify_first"
        ]
        assert ("breaker's terminals take" in verify) == (size is not None)
        assert size is None or f"take {size}" in verify


def test_the_ground_of_a_feeder_counts_from_the_smallest_sufficient_conductor(tmp_path: Path) -> None:
    """NEC 250.122(B): not from the conductor in place, and never larger than the conductors (250.122(A))."""
    runs = [run("home run", 1, length_m=home_run_m(0.2), **WIRES),
            run("feeder", length_m=home_run_m(0.6), **WIRES)]  # fmt: skip
    done = of(candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], runs), "feeder-size")["done"]
    assert "Table 250.122 for its overcurrent device" in done and "smallest with sufficient ampacity" in done
    assert "never larger than the conductors" in done and "times its area" not in done
