"""A re-check of a part judges as the whole does, holds the part alone, and is compared over the same systems."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from small_portfolio import equipment, new_catalog, new_store, row

from auditor.compare.comparison import compare
from auditor.compare.part import Part
from auditor.compare.recheck import recheck
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.reports.cases import sides
from auditor.store import Store
from auditor.store.snapshot import about, open_snapshot

#: Of Trunk A and Unit A, 18 units fail the target and the branch limit once the current is 1.2 times.
ROWS = (
    row("a1", 18, utility="Vale Power", designer="Ada"),
    row("a2", 16, utility="Vale Power", designer="Bo"),
    row("b1", 18, utility="O'Neil Power", designer="Ada"),
    row("b2", 20, utility="O'Neil Power", designer="Bo", region="Hills"),
)


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, Store, Path]:
    """All four systems; the two of one utility alone, as a portfolio of their own; a folder with other equipment."""
    folder = tmp_path_factory.mktemp("part")
    whole, own = (new_store(folder / name, rows, equipment()) for name, rows in (("whole", ROWS), ("own", ROWS[2:])))
    new_catalog(folder / "after", equipment(changed_a=1.2))
    return whole, own, folder / "after"


@pytest.fixture
def whole(stores: tuple[Store, Store, Path], tmp_path: Path) -> Store:
    return Store(Path(shutil.copytree(stores[0].root, tmp_path / "store")))


def ids(store: Store, part: Part) -> list[str]:
    with open_snapshot(store, 1) as con:
        return part.systems(con).to_list()


def test_a_part_is_chosen_as_other_commands_choose(stores: tuple[Store, Store, Path], tmp_path: Path) -> None:
    store = stores[0]
    assert ids(store, Part(utility=["O'Neil Power"])) == ["b1", "b2"]
    assert ids(store, Part(utility=["O'Neil Power", "Vale Power"], designer=["Bo"])) == ["a2", "b2"]
    assert ids(store, Part(check=["voltage-rise"])) == ["b2"]  # 20 units: 2.054 %
    assert ids(store, Part(region=["Hills"], system=["b2", "a1"])) == ["b2"]
    assert ids(store, Part(verdict=["fail"], designer=["Ada"])) == ["a1", "b1"]  # 18 A of 16 A
    lines, table = tmp_path / "ids.txt", tmp_path / "ids.csv"
    lines.write_text("b1\n\n a1 \nb1\n", "utf-8")
    table.write_text('site,system_id\n"one, two",a2\nx,b2\n', "utf-8")
    assert ids(store, Part(listed=lines)) == ["a1", "b1"]
    assert ids(store, Part(listed=table, designer=["Bo"])) == ["a2", "b2"]
    assert Part(utility=["Vale Power"], check=["busbar"], listed=table).words() == (
        "utility Vale Power; failing busbar; listed in ids.csv"
    )


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (Part(utility=["Vale Powr"]), r"--utility Vale Powr: no system of this run has it\. Did you mean Vale Power\?"),
        (Part(check=["voltage-ris"]), r"--check voltage-ris: the run has no such check\. Did you mean voltage-rise"),
        (Part(verdict=["failed"]), r"--verdict failed: say fail, unknown, pass\. Did you mean fail\?"),
        (Part(system=["a1", "z9", "z8"]), r"--system: this run holds no system z8, z9\."),
        (Part(listed=Path("nowhere.txt")), r"--systems nowhere\.txt: cannot be read: No such file"),
        (Part(utility=["Vale Power"], region=["Hills"]), "No system of this run fits: utility Vale Power; region"),
    ],
)  # fmt: skip
def test_what_no_run_holds_is_said(stores: tuple[Store, Store, Path], part: Part, said: str) -> None:
    with pytest.raises(AuditorError, match=said):
        ids(stores[0], part)


def test_its_hash_is_that_of_those_systems_by_themselves(whole: Store, stores: tuple[Store, Store, Path]) -> None:
    part = Part(utility=["O'Neil Power"])
    done = recheck(whole, 1, part=part)
    with open_snapshot(stores[1], 1) as own, open_snapshot(whole, done.number) as con:
        assert done.content_hash == about(own)["content_hash"], "as an audit of a portfolio that holds nothing else"
        told = about(con)
        assert (told["part"], told["systems"], told["circuits"]) == ("utility O'Neil Power", 2, 2)
        for name in ("system", "circuit", "run", "system_result", "shown"):
            found = con.execute(f"SELECT DISTINCT system_id FROM {name} ORDER BY 1").fetchall()
            assert found == [("b1",), ("b2",)], name
    # Nothing chosen is no part.
    plain = recheck(whole, 1, part=Part([], [], called="all of it"))
    with open_snapshot(whole, plain.number) as con:
        assert (about(con)["part"], about(con)["systems"]) == ("", 4)
    # A part of a part is one of both, and a repeat of a part says what it is.
    again = recheck(whole, done.number, part=Part(designer=["Bo"]))
    repeat = recheck(whole, done.number)
    with open_snapshot(whole, again.number) as con, open_snapshot(whole, repeat.number) as same:
        assert (about(con)["part"], about(con)["systems"]) == ("utility O'Neil Power; designer Bo", 1)
        assert (about(same)["part"], about(same)["content_hash"]) == ("utility O'Neil Power", done.content_hash)


def test_a_part_is_compared_over_its_own_systems(whole: Store, stores: tuple[Store, Store, Path]) -> None:
    after = new_catalog(stores[2], equipment(changed_a=1.2))

    def other(rules: Rules) -> Rules:
        return Rules(after, rules.policy, rules.as_of)

    some = recheck(whole, 1, other, part=Part(utility=["O'Neil Power"])).number
    every = recheck(whole, 1, other).number
    query = (
        "SELECT system_id, before, after, cause, margin_after_pct FROM changed"
        " WHERE \"check\" = 'voltage-rise' ORDER BY 1"
    )
    with compare(whole, 1, some) as con, compare(whole, 1, every) as full:
        rows = con.execute(query).fetchall()
        # 1.672 % x 1.2 = 2.007 %, and 2.054 % x 1.2 = 2.464 %, of 2 %.
        assert [row[:4] for row in rows] == [
            ("b1", "pass", "fail", "inverter Unit A"),
            ("b2", "fail", "fail", None),
        ]
        assert [row[4] for row in rows] == pytest.approx([-0.34, -23.2], abs=0.1)
        assert rows == [row for row in full.execute(query).fetchall() if row[0] in ("b1", "b2")]
        assert con.execute("SELECT count(*) FROM changed WHERE change IN ('came in', 'went')").fetchall() == [(0,)]
        assert con.execute("SELECT sum(count) FROM tally WHERE kind = 'system'").fetchall() == [(2,)]
        assert con.execute("SELECT part_before, part_after FROM compared").fetchall() == [("", "utility O'Neil Power")]
    # Both ways round, and two parts over what they share.
    with compare(whole, some, 1) as back:
        assert back.execute("SELECT count(*) FROM changed WHERE change IN ('came in', 'went')").fetchall() == [(0,)]
    bo = recheck(whole, 1, part=Part(designer=["Bo"])).number
    with compare(whole, bo, some) as con:
        assert con.execute("SELECT DISTINCT system_id FROM changed").fetchall() == [("b2",)]


def test_a_part_is_not_taken_for_the_run_by_design_dates(whole: Store) -> None:
    def by_design(rules: Rules) -> Rules:
        return Rules(rules.catalog, rules.policy.model_copy(update={"specs_of": "design date"}), rules.as_of)

    recheck(whole, 1, by_design, part=Part(designer=["Bo"]))
    assert sides(whole, 1).then is None
    every = recheck(whole, 1, by_design).number
    recheck(whole, 1, by_design, part=Part(designer=["Bo"]))
    assert sides(whole, 1).then == every
