"""Masks of facts: they are kept whole from a frame to a snapshot, also beyond the first word of 64 bits."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
from check_frames import CIRCUIT, schema

from auditor.checks import BY_NAME, facts
from auditor.checks.base import Check, Judgement, judge_frame
from auditor.checks.facts import FACTS, MASK, bits, mask, names
from auditor.policy import Policy, load_policy
from auditor.prepare import bits as row_bits
from auditor.results import ResultWriter

#: A bit in the second word, and the largest that can be stored: 2^125 has 38 decimal digits.
MORE = (70, 125)


@pytest.fixture
def many_facts(monkeypatch: pytest.MonkeyPatch) -> tuple[str, ...]:
    """As many facts as a mask has room for."""
    every = (*FACTS, *(f"fact_{number}" for number in range(len(FACTS), 126)))
    monkeypatch.setattr(facts, "FACTS", every)
    monkeypatch.setattr(row_bits, "FACTS", every)
    monkeypatch.setattr(facts, "BIT", {fact: 1 << number for number, fact in enumerate(every)})
    return every


def check_that_needs(*wanted: int, wide: bool) -> Check:
    """A check that rests on the facts of these numbers and passes where they are known."""

    def judge(_policy: Policy) -> Judgement:
        one = pl.lit(1.0)
        needs = pl.lit(sum(1 << number for number in wanted), MASK)
        return Judgement(value=one, limit=one, applies=pl.lit(True), needs=needs, wide=wide)

    template = BY_NAME["voltage-rise"]
    return Check(**{**{f: getattr(template, f) for f in template.__dataclass_fields__}, "judge": judge})


def judged(check: Check, missing: int) -> pl.DataFrame:
    """The check's columns for one circuit that misses these facts."""
    row = {**CIRCUIT, "missing_bits": missing}
    frame = judge_frame(pl.DataFrame([row], schema=schema("circuit"), strict=False), [check], load_policy())
    return frame.select("missing_bits", pl.col(f"^{check.column}_.*$"))


def test_the_declared_facts_fit_a_mask() -> None:
    assert len(set(FACTS)) == len(FACTS) <= 126
    assert names(mask(*FACTS)) == FACTS
    assert pl.select(bits(*FACTS)).item() == 2 ** len(FACTS) - 1


def test_flags_of_both_words_are_added_up(many_facts: tuple[str, ...]) -> None:
    frame = pl.DataFrame({"a": [True, False, None]})
    conditions = {"service": pl.col("a"), many_facts[70]: pl.col("a"), many_facts[125]: pl.col("a").not_()}
    found = frame.select(row_bits.flags(conditions)).to_series().to_list()
    assert found == [1 | 1 << 70, 1 << 125, 0]


@pytest.mark.parametrize("number", MORE)
def test_a_fact_beyond_the_first_word_decides_and_is_stored(tmp_path: Path, number: int) -> None:
    check = check_that_needs(0, number, wide=True)
    frame = judged(check, 1 << number)
    assert frame["voltage_rise_verdict"].to_list() == ["unknown"]
    with ResultWriter(tmp_path / "r.parquet") as writer:
        writer.add(frame)
    assert str(pq.read_schema(tmp_path / "r.parquet").field("voltage_rise_missing").type) == "decimal128(38, 0)"
    query = f"SELECT voltage_rise_missing::HUGEINT, missing_bits::HUGEINT FROM '{tmp_path}/r.parquet'"
    assert duckdb.sql(query).fetchall() == [(1 << number, 1 << number)]


def test_a_check_that_is_not_wide_stores_one_word_and_refuses_more() -> None:
    assert judged(check_that_needs(0, 63, wide=False), 1 << 63).schema["voltage_rise_missing"] == pl.UInt64
    with pytest.raises(pl.exceptions.InvalidOperationError, match="conversion"):
        judged(check_that_needs(0, 64, wide=False), 1 << 64)
