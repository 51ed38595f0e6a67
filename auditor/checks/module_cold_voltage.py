"""Module open-circuit voltage on the coldest morning against the inverter's maximum input.

What
    Computes the open-circuit voltage of the module at the lowest expected ambient temperature and compares it with the
    inverter's absolute maximum input voltage.

Why
    A module's voltage rises in the cold. Above its maximum the input is damaged, and the warranty with it.

Formula
    Voc (1 + beta / 100 (T_low - 25)) <= maximum input voltage, beta in %/°C (negative), one module on an input.

Reference
    NEC 690.7(A)(1), the maker's coefficient with the lowest expected ambient; IEC 62548 by the same method (from
    memory). Example: 49.5 V, -0.27 %/°C, -10 °C gives 54.18 V.

Causes
    A module of more cells than the inverter was made for; a site colder than the designer's default.

What mends it
    A module of fewer cells, or an inverter with a higher input voltage.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import needed, number
from auditor.policy import Policy

#: Cell temperature of standard test conditions [°C].
STANDARD_C = 25.0


def judge(_policy: Policy) -> Judgement:
    """The cold voltage by the linear method; the policy has no say in it."""
    voc, per_c, low = number("module_voc_v"), number("module_voc_pct_per_c"), number("low_design_temp_c")
    limit = number("max_input_v")
    coldest = STANDARD_C + (limit / voc - 1) * 100 / per_c
    unsettled = known(low).not_() & (per_c < 0)
    return Judgement(
        value=voc * (1 + per_c / 100 * (low - STANDARD_C)),
        limit=limit,
        applies=pl.lit(True),
        needs=bits("module_model", "module_spec", "inverter_model", "inverter_spec", "low_design_temp_c")
        | needed(known(limit).not_(), "inverter_input"),
        fails_at=pl.when(unsettled).then(coldest),
    )


CHECK = Check(
    name="module-cold-voltage",
    version=1,
    title="Module voltage in the cold",
    level="circuit",
    severity="safety",
    unit="V",
    passes="The module reaches {value} V in the cold; the inverter takes {limit} V.",
    fails="The module reaches {value} V in the cold, more than the {limit} V the inverter takes.",
    unknown="The module's voltage in the cold is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="low_design_temp_c",
    beyond="It fails below {fails_at} °C.",
)
