"""Changed sheets in the sample portfolio flip the circuits that the records say, each for its cause, and no other."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from small_portfolio import new_catalog

from auditor.compare.comparison import compare
from auditor.compare.recheck import recheck
from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

#: The sheets as they are, and as they are changed: at most 11 U290 instead of 13 on a 20 A breaker, and 12 A instead of
#: 20 A through the cable TC-2.
LIMIT = '{ service = "120/240", wiring = "single", breaker_a = 20, units = 13 }'
CABLE = 'model = "Larkfield TC-2"'
#: Rated currents [A] on two conductors, by model and service; the later sheet of the U240.
CURRENT_A = {
    ("Larkfield U215", "120/240"): 0.90, ("Larkfield U215", "208Y/120"): 1.03,
    ("Larkfield U240", "120/240"): 1.04, ("Larkfield U240", "208Y/120"): 1.20,
    ("Larkfield U290", "120/240"): 1.21, ("Larkfield U290", "208Y/120"): 1.39,
    ("Larkfield U380", "120/240"): 1.58, ("Larkfield U380", "208Y/120"): 1.83, ("Merrow N300", "480Y/277"): 1.08,
}  # fmt: skip


def longest_arm(units: int, feed: str, arm_counts: str | None) -> int:
    if feed == "arms":
        return max(int(arm) for arm in str(arm_counts).split("+"))
    return units if feed == "end" else -(-units // 2)


def test_two_changed_sheets_flip_what_the_records_say(
    sample_store: tuple[Store, dict[str, Imported]], tmp_path: Path
) -> None:
    store = Store(Path(shutil.copytree(sample_store[0].root, tmp_path / "store")))
    text = (store.catalog / "equipment.toml").read_text("utf-8")
    at = text.index('model = "Larkfield U290"')
    assert LIMIT in text[at : at + 900]
    text = text[:at] + text[at:].replace(LIMIT, LIMIT.replace("13", "11"), 1)
    at = text.index(CABLE)
    assert "rated_a = 20.0" in text[at : at + 1200], "its second sheet"
    text = text[:at] + text[at:].replace("rated_a = 20.0", "rated_a = 12.0", 1)
    catalog = new_catalog(tmp_path / "catalog", text)
    after = recheck(store, 1, lambda rules: replace(rules, catalog=catalog)).number

    with open_snapshot(store, 1) as con:
        rows = con.execute(
            "SELECT c.system_id, c.circuit_id, coalesce(c.inverter_model, u.model),"
            " coalesce(c.inverter_count, u.units), c.feed, c.arm_counts, c.breaker_a, s.service, c.trunk_model"
            " FROM circuit c JOIN system s USING (system_id)"
            " LEFT JOIN (SELECT system_id, circuit_id, any_value(inverter_model) AS model, sum(inverter_count) AS units"
            "   FROM unit GROUP BY ALL) u USING (system_id, circuit_id)"
            " WHERE coalesce(c.inverter_count, u.units) IS NOT NULL"
        ).fetchall()
    too_many, too_much = set(), set()
    for system, circuit, model, units, feed, arms, breaker_a, service, trunk in rows:
        if (model, units, breaker_a, service) in {("Larkfield U290", n, 20, "120/240") for n in (12, 13)}:
            too_many.add((system, circuit))
        if trunk == "Larkfield TC-2" and (model, service) in CURRENT_A and feed is not None:
            arm = longest_arm(units, feed, arms)
            # A limit is passed only beyond half the last printed digit of each unit's current.
            if 12 < arm * (CURRENT_A[model, service] - 0.005) <= 20:
                too_much.add((system, circuit))
    assert len(too_many) > 20
    assert len(too_much) > 20
    assert {system for system, _ in too_many} & {system for system, _ in too_much}

    with compare(store, 1, after) as con:
        found = con.execute(
            'SELECT "check", system_id, circuit_id, change, cause FROM changed'
            " WHERE kind = 'check' AND circuit_id IS NOT NULL AND before <> after"
        ).fetchall()
        told = {system for (system,) in con.execute("SELECT system_id FROM notice").fetchall()}
    assert {(change, cause) for _, _, _, change, cause in found} == {
        ("pass to fail", "inverter Larkfield U290"),
        ("pass to fail", "trunk cable Larkfield TC-2"),
    }
    assert {(s, c) for check, s, c, *_ in found if check == "branch-unit-limit"} == too_many
    assert {(s, c) for check, s, c, *_ in found if check == "trunk-current"} == too_much
    assert len(found) == len(too_many) + len(too_much)
    assert told == {system for system, _ in too_many | too_much}
