"""What is said where hardly anything can be: few cases, one unit, no names, nothing known; and of misspelt names."""

from __future__ import annotations

import polars as pl
import pytest

from auditor.quality import compare, names, words

Case = tuple[str | None, bool | None]


def compared(rows: list[Case]) -> compare.Comparison:
    """The comparison of cases that are alike in all but their designer and whether they fail."""
    full = [(f"S{n}", who, None, "120/240", 20.0, 5.0, 12, 2020, failed) for n, (who, failed) in enumerate(rows)]
    return compare.compare(pl.DataFrame(full, schema=compare.CASES, orient="row"), "designer")


TOO_FEW = " 3 have too few cases to stand apart even if all failed."


@pytest.mark.parametrize(
    ("rows", "answer", "of_each"),
    [
        ([], "No case has a verdict: nothing can be said of designers.", ""),
        ([("Bo", None)] * 3, "No case has a verdict: nothing can be said of designers.", "every verdict is unknown"),
        ([("Bo", True)], "One case alone has a verdict: no evidence that designers differ.", "No evidence that"),
        ([("Bo", False), ("Ada", False)], "None of 2 fail: no evidence that designers differ.", "No evidence that it"),
        ([(None, True), (None, False)], "None of the designers is named in cases with a verdict: there is nothing to"
         " compare.", "The records name none for these"),
        ([("Bo", True), ("Bo", False)] * 9, "One of the designers alone is named in cases with a verdict: there is"
         " nothing to compare.", "No evidence that it differs: 9 of 18 fail, 9.0 expected."),
        ([("Bo", True), ("Ada", False), ("Cy", False)], "No evidence that designers differ: chance and case mix explain"
         f" what 3 of them show.{TOO_FEW}", "Too few cases to tell, whatever they show"),
    ],
)  # fmt: skip
def test_little_says_little(rows: list[Case], answer: str, of_each: str) -> None:
    found = compared(rows)
    assert words.answer(found, "designers") == answer
    for unit in found.units.iter_rows(named=True):
        assert of_each in words.said_of(unit, found)
        assert unit["evidence"] == compare.NONE


def test_work_of_nobody_named_is_nobodys() -> None:
    # Twenty of thirty cases without a designer fail, one of ten of anybody else's: told of nobody, and it makes nobody
    # better. Named, it stands apart.
    others = [(who, place == 0) for who in "ABCDEF" for place in range(10)]
    nobody = compared([*others, *((None, place < 20) for place in range(30))])
    (row,) = nobody.units.filter(pl.col("value").is_null()).iter_rows(named=True)
    assert (row["judged"], row["failed"], row["evidence"]) == (30, 20, compare.NONE)
    assert nobody.named == 6
    named = compared([*others, *(("G", place < 20) for place in range(30))])
    assert named.told_apart["value"].to_list() == ["G"]


def test_whether_so_few_cases_could_tell_at_all() -> None:
    # Half of all fail: five of five fail with a chance of 1/32, doubled 0.0625; six of six with 1/32.
    rows = [("five", place < 2) for place in range(5)] + [("six", place < 3) for place in range(6)]
    rows += [("many", place % 2 == 0) for place in range(201)]
    units = {row["value"]: row["enough"] for row in compared(rows).units.iter_rows(named=True)}
    assert units == {"many": True, "six": True, "five": False}


def test_cases_told_twice_tell_no_more() -> None:
    # Every system's verdict stands there twice: the design effect is two, and every interval and score is as before.
    rows = [(who, n < failing) for who, failing in (("Bo", 12), ("Ada", 3), ("Cy", 5)) for n in range(20)]
    once = compared(rows)
    twice = compare.compare(pl.concat([once.cases.drop("chance")] * 2), "designer")
    assert (once.alike, twice.alike) == (1.0, pytest.approx(2.0, rel=1e-3))
    same = ("share_low", "share_high", "ratio_low", "ratio_high", "shrunken", "shrunken_low", "shrunken_high")
    for name in same:
        assert twice.units[name].to_list() == pytest.approx(once.units[name].to_list(), rel=2e-3), name
    # By hand: Bo fails in 12, and 20 of 60 do, so 20/3 are expected; Garwood's interval of 12 is 6.2006 to 20.9616.
    (bo,) = twice.units.filter(pl.col("value") == "Bo").iter_rows(named=True)
    assert (bo["ratio_low"], bo["ratio_high"]) == pytest.approx((6.2006 * 3 / 20, 20.9616 * 3 / 20), rel=2e-3)


def test_names_that_may_be_one() -> None:
    pairs = [
        ("Corvane", "corvane"), ("Corvane", "Corvan"), ("Corvane", "Corvnae"), ("Ines Ödell", "Odell, Ines"),
        ("Team North", "Team Nroth"),
    ]  # fmt: skip
    for pair in pairs:
        assert names.alike(pair) == [pair], pair
    apart = [
        ("Crew 1", "Crew 2"), ("Crew 11", "Crew 12"), ("Bo", "Bob"), ("Maren", "Karina"), ("Team A", "Team B"),
        ("A12345", "B12345"), ("Corvane", "Corvane Hestrel"), ("Hestrel", "Harstel"),
    ]  # fmt: skip
    for pair in apart:
        assert names.alike(pair) == [], pair
    assert names.alike([]) == []
    # In the order in which they come, each pair once.
    assert names.alike(["Keldis", "Lunave", "keldis", "Keldiss"]) == [
        ("Keldis", "keldis"), ("Keldis", "Keldiss"), ("keldis", "Keldiss"),
    ]  # fmt: skip


def test_nobody_is_excused_by_what_is_judged() -> None:
    # Ada puts twenty on a branch, of which most are too many, the others ten; a limit of units is what is judged.
    units, failing = {"Ada": 20}, {"Ada": 30}
    rows = [(f"{who}{n}", who, None, "120/240", 20.0, 5.0, units.get(who, 10), 2020, n < failing.get(who, 4))
            for who in ("Ada", "Bo", "Cy", "Di") for n in range(40)]  # fmt: skip
    cases = pl.DataFrame(rows, schema=compare.CASES, orient="row")
    assert compare.compare(cases, "designer").told_apart.height == 0
    found = compare.compare(cases, "designer", ("units",))
    assert found.told_apart.filter(pl.col("evidence") == compare.MORE)["value"].to_list() == ["Ada"]
    assert words.method(found).endswith("Not adjusted for units per branch, which is what is judged.")
    assert "units per branch" not in words.method(found).partition(".")[0].partition("(")[0]
