"""Single figures altered: what is named is altered and nothing else is; what is wrong is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from small_portfolio import AS_OF, equipment, new_catalog

from auditor.compare.altering import Setting, altered, figures, names, setting_of
from auditor.compare.factors import rule_factors
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.policy import load_policy


@pytest.fixture(scope="module")
def rules(tmp_path_factory: pytest.TempPathFactory) -> Rules:
    folder: Path = tmp_path_factory.mktemp("altering") / "catalog"
    return Rules(new_catalog(folder, equipment(later_a=1.2)), load_policy(), AS_OF)


def differing(rules: Rules, *texts: str) -> dict[str, str]:
    other = altered(rules, [setting_of(text) for text in texts])
    return {factor.name: factor.detail for factor in rule_factors(rules, other)}


def test_a_figure_is_altered_and_nothing_else(rules: Rules) -> None:
    assert differing(rules, "policy: rise.target_pct = 1.5") == {"policy rise.target_pct": "from 2.0 to 1.5"}
    assert differing(rules, "trunk: Trunk A: rated_a = 16", "policy:assume.ambient_c=40") == {
        "trunk cable Trunk A": "rated_a from 40.0 to 16.0",
        "policy assume.ambient_c": "from none to 40.0",
    }
    # In the sheet of 2020 and not in that of 2010, however its name is spelt; digits stay as they are written.
    assert differing(rules, "inverter: unit  a: current_a.240 = 1.50") == {
        "inverter Unit A": "current_a from {'240': '1.20'} to {'240': '1.50'}"
    }
    (old,) = differing(replace(rules, as_of=date(2019, 12, 31)), "inverter: Unit A: current_a.240 = 1.50").values()
    assert old == "current_a from {'240': '1.00'} to {'240': '1.50'}"
    assert differing(rules, "policy: terminal.top_pu.208Y/120 = 1.06") == {
        "policy terminal.top_pu.208Y/120": "from 1.05 to 1.06"
    }
    assert differing(rules, "trunk: Trunk A: max_breaker_a = ") == {
        "trunk cable Trunk A": "max_breaker_a from 40.0 to none"
    }
    profile = names(rules, "grid_profile")[0]
    (told,) = differing(rules, f"grid_profile: {profile}: thresholds.1.clearing_s = 1.9").values()
    assert "thresholds from" in told


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rise.target_pct", "--set rise.target_pct: cannot be read. Write it like 'trunk: Example TC"),
        ("cable: Trunk A: rated_a = 1", "cable is no kind of spec"),
        ("trunk: Trunk: rated_a = 1", "trunk Trunk: the run's catalog holds none of that name. Did you mean Trunk"),
        ("trunk: Trunk A: rated = 1", "rated: there is no such entry. Did you mean rated_a"),
        ("trunk: Trunk A: revision = 2", "revision is no figure that can be altered"),
        ("trunk: Trunk A: model = Other", "model is no figure that can be altered"),
        ("trunk: Trunk A: section_length_m = 2", "section_length_m is no figure that can be altered"),
        ("trunk: Trunk A: rated_a = -3", "rated_a = -3.0: must be a number above 0."),
        ("trunk: Trunk A: rated_a = many", 'rated_a = "many": must be a number above 0.'),
        ("policy: rise.target_pct = 30", "[rise] target_pct = 30.0: must be a number above 0, up to 20."),
        ("policy: rise.target_pct = ", "[rise] target_pct = None: must be a number above 0, up to 20."),
        ("policy: transformer.9.r_pct = 1", "transformer.9.r_pct: 9 is none of its"),
        ("policy: triage.sure_from = 0.9", "triage.sure_from is no figure that can be altered"),
        ("policy: rise.target_pct.x = 1", "rise.target_pct.x: there is no such entry."),
    ],
)
def test_what_is_wrong_is_said(rules: Rules, text: str, said: str) -> None:
    with pytest.raises(AuditorError) as refused:
        altered(rules, [setting_of(text)])
    assert said in str(refused.value)


def test_every_figure_that_is_offered_can_be_altered_to_what_it_is(rules: Rules) -> None:
    for kind in ("inverter", "trunk", "grid_profile", "policy"):
        for name in names(rules, kind)[:2]:
            offered = figures(rules, kind, name)
            assert len({figure.path for figure in offered}) == len(offered) > 0
            same = [Setting(kind, name, f.path, "" if f.value is None else str(f.value)) for f in offered]
            assert not rule_factors(rules, altered(rules, same)), (kind, name)
    held = {figure.path: figure for figure in figures(rules, "trunk", "Trunk A")}
    assert held["rated_a"].about == "Listed current [A]"
    assert held["rated_a"].value == 40.0
    assert {figure.path: figure.value for figure in figures(rules, "inverter", "Unit A")}["current_a.240"] == "1.20"
