"""Voltage rise in the system's own wiring against the target.

What
    Adds the rise in trunk cable, home run and feeder (and the service entrance, where the policy counts from the point
    of supply) to the unit that has it worst, and compares it with the target.

Why
    An inverter pushes its current into the grid through these wires, so its own voltage stands above the grid's by
    their drop. What the wiring uses up is missing when the grid runs high, and the inverters trip on overvoltage on the
    best days. The rise is lost as heat, too.

Formula
    Rise in percent of the nominal voltage across the unit, at rated current, nominal voltage and the policy's conductor
    temperature: the sum over parts of 2 I (R cos phi + X sin phi) on single-phase, the phasor sums per pair on three
    phases. In the trunk, units m = 1 .. n counted from the feed point add n(n+1)/2 sections of unit current.
    Fails where the sum exceeds the target. Where a part is missing the total is unknown, unless the known parts exceed
    the target already and the missing ones can only add (no reactive power is absorbed).

Reference
    2 % from the last inverter to the main panel: common practice among makers of such inverters; no NEC text limits
    rise (210.19(A) and 215.2(A) informational notes are about drop, 3 % and 5 %). AS/NZS 4777.1 clause 3.3.3: 2 % from
    the point of supply to the inverter's terminals.

Causes
    A long home run in 12 or 10 AWG; an end-fed cable where a centre feed was drawn; sections added between roofs.

What mends it
    Feed the cable at its centre (a quarter of the trunk's rise), a larger home run or feeder, two circuits in place of
    one. Measure before digging: supply voltage, and a loose connection, look the same from the roof.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.terms import number, over
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The total against the target, which the policy has put into the frame by region."""
    total, so_far, target = number("total_rise_pct"), number("known_rise_pct"), number("rise_target_pct")
    already = known(total).not_() & pl.col("rise_only_adds").fill_null(False) & over(so_far, target)
    return Judgement(
        value=pl.when(already).then(so_far).otherwise(total),
        limit=target,
        applies=pl.lit(True),
        needs=pl.col("rise_needs"),
        surely_fails=already,
        fails_at=pl.when(known(number("home_run_length_m")).not_() & already.not_()).then(
            number("home_run_fails_at_m")
        ),
    )


CHECK = Check(
    name="voltage-rise",
    version=1,
    title="Voltage rise in the wiring",
    level="circuit",
    severity="performance",
    unit="%",
    passes="The wiring raises the voltage by {value} %; the target is {limit} %.",
    fails="The wiring raises the voltage by {value} %, more than the target of {limit} %.",
    unknown="The rise in the wiring is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="home_run_length_m",
    beyond="It fails with a home run beyond {fails_at} m.",
)
