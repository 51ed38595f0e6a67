"""What each cause predicts, and the evidence of one complaint weighed by it: each piece as a `Factor`.

One cause is taken to be behind a complaint, or two at once; what else is out of order shows in the audit's own
findings. Every figure that no record gives is the policy's (`[triage]`), and an assumption.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from auditor.likelihood.arrays import FloatArray
from auditor.policy import Policy
from auditor.records.evidence_schema import PLACES, TRIP
from auditor.triage.contrasts import Contrast
from auditor.triage.logs import Log
from auditor.triage.safety import computed_of
from auditor.triage.site import Site
from auditor.triage.weighing import CAUSES, Factor, Prediction, chances_of, predicted, prior_of, weighed

#: Days of one kind that count: further ones of the same cause tell nothing new.
MOST_DAYS = 3
#: Days in the log without any trip from which it tells something; chances of such a log under overvoltage and without.
QUIET_DAYS, QUIET_IF_HIGH, QUIET_IF_OTHER = 30, 0.15, 0.7
#: Chance that only one unit of several trips, where its settings are wrong, and else; least units on its circuit.
ALONE_IF_SET, ALONE_ELSE, LEAST_UNITS = 0.6, 0.06, 4
#: Chance that a record shows another profile than it should, where the settings are wrong, and else.
SHOWN_IF_SET, SHOWN_ELSE = 0.7, 0.02
#: Chance that the wiring of a complaint misses its target where something else is the cause.
OVER_ELSE = 0.5
#: Chance that faulty workmanship sits ahead of the main panel.
IN_ENTRANCE = 0.1
#: Longest interval whose mean stands for the moment of a trip [s].
SHORT_S = 60
#: Share of the neighbours' sun that the supply holds on average while the sun is out.
SUN_SHARE = 0.6
#: Who trips as an event names it, and what sets series of readings at units apart.
_WHO = ("circuit_id", "unit")
_CHANNEL = (*_WHO, "leg")


def prior(policy: Policy) -> FloatArray:
    """Chance of each of HYPOTHESES (h,) before anything of the site is known."""
    return prior_of([getattr(policy.triage.prior, name) for name in CAUSES], policy.triage.two_causes)


def over_target(site: Site) -> bool | None:
    """Whether the computed wiring misses its target; None where that is not known."""
    known = site.wiring_pct is not None and site.target_pct is not None
    return site.wiring_pct > site.target_pct if known else None  # type: ignore[operator]


def _of_target(site: Site, policy: Policy) -> Factor | None:
    """The computed wiring against its target: a design that meets it is the less likely cause."""
    over = over_target(site)
    if over is None:
        return None
    within = chances_of(1 - OVER_ELSE, design=policy.triage.design_within)
    chances = 1 - within if over else within
    side = "over" if over else "within"
    sentence = (
        f"The computed rise of the wiring, {site.wiring_pct:.1f} %, is {side} its target of {site.target_pct:g} %."
    )
    return Factor("target", sentence, np.log(chances))


def of_supply(site: Site, policy: Policy) -> list[Prediction] | None:
    """The supply without own output while the sun is out [%]."""
    if site.supply_pct is None or site.supply_sd_pct is None or site.top_pct is None:
        return None
    rules = policy.triage
    mean = site.supply_pct + SUN_SHARE * (site.sun_pct or 0.0)
    sd = float(np.hypot(site.supply_sd_pct, policy.supply.day_pct))
    high = (1.0, site.top_pct + rules.supply_over_pct, rules.supply_over_sd_pct)
    return predicted(((1.0, mean, sd),), supply=(high,))


def of_rise(found: Contrast, site: Site, policy: Policy) -> list[Prediction] | None:
    """A rise between two places, or from the source to one, at rated output [%]; None where nothing is computed."""
    rules, circuit = policy.triage, site.circuit(found.circuit_id)
    inside = circuit.between("service" if found.kind == "step" else found.nearer, found.farther) if circuit else None
    if inside is None:
        return None
    ahead = site.service_pct if found.kind == "step" else 0.0
    if ahead is None:
        return None
    unknown = rules.service_unknown_pct if found.kind == "step" and not site.service_whole else 0.0
    computed, sd = ahead + inside, float(np.hypot(rules.computed_share * (ahead + inside) + 0.05, unknown))
    same = ((1.0, computed, sd),)
    more = (computed + rules.excess_pct, float(np.hypot(sd, rules.excess_sd_pct)))
    # What is too much may sit in any of the three parts behind the panel, and seldom in the short way before it.
    first = PLACES.index("service" if found.kind == "step" else found.nearer)
    parts = PLACES.index(found.farther) - first
    behind = PLACES.index(found.farther) - max(first, 1)
    weight = behind / 3 if behind > 0 else IN_ENTRANCE
    faulty = ((weight, *more), (1 - weight, computed, sd))
    if found.kind == "step":
        weak = ((1.0, *more),)
        return predicted(same, service=weak) if parts == 0 else predicted(same, service=weak, workmanship=faulty)
    return predicted(same, workmanship=faulty)


def at_trip(policy: Policy) -> list[Prediction]:
    """How far above its first threshold a unit is read when it trips on overvoltage [%]."""
    rules = policy.triage
    right = ((1.0, 0.0, rules.at_threshold_sd_pct),)
    wrong = ((1.0, -rules.set_below_pct, rules.set_below_sd_pct),)
    return predicted(right, settings=wrong, other=((1.0, -rules.set_below_pct, 2 * rules.set_below_sd_pct),))


def factors(
    found: Sequence[Contrast], rows: pl.DataFrame, events: pl.DataFrame, log: Log, site: Site, policy: Policy
) -> list[Factor]:
    """All the evidence of one complaint."""
    made = [_of_contrast(each, site, policy) for each in apart(found)]
    made += [_of_trip_levels(rows, events, site, policy), _of_words(log, policy), _of_quiet(log)]
    made += [_of_alone(log, site), _of_record(site), _of_target(site, policy)]
    return [factor for factor in made if factor is not None]


def apart(found: Sequence[Contrast]) -> list[Contrast]:
    """The contrasts that are evidence by themselves: of steps at several places only the one nearest to the source,
    since differences tell the rest and all of them hold the supply's same moves.
    """
    steps = [each for each in found if each.kind == "step"]
    nearest = min(steps, key=lambda each: (PLACES.index(each.farther), each.sd_pct), default=None)
    return [each for each in found if each.kind != "step" or each is nearest]


def _of_contrast(found: Contrast, site: Site, policy: Policy) -> Factor | None:
    """A contrast as evidence; where nothing is computed to hold it against it is none."""
    predictions = of_supply(site, policy) if found.kind == "supply" else of_rise(found, site, policy)
    if predictions is None:
        return None
    value, sd, bound = found.value_pct, found.sd_pct, found.bound_pct
    return Factor(found.kind, told(found, site), weighed(predictions, value, sd, bound))


def told(found: Contrast, site: Site) -> str:
    """A contrast in a sentence."""
    count = f"{found.count:,} {'reading' if found.kind == 'supply' else 'pair'}{'' if found.count == 1 else 's'}"
    interval = found.interval
    if found.kind == "supply":
        top = f"; the service range ends at {site.top_pct:.1f} %" if site.top_pct is not None else ""
        return f"Without own output the supply stands at {interval} of nominal ({count} at the {found.nearer}){top}."
    computed, _ = computed_of(found, site)
    held = "" if computed is None else f"; computed: {computed:.1f} %"
    if found.kind == "step":
        return f"When the solar goes off, the {found.farther} falls by {interval} at rated output ({count}){held}."
    where = f" of circuit {found.circuit_id}" if found.circuit_id else ""
    return f"From {found.nearer} to {found.farther}{where} the rise is {interval} at rated output ({count}){held}."


def trip_levels(rows: pl.DataFrame, events: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Of each moment of an overvoltage trip, the highest voltage [%] that was read in the interval it fell into, at
    the circuit and unit that the event names, else at any unit: at, level_pct, bound_pct.

    A mean tells nothing of that moment, so that intervals without a highest value count only up to SHORT_S long.
    """
    trips = events.filter(pl.col("kind") == TRIP).select(pl.col("start").alias("at"), *_WHO).unique()
    here = (
        rows.filter(
            pl.col("place") == "unit",
            pl.col("nominal_v") == pl.lit(site.unit_v, pl.Float64),
            pl.col("max_v").is_not_null() | (pl.col("duration_s") <= SHORT_S),
        )
        .select(*_CHANNEL, "start", "duration_s", pl.col("peak_pct").alias("level_pct"), "bound_pct")
        .with_columns(pl.col(_CHANNEL).fill_null(""))
    )
    # What names no circuit or no unit may be of any.
    alike = [
        pl.col(f"{name}_trip").is_null() | (pl.col(name) == "") | (pl.col(name) == pl.col(f"{name}_trip"))
        for name in _WHO
    ]
    asked = trips.rename({name: f"{name}_trip" for name in _WHO}).join(here.select(_CHANNEL).unique(), how="cross")
    found = asked.filter(*alike).sort("at").join_asof(
        here.sort("start"), left_on="at", right_on="start", by=list(_CHANNEL), strategy="backward",
        check_sortedness=False,
    )  # fmt: skip
    inside = (pl.col("at") - pl.col("start")).dt.total_seconds() < pl.col("duration_s")
    highest = found.filter(inside).sort("at", "level_pct", descending=[False, True])
    return highest.unique("at", keep="first", maintain_order=True).select("at", "level_pct", "bound_pct")


def _of_trip_levels(rows: pl.DataFrame, events: pl.DataFrame, site: Site, policy: Policy) -> Factor | None:
    levels = trip_levels(rows, events, site)
    reference = site.required_pct if site.required_pct is not None else site.threshold_pct
    profile = site.required if site.required_pct is not None else site.profile
    if not levels.height or reference is None:
        return None
    value = float(levels["level_pct"].mean()) - reference  # type: ignore[arg-type]
    bound = float(levels["bound_pct"].mean())  # type: ignore[arg-type]
    far = f"{abs(value):.1f} % {'above' if value > 0 else 'below'}" if abs(value) >= 0.05 else "at"
    sentence = (
        f"At {levels.height} trip{'' if levels.height == 1 else 's'} the highest voltage stood {far} the first"
        f" threshold of {reference:.1f} % that {profile} sets."
    )
    return Factor("at trip", sentence, weighed(at_trip(policy), value, 0.2, bound))


def _of_words(log: Log, policy: Policy) -> Factor | None:
    """The alarm words: overvoltage, or something else."""
    high, rest = min(log.trip_days, MOST_DAYS), min(log.other_days, MOST_DAYS)
    if not high and not rest:
        return None
    right = policy.triage.told_rightly
    over = high * np.log(right) + rest * np.log(1 - right)
    else_ = high * np.log(1 - right) + rest * np.log(right)
    return Factor("alarm words", _stops(log), chances_of(over, other=else_))


def _stops(log: Log) -> str:
    """The stops in a log in a sentence."""
    told = [
        f"{what} on {days} day{'' if days == 1 else 's'}"
        for what, days in (("overvoltage trips", log.trip_days), ("other stops", log.other_days))
        if days
    ]
    none = "" if log.trip_days else ", and of no overvoltage trip"
    return f"The log tells of {' and of '.join(told)}{none if log.other_days else ', and of no other stop'}."


def _of_quiet(log: Log) -> Factor | None:
    """A log that covers weeks and holds no trip."""
    if log.trip_days or log.other_days or log.logged_days < QUIET_DAYS:
        return None
    chances = chances_of(QUIET_IF_HIGH, other=QUIET_IF_OTHER)
    return Factor("quiet log", f"{log.logged_days:.0f} days in the log hold no trip.", np.log(chances))


def _of_alone(log: Log, site: Site) -> Factor | None:
    """One unit that trips by itself, and not at an end of its cable, where the voltage is highest."""
    if log.alone is None:
        return None
    circuit_id, unit = log.alone
    circuit = site.circuit(circuit_id)
    if circuit is None or (circuit.units or 0) < LEAST_UNITS:
        return None
    # A serial number tells no place.
    if not unit.isdecimal() or not 1 < int(unit) < (circuit.units or 0):
        return None
    chances = chances_of(ALONE_ELSE, settings=ALONE_IF_SET)
    sentence = f"Unit {unit} of circuit {circuit_id} alone trips, though units further out see a higher voltage."
    return Factor("one unit", sentence, np.log(chances))


def wrong_profile(site: Site) -> str:
    """What the record shows of a wrong grid profile, on the whole system or on single units; empty where nothing."""
    if site.required is not None and site.profile is not None and not site.same_profile:
        return f"The record names grid profile {site.profile}; the utility requires {site.required}."
    lower = [
        other
        for other in site.others
        if other.threshold_pct is None or site.threshold_pct is None or other.threshold_pct < site.threshold_pct
    ]
    if not lower:
        return ""
    one = lower[0]
    who = f"the unit at place {one.position} is" if one.position else "some units are"
    below = "" if one.threshold_pct is None else f", whose first threshold is {one.threshold_pct:.1f} %"
    differ = "" if site.profile else ", and other units name another"
    return (
        f"On circuit {one.circuit_id} {who} recorded with grid profile {one.profile}{below}; the system's is"
        f" {site.profile or 'not recorded'}{differ}."
    )


def _of_record(site: Site) -> Factor | None:
    sentence = wrong_profile(site)
    if not sentence:
        return None
    chances = chances_of(SHOWN_ELSE, settings=SHOWN_IF_SET)
    return Factor("recorded profile", sentence, np.log(chances))
