"""The small portfolio with its changes, judged before and after once."""

from __future__ import annotations

import pytest
from small_portfolio import equipment, new_catalog, new_store, row

from auditor.compare.recheck import recheck
from auditor.compare.rules import Rules
from auditor.store import Store

#: System, units, inverter and trunk cable. The change is a current of 1.2 times, and a resistance of 1.4 times; what
#: becomes of 1.33 % x n(n + 1)/2 / 136 against the target of 2 %:
#:
#:     n    sum   before   current alone   resistance alone   both
#:     16   136   1.330    1.596           1.862              2.234
#:     17   153   1.496    1.796           2.095              2.514
#:     18   171   1.672    2.007           2.341              2.809
#:     20   210   2.054    2.464           2.875              3.450
SYSTEMS = (
    ("together", 16, "Unit A", "Trunk A"),
    ("inverter", 18, "Unit A", "Trunk B"),
    ("trunk", 17, "Unit B", "Trunk A"),
    ("trunk alone", 17, "Unit A", "Trunk A"),
    ("each", 18, "Unit A", "Trunk A"),
    ("failing", 20, "Unit A", "Trunk A"),
    ("passing", 16, "Unit A", "Trunk B"),
    ("unchanged", 16, "Unit B", "Trunk B"),
    ("strange", 16, "Unit X", "Trunk A"),
)


@pytest.fixture(scope="session")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store whose run 2 is a re-check of run 1 under both changes; not to be changed."""
    folder = tmp_path_factory.mktemp("compare")
    rows = [row(*system) for system in SYSTEMS]
    rows.append(row("together", 12, circuit=2))  # 78 sections: 0.763 %, 1.282 % with both
    store = new_store(folder / "store", rows, equipment())
    after = new_catalog(folder / "after", equipment(changed_a=1.2, trunk_times=1.4))
    recheck(store, 1, lambda rules: Rules(after, rules.policy, rules.as_of), told="--catalog after")
    return store
