"""Module operating voltage, hot and cold, against the inverter's tracking window.

What
    Checks that the module's maximum-power voltage stays within the inverter's window with the cells at their hottest
    and at the lowest ambient temperature.

Why
    Outside the window the inverter runs the module off its best point. The loss is largest on hot afternoons, when
    everybody is looking at the meter.

Formula
    Vmp (1 + gamma / 100 (T - 25)) at T = hot cells (policy) >= window's low end, and at T = lowest ambient <= its high
    end, gamma in %/°C (negative). One module on an input. Value and limit are those of the end that fails, the low
    one first, or of the high end where both are met.

Reference
    Common practice; the window is the maker's.

Causes
    Modules of few cells or low voltage on an inverter made for more; half of a shaded module bypassed is another
    matter and not judged here.

What mends it
    A module that suits the window.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.module_cold_voltage import STANDARD_C
from auditor.checks.terms import needed, number, over
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The hot and the cold operating voltage against the two ends of the window."""
    vmp, per_c = number("module_vmp_v"), number("module_vmp_pct_per_c")
    hot = vmp * (1 + per_c / 100 * (number("cell_high_temp_c") - STANDARD_C))
    cold = vmp * (1 + per_c / 100 * (number("low_design_temp_c") - STANDARD_C))
    low_end, high_end = number("window_low_v"), number("window_high_v")
    too_low, too_high = over(low_end, hot), over(cold, high_end)
    all_known = known(hot) & known(cold) & known(low_end) & known(high_end)
    return Judgement(
        value=pl.when(too_low).then(hot).when(too_high | all_known).then(cold),
        limit=pl.when(too_low).then(low_end).when(too_high | all_known).then(high_end),
        applies=pl.lit(True),
        needs=bits(
            "module_model", "module_spec", "inverter_model", "inverter_spec", "low_design_temp_c", "cell_high_temp_c"
        )
        | needed((known(low_end) & known(high_end)).not_(), "inverter_input"),
        surely_fails=too_low | too_high,
    )


CHECK = Check(
    name="module-input-window",
    version=1,
    title="Module voltage within the tracking window",
    level="circuit",
    severity="performance",
    unit="V",
    passes="The module works within the inverter's window, at {value} V in the cold of at most {limit} V.",
    fails="The module works at {value} V, outside the inverter's window, which ends at {limit} V.",
    unknown="Whether the module works within the inverter's window is not known; missing: {missing}.",
    judge=judge,
)
