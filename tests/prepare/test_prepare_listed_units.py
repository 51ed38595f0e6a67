"""Listed units that do not say how many they are settle nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from prepare_cases import circuit, judge, one, run, system


def unit(order: int, count: int | None) -> dict[str, Any]:
    """Return an entry of the circuit's list."""
    facts = {"inverter_model": "Unit 240", "inverter_count": count}
    return {"system_id": "S", "circuit_id": "1", "unit_order": order, **facts}


@pytest.mark.parametrize(
    ("stated", "counts", "settled", "verdict"),
    [
        (None, [8, 4], 12, "pass"),  # 12 units of 1 A on a 20 A breaker: 12 <= 0.8 * 20
        (None, [8, None], None, "unknown"),  # 8 alone would pass; how many there are is not known
        (12, [8, None], None, "unknown"),
        (8, [8, None], None, "unknown"),
        (None, [None], None, "unknown"),
        (12, [8, 5], None, "unknown"),
    ],
)
def test_an_entry_without_a_count_leaves_the_count_open(
    tmp_path: Path, stated: int | None, counts: list[int | None], settled: int | None, verdict: str
) -> None:
    units = [unit(order, count) for order, count in enumerate(counts, 1)]
    runs = [run("home run", 1, length_m=10.0), run("feeder", length_m=1.0)]
    found = one(judge(tmp_path, [system()], [circuit(inverter_count=stated)], runs, units))
    assert (found["inverter_count"], found["branch_unit_limit_verdict"]) == (settled, verdict)
