"""Causes: against every truth table of three factors, judged by trying every set."""

from __future__ import annotations

from itertools import chain, combinations

import polars as pl
import pytest

from auditor.compare import causes
from auditor.compare.causes import NOTHING, OTHER_VERSION, PROGRAM, TOO_MANY, Trial, Versions, find_causes

NAMES = ("red", "green", "blue")
SETS = [frozenset(s) for s in chain.from_iterable(combinations(range(3), n) for n in range(4))]
#: Every table in which nothing switched passes and everything switched fails: what the six sets between do is free.
TABLES = {f"S{number:02d}": {s: bool(number >> n & 1) for n, s in enumerate(SETS[1:-1])} for number in range(64)}


def rows_of(systems: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "row": range(len(systems)),
            "kind": "check",
            "check": "voltage-rise",
            "system_id": systems,
            "circuit_id": None,
            "before": "pass",
            "after": "fail",
        },
        schema_overrides={"row": pl.Int64, "circuit_id": pl.String},
    )


def uses_of(systems: list[str], factors: tuple[int, ...]) -> pl.DataFrame:
    pairs = [(system, factor) for system in systems for factor in factors]
    return pl.DataFrame(pairs, schema={"system_id": pl.String, "factor": pl.Int64}, orient="row")


def trial_of(tables: dict[str, dict[frozenset[int], bool]], calls: list[frozenset[int]], end: bool = True) -> Trial:
    def trial(chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        calls.append(chosen)
        systems = wanted["system_id"].to_list()
        fails = [(tables[s] | {SETS[0]: False, SETS[-1]: end})[chosen] for s in systems]
        frame = rows_of(systems).select("kind", "check", "system_id", "circuit_id")
        return frame.with_columns(pl.Series("verdict", ["fail" if f else "pass" for f in fails]))

    return trial


def told(rows: pl.DataFrame, found: pl.DataFrame) -> dict[str, str]:
    assert sorted(found["row"].to_list()) == rows["row"].to_list(), "one cause a row"
    return dict(rows.join(found, on="row").select("system_id", "cause").iter_rows())


def by_trying_all(table: dict[frozenset[int], bool]) -> str:
    """The smallest sets that fail, in words."""
    whole = table | {SETS[-1]: True}
    size = min(len(s) for s, fails in whole.items() if fails)
    sets = ["; ".join(NAMES[n] for n in sorted(s)) for s in SETS[1:] if len(s) == size and whole[s]]
    if size > 1:
        return "only together: " + ", or ".join(sets)
    return sets[0] if len(sets) == 1 else "each by itself: " + "; ".join(sets)


def needs_all_that_are_needed(table: dict[frozenset[int], bool]) -> bool:
    """Whether what is needed among all is in the smallest sets: so it is where more never makes a verdict better."""
    return all(not table[a] or table[b] for a in table for b in table if a < b)


def test_every_table_in_which_more_is_never_better() -> None:
    tables = {name: table for name, table in TABLES.items() if needs_all_that_are_needed(table)}
    assert len(tables) == 18  # monotone functions of three variables (Dedekind's number 20) less the two constant ones
    systems = sorted(tables)
    rows, calls = rows_of(systems), list[frozenset[int]]()
    found = find_causes(rows, uses_of(systems, (0, 1, 2)), NAMES, trial_of(tables, calls))
    assert told(rows, found) == {name: by_trying_all(table) for name, table in tables.items()}
    # Each factor alone, all but each, the pairs that are needed, and pairs otherwise: for all systems at once.
    assert len(calls) == 3 + 3 + 3 + 3


def test_a_factor_alone_is_found_in_every_table() -> None:
    systems = sorted(TABLES)
    rows = rows_of(systems)
    found = told(rows, find_causes(rows, uses_of(systems, (0, 1, 2)), NAMES, trial_of(TABLES, [])))
    for name, table in TABLES.items():
        alone = [NAMES[n] for n in range(3) if table[frozenset({n})]]
        if alone:
            assert found[name] == (alone[0] if len(alone) == 1 else "each by itself: " + "; ".join(alone))
        else:
            assert found[name].startswith("only together: ")


def test_one_factor_needs_no_trial_and_two_no_more_than_each_alone() -> None:
    tables = {"one": TABLES["S00"], "two": {**TABLES["S00"], frozenset({0, 2}): True}}
    rows, calls = rows_of(["none", "one", "two"]), list[frozenset[int]]()
    uses = pl.concat([uses_of(["one"], (1,)), uses_of(["two"], (0, 2))])
    found = told(rows, find_causes(rows, uses, NAMES, trial_of(tables, calls)))
    assert found == {"none": NOTHING, "one": "green", "two": "only together: red; blue"}
    assert calls == [frozenset({0}), frozenset({2})]


def test_only_factors_that_a_system_uses_are_named() -> None:
    # Any two of the three that a system uses break its limit; the fourth is another system's.
    names = (*NAMES, "grey")
    own = {"left": frozenset({0, 1, 2}), "right": frozenset({1, 2, 3})}

    def two_of_three(chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        systems = wanted["system_id"].to_list()
        frame = rows_of(systems).select("kind", "check", "system_id", "circuit_id")
        return frame.with_columns(
            pl.Series("verdict", ["fail" if len(chosen & own[s]) >= 2 else "pass" for s in systems])
        )

    rows = rows_of(sorted(own))
    uses = pl.concat([uses_of([system], tuple(sorted(factors))) for system, factors in own.items()])
    assert told(rows, find_causes(rows, uses, names, two_of_three)) == {
        "left": "only together: red; green, or red; blue, or green; blue",
        "right": "only together: green; blue, or green; grey, or blue; grey",
    }


def test_too_many_combinations_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(causes, "MOST_TRIALS", 6)
    # Red is needed, and beside it green or blue.
    table = {s: s in (frozenset({0, 1}), frozenset({0, 2})) for s in SETS[1:-1]}
    rows = rows_of(["S"])
    search = (rows, uses_of(["S"], (0, 1, 2)), NAMES)
    assert told(rows, find_causes(*search, trial_of({"S": table}, []))) == {"S": TOO_MANY}
    monkeypatch.setattr(causes, "MOST_TRIALS", 200)
    assert told(rows, find_causes(*search, trial_of({"S": table}, []))) == {
        "S": "only together: red; green, or red; blue"
    }


def test_another_version_of_the_program_is_a_cause_or_makes_causes_unknown() -> None:
    rows, uses = rows_of(["S"]), uses_of(["S"], (0, 1))
    table = {s: 0 in s for s in SETS[1:-1]}
    other = Versions(alike=False, before_is_now=False, after_is_now=True)
    nothing = rows.with_columns(pl.lit("zero").alias("system_id"))
    assert told(nothing, find_causes(nothing, uses, NAMES, trial_of({}, []), other)) == {"zero": PROGRAM}
    # The run before is repeated as it was: what the factors do can be told.
    assert told(rows, find_causes(rows, uses, NAMES, trial_of({"S": table}, []), other)) == {"S": "red"}

    def fails_already(chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        return trial_of({"S": table}, [])(SETS[-1], wanted)

    def unknown(chosen: frozenset[int], wanted: pl.DataFrame) -> pl.DataFrame:
        return fails_already(chosen, wanted).with_columns(pl.lit("unknown").alias("verdict"))

    assert told(rows, find_causes(rows, uses, NAMES, fails_already, other)) == {"S": PROGRAM}
    assert told(rows, find_causes(rows, uses, NAMES, unknown, other)) == {"S": OTHER_VERSION}
    # Both of one version, which is not the one that runs: what needs a trial is not trusted unless it repeats.
    old = Versions(alike=True, before_is_now=False, after_is_now=False)
    passes = trial_of({"S": table}, [], end=False)
    assert told(rows, find_causes(rows, uses, NAMES, passes, old)) == {"S": OTHER_VERSION}
    assert told(rows, find_causes(rows, uses_of(["S"], (1,)), NAMES, passes, old)) == {"S": "green"}
    fine = {**table, frozenset({0, 1}): True}
    assert told(rows, find_causes(rows, uses, NAMES, trial_of({"S": fine}, []), old)) == {"S": "red"}
