"""Rules that every check keeps."""

from __future__ import annotations

import math
import re
import string
from typing import Any

import polars as pl
import pytest
from check_frames import APPLIES, GOOD, judge, policy_for, schema

from auditor.checks import BY_NAME, CHECKS, Check
from auditor.checks.base import judge_frame
from auditor.checks.facts import BIT, FACTS, mask
from auditor.policy import load_policy

SECTIONS = ("What", "Why", "Formula", "Reference", "Causes", "What mends it", "Versions")
NAMES = [
    "branch-unit-limit",
    "breaker-size",
    "trunk-current",
    "home-run-ampacity",
    "feeder-ampacity",
    "current-coordination",
    "voltage-rise",
    "part-rise",
    "terminal-voltage",
    "busbar",
    "phase-imbalance",
    "module-cold-voltage",
    "module-input-window",
    "module-input-current",
    "power-ratio",
]

#: Columns that a check reads but that the good row's verdict does not rest on, with the reason.
NOT_NEEDED: dict[str, set[str]] = {
    # Either limit is enough under the NEC; whatever they were looked up with is not read again.
    "branch-unit-limit": {
        "code_family",
        "computed_unit_limit",
        "stated_unit_limit",
        "line_current_a",
        "line_current_tolerance_a",
        "wiring",
        "missing_bits",
        "breaker_a",
        "trunk_max_breaker_a",  # null: no smaller maximum is known; breaker-size asks for it
        "home_run_small_conductor_breaker_a",
    },
    # The unit limit only decides whether a small breaker is reported twice; a null 240.4(D) maximum is no limit,
    # and a known one says the size.
    "breaker-size": {
        "computed_unit_limit",
        "stated_unit_limit",
        "inverter_count",
        "mixed_units",
        "wiring",
        "missing_bits",
        "line_current_tolerance_a",
        "home_run_length_m",
        "home_run_material",
        "home_run_size",
        "home_run_small_conductor_breaker_a",
    },
    # Sixteen amperes fit in one arm, so the arms do not matter; the arm's current is enough without the circuit's.
    "trunk-current": {"line_current_a", "trunk_largest_arm_a", "line_current_tolerance_a"},
    # Terminals at 60 °C and wire at 90 °C: the other columns are not read; the run passes with 60 °C wire, too.
    "home-run-ampacity": {
        "roof_clearance_mm",  # null: not above a roof
        "ambient_factor_60",
        "ambient_factor_75",
        "home_run_ampacity_75_a",
        "home_run_terminal_rating_c",
        "home_run_length_m",
        "home_run_small_conductor_breaker_a",
        "line_current_tolerance_a",
        "trunk_max_breaker_a",
        "home_run_conductor_rating_c",
        "assumed_bits",
    },
    "feeder-ampacity": {
        "roof_clearance_mm",  # null: not above a roof
        "ambient_factor_60",
        "ambient_factor_75",
        "feeder_ampacity_75_a",
        "feeder_terminal_rating_c",
        "feeder_length_m",
        "feeder_rated_a",  # read under the IEC family
        "assumed_bits",
    },
    # The service says as much as the code.
    "current-coordination": {"code_family", "service", "home_run_length_m", "line_current_tolerance_a"},
    "voltage-rise": {"home_run_fails_at_m", "home_run_length_m", "known_rise_pct", "rise_only_adds"},
    # Other breakers only matter where 120 % fails; the edition only where current and breakers disagree.
    "busbar": {"busbar_breakers_a", "solar_breakers_a", "solar_breakers_high_a", "code_edition"},
    # Without a stated range the policy's ratio counts.
    "power-ratio": {"module_min_w", "module_max_w"},
}


def columns_read(check: Check) -> set[str]:
    judgement = check.judge(policy_for(check.name))
    parts = [judgement.value, judgement.limit, judgement.applies, judgement.needs, judgement.surely_fails]
    parts += [expr for step in judgement.steps for expr in step.values()]
    named = {name for step in judgement.steps for name in step}
    return {name for part in parts if part is not None for name in part.meta.root_names()} - named


def needs_of(check: Check, row: dict[str, Any]) -> int:
    judgement = check.judge(policy_for(check.name))
    frame = pl.DataFrame([row], schema=schema(check.level), strict=False)
    for step in judgement.steps:
        frame = frame.with_columns(**step)
    return int(frame.select(judgement.needs.alias("needs"))["needs"][0])


def placeholders(text: str) -> set[str]:
    return {field for _, field, _, _ in string.Formatter().parse(text) if field is not None}


def results(check: Check, frame: pl.DataFrame) -> set[str]:
    return set(judge_frame(frame, [check], policy_for(check.name))[f"{check.column}_verdict"].to_list())


def test_the_registry_holds_the_named_checks_once() -> None:
    assert [check.name for check in CHECKS] == NAMES
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", name) for name in NAMES)
    assert list(BY_NAME) == NAMES


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
class TestEveryCheck:
    def test_is_documented_in_all_sections_in_order(self, check: Check) -> None:
        lines = check.documentation.splitlines()
        found = [line for line in lines[1:] if line and not line.startswith(" ")]
        assert tuple(found) == SECTIONS
        assert lines[0].endswith(".")
        assert f"    {check.version}: " in check.documentation.split("Versions\n")[1]
        for section, following in zip(found, [*found[1:], None], strict=True):
            body = check.documentation.split(f"\n{section}\n")[1]
            body = body if following is None else body.split(f"\n{following}\n")[0]
            assert body.startswith("    ") and body.strip(), section

    def test_sentences_use_only_placeholders_that_can_be_filled(self, check: Check) -> None:
        assert placeholders(check.passes) <= {"value", "limit"}
        assert placeholders(check.fails) == {"value", "limit"}
        assert placeholders(check.unknown) == {"missing"}
        assert placeholders(check.beyond) == ({"fails_at"} if check.beyond else set())
        for sentence in (check.passes, check.fails, check.unknown):
            assert re.match(r"[A-Z{]", sentence) and sentence.endswith(".")

    def test_has_a_fact_and_a_sentence_for_where_it_fails_or_neither(self, check: Check) -> None:
        has = check.judge(policy_for(check.name)).fails_at is not None
        assert has == bool(check.fails_at_fact) == bool(check.beyond)
        assert not check.fails_at_fact or check.fails_at_fact in BIT

    def test_needs_only_declared_facts(self, check: Check) -> None:
        assert needs_of(check, GOOD[check.level]) & ~mask(*FACTS) == 0

    def test_reads_only_columns_of_its_frame(self, check: Check) -> None:
        assert columns_read(check) <= set(schema(check.level))

    def test_nothing_known_never_passes_nor_fails(self, check: Check) -> None:
        frame = pl.DataFrame([dict.fromkeys(schema(check.level))], schema=schema(check.level))
        assert results(check, frame) <= {"unknown", "not applicable"}

    def test_no_number_known_never_passes_nor_fails(self, check: Check) -> None:
        row = {**GOOD[check.level], **APPLIES.get(check.name, {})}
        types = schema(check.level)
        nan = {name: math.nan for name, kind in types.items() if kind == pl.Float64}
        null = {name: None for name, kind in types.items() if kind == pl.Int64}
        for change in (nan, {**nan, **null}, {**dict.fromkeys(nan), **null}):
            frame = pl.DataFrame([{**row, **change}], schema=types, strict=False)
            # A count and a stated limit are whole numbers; they can pass on their own.
            if check.name == "branch-unit-limit" and change is nan:
                continue
            assert results(check, frame) == {"unknown"}

    @pytest.mark.parametrize("poison", [None, math.nan], ids=["null", "nan"])
    def test_each_column_it_needs_turns_a_pass_into_unknown(self, check: Check, poison: float | None) -> None:
        assert judge(check.name, {})[0]["verdict"] == "pass"
        for column in sorted(columns_read(check)):
            kind = schema(check.level)[column]
            if poison is not None and kind != pl.Float64:
                continue
            verdict = judge(check.name, {column: poison})[0]["verdict"]
            allowed = {"unknown", "pass"} if column in NOT_NEEDED.get(check.name, set()) else {"unknown"}
            assert verdict in allowed, (column, verdict)

    def test_nothing_passes_where_it_is_not_known_what_is_missing(self, check: Check) -> None:
        assert judge(check.name, {"missing_bits": None})[0]["verdict"] == "unknown"

    def test_a_missing_fact_it_needs_makes_it_unknown(self, check: Check) -> None:
        row: dict[str, Any] = {**GOOD[check.level], **APPLIES.get(check.name, {})}
        needs = needs_of(check, row)
        wanted = [fact for fact in FACTS if needs & BIT[fact]]
        assert wanted
        for fact in wanted:
            result = judge(check.name, {"missing_bits": mask(fact)})[0]
            assert (result["verdict"], result["missing"]) == ("unknown", mask(fact)), fact
            assert judge(check.name, {"assumed_bits": mask(fact)})[0]["assumed"] == mask(fact), fact


def test_facts_fit_their_bits() -> None:
    assert len(FACTS) == len(set(FACTS)) <= 64


def test_checks_without_a_limit_in_the_policy_do_not_apply() -> None:
    assert judge("part-rise", {}, policy=load_policy())[0]["verdict"] == "not applicable"
    bare = load_policy().model_copy(update={"imbalance": ()})
    assert judge("phase-imbalance", {}, policy=bare)[0]["verdict"] == "not applicable"
