"""The home run's conductors against the current they carry and the breaker that protects them.

What
    Holds the ampacity of the home run, in its column of the table and after its factors, against the circuit's current
    and the branch breaker.

Why
    The wires from the junction box cross a hot roof or attic, often several circuits in one raceway. A conductor that
    is adequate at 30 °C and alone may not be there, and its insulation ages long before anything trips.

Formula
    1.25 I <= ampacity before factors, at the lowest rating of terminals and insulation;
    I <= ampacity after ambient and fill factors, from the insulation's own column, never more than the former;
    breaker <= next standard size at or above the latter (up to 800 A; above that the ampacity itself).
    I is the worst line current, less the rounding of the printed current where only that is in the way. The 125 % is
    never laid on the derated value. Value and limit are those of the condition with the highest utilisation; the
    breaker's is shown only where it fails.
    Terminal ratings that are not recorded count as the policy says (60 °C; 75 °C above 100 A). Where the insulation is
    not recorded, a run that passes at 60 °C passes, and one that fails at 90 °C fails. Above the table's last ambient
    row a conductor has no ampacity at all. The ambient is that of the wires, with what a sunlit roof adds. Where the
    breaker is also over the 240.4(D) maximum or the trunk's, breaker-size reports it and not this check.

Reference
    NEC 310.15 and Table 310.16 (310.15(B)(16) in 2011 to 2017), ambient Table 310.15(B)(1) ((B)(2)(a) before 2020),
    fill Table 310.15(C)(1) ((B)(3)(a) before 2020); 690.8(B), 705.28 and 215.2 (125 % before factors, 100 % after);
    110.14(C) (terminals); 240.4(B), (C) (next standard size). The 125 % rule and the table are the same in the
    editions of 2011 to 2023, so the edition is not asked for. Before 2011 the table had a few other small sizes.

Causes
    10 AWG drawn, 12 AWG pulled; several home runs in one raceway; a raceway on the roof judged at the weather's
    temperature; 90 °C wire read in the 90 °C column although the terminals are not marked for it.

What mends it
    A larger conductor, fewer circuits in the raceway, a cooler route, or fewer inverters on the circuit.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.ampacity import judge_run
from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import current_facts, number
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The home run's ampacity conditions; the policy has no say in them."""
    breaker, current = number("breaker_a"), number("line_current_a")
    # What breaker-size already reports is not held against the conductor again.
    accepted = pl.min_horizontal(breaker, number("home_run_small_conductor_breaker_a"), number("trunk_max_breaker_a"))
    device = pl.when(known(breaker)).then(accepted)
    slack = number("line_current_tolerance_a").fill_null(0.0)
    return judge_run("home_run", current, slack, device, current_facts(current) | bits("breaker_a"))


CHECK = Check(
    name="home-run-ampacity",
    version=1,
    title="Ampacity of the home run",
    level="circuit",
    severity="safety",
    unit="A",
    passes="The home run must suit {value} A and is good for {limit} A.",
    fails="The home run must suit {value} A, but is good for only {limit} A.",
    unknown="Whether the home run is large enough is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="ambient_c",
    beyond="It fails beyond an ambient of {fails_at} °C at the latest.",
)
