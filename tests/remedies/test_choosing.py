"""Which candidate is chosen, and where a branch is fed best, against loops that try everything."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from auditor.remedies.choosing import with_choice
from auditor.remedies.feed_point import moments


def chosen(rows: list[tuple[bool, int, float | None, int]]) -> list[tuple[str | None, int | None]]:
    """The choice and ties of candidates (helps, fails_left, cost, effort_rank) of one system."""
    names = {"helps": pl.Boolean, "fails_left": pl.Int64, "cost": pl.Float64, "effort_rank": pl.Int64}
    table = pl.DataFrame(rows, schema=names, orient="row").with_columns(system_id=pl.lit("S"))
    return with_choice(table).select("choice", "ties").rows()


NOT = (None, None)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        # What leaves fewer checks failing comes before what costs less.
        ([(True, 1, 10.0, 1), (True, 0, 99.0, 9)], [NOT, ("least cost", 1)]),
        ([(True, 0, 50.0, 1), (True, 0, 40.0, 9)], [NOT, ("least cost", 1)]),
        # Without a price for any that counts, the effort decides; what does not help never does.
        ([(True, 0, None, 3), (True, 0, None, 2), (True, 1, 5.0, 1)], [NOT, ("least effort", 1), NOT]),
        ([(False, 0, 1.0, 1), (True, 1, 7.0, 3)], [NOT, ("least cost", 1)]),
        ([(False, 0, 1.0, 1)], [NOT]),
        # Equal ones are all marked, a rounding apart or not.
        ([(True, 0, 0.1 + 0.2, 3), (True, 0, 0.3, 2), (True, 0, 0.4, 1)], [("least cost", 2), ("least cost", 2), NOT]),
    ],
)
def test_the_choice(rows, expected):
    assert chosen(rows) == expected


@pytest.mark.parametrize("seed", range(8))
def test_moments_by_walking_the_cable(seed):
    """The larger of both arms' sums of section length times current at or beyond, section by section.

    Without a list of units each counts as one.
    """
    rng = np.random.default_rng(seed)
    n, s, f = int(rng.integers(2, 12)), float(rng.uniform(0.5, 3)), float(rng.uniform(0, 4))
    extra = {int(a): float(rng.integers(1, 20)) for a in rng.integers(0, n, 3)}
    circuit = pl.DataFrame(
        {"system_id": ["S"], "circuit_id": ["1"], "extra_trunk": [" + ".join(f"{a}@{m:g}" for a, m in extra.items())],
         "n": [n], "s": [s], "f": [f]}
    )  # fmt: skip
    own = rng.uniform(0.5, 2.0, n) if seed % 2 else np.ones(n)
    listed = pl.DataFrame({"system_id": "S", "circuit_id": "1", "place": np.arange(n), "unit_current_a": own})
    circuit = circuit.with_columns(units_listed=pl.lit(bool(seed % 2)))
    found = dict(moments(circuit, listed if seed % 2 else listed.clear()).select("k", "moment").rows())
    for k in range(n):
        # Units count from 1 along the cable; section a lies between units a and a + 1, section 0 before the first.
        left = sum((f if u == k else s) * own[:u].sum() + (extra.get(u, 0.0) * own[:u].sum() if u < k else 0.0)
                   for u in range(1, k + 1))  # fmt: skip
        right = sum((f if u == k else s) * own[u:].sum() + extra.get(u, 0.0) * own[u:].sum() for u in range(k, n))
        assert found[k] == pytest.approx(max(left, right))
