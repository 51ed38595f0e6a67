"""What differs between two runs' rules, and rules with some of it switched."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from small_portfolio import equipment, new_catalog

from auditor.compare.factors import rule_factors, switched
from auditor.compare.rules import Rules
from auditor.policy import Policy, load_policy


def policy_with(change: Any) -> Policy:
    figures = json.loads(load_policy().model_dump_json())
    change(figures)
    return Policy.model_validate_json(json.dumps(figures))


@pytest.fixture
def before(tmp_path: Path) -> Rules:
    return Rules(new_catalog(tmp_path / "before", equipment()), load_policy(), date(2026, 1, 31))


def test_each_changed_entry_figure_and_date_is_a_factor_and_the_name_of_a_policy_is_none(
    before: Rules, tmp_path: Path
) -> None:
    def change(figures: dict[str, Any]) -> None:
        figures["name"] = "other"
        figures["rise"]["target_pct"] = 1.5
        figures["rise"]["by_code"][0]["target_pct"] = 1.8
        figures["region"] = {"Vale": {"target_pct": 1.0}}
        figures["assume"]["power_factor"] = None
        figures["trips"]["band"] = [{"name": "any", "below": 400.0}]
        figures["terminal"]["top_pu"]["230"] = 1.06
        del figures["terminal"]["top_pu"]["480Y/277"]

    text = equipment(changed_a=1.2, trunk_times=1.4) + equipment_of_a_third()
    after = Rules(new_catalog(tmp_path / "after", text), policy_with(change), date(2026, 2, 28))
    found = rule_factors(before, after)
    assert {(f.name, f.detail) for f in found if f.kind != "trunk"} == {
        ("inverter Unit A", "current_a from {'240': '1.00'} to {'240': '1.20'}"),
        ("inverter Unit C", "came into the catalog"),
        ("policy rise.target_pct", "from 2.0 to 1.5"),
        ("policy rise.by_code[1].target_pct", "from 2.0 to 1.8"),
        ("policy region.Vale.target_pct", "from none to 1.0"),
        ("policy assume.power_factor", "from 1.0 to none"),
        ("policy trips.band", next(f.detail for f in found if f.name == "policy trips.band")),
        ("policy terminal.top_pu.230", "from 1.1 to 1.06"),
        ("policy terminal.top_pu.480Y/277", "from 1.05 to none"),
        ("as-of date", "from 2026-01-31 to 2026-02-28"),
    }
    assert [f.name for f in found if f.kind == "trunk"] == ["trunk cable Trunk A"]
    assert not rule_factors(before, replace(before, policy=policy_with(no_verdict_rests_on)))

    # All switched are the rules after, whatever the policy is called; what is switched is what differs no more.
    whole = switched(before, after, found)
    assert whole.catalog.frames()["inverter"].sort("model").equals(after.catalog.frames()["inverter"].sort("model"))
    assert not rule_factors(whole, after)
    assert not rule_factors(switched(before, after, ()), before)
    for chosen in combinations(found, 2):
        left = {(f.kind, f.key) for f in rule_factors(switched(before, after, chosen), after)}
        assert left == {(f.kind, f.key) for f in found} - {(f.kind, f.key) for f in chosen}
        back = {(f.kind, f.key) for f in rule_factors(before, switched(before, after, chosen))}
        assert back == {(f.kind, f.key) for f in chosen}


def no_verdict_rests_on(figures: dict[str, Any]) -> None:
    """Other words and another weighing of complaints: chances that add up to one together, and not one by one."""
    figures["name"] = "other"
    figures["supply"]["rests_on"] = "other"
    figures["triage"]["prior"]["design"] += 0.05
    figures["triage"]["prior"]["settings"] -= 0.05


def equipment_of_a_third() -> str:
    return (
        equipment()
        .split("[[trunk]]", maxsplit=1)[0]
        .replace("Unit A", "Unit C")
        .split("[[inverter]]")[1]
        .join(["\n[[inverter]]", ""])
    )


def test_revisions_of_a_model_are_one_factor_and_tables_are_whole(before: Rules, tmp_path: Path) -> None:
    later = new_catalog(tmp_path / "later", equipment(later_a=1.2))
    (factor,) = rule_factors(before, replace(before, catalog=later))
    assert (factor.kind, factor.name, factor.detail) == ("inverter", "inverter Unit A", "revision 2 came in")
    (factor,) = rule_factors(replace(before, catalog=later), before)
    assert factor.detail == "revision 2 is gone"
    warmer = tuple(row.model_copy(update={"ampacity_a": row.ampacity_a + 1}) for row in before.catalog.ampacity)
    (factor,) = rule_factors(before, replace(before, catalog=before.catalog.model_copy(update={"ampacity": warmer})))
    assert (factor.kind, factor.name) == ("table", "table of ampacity")
