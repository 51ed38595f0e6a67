"""The decision on one complaint: safety first, then causes in order with what speaks for and against each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import polars as pl

from auditor.evidence.daylight import zones_h
from auditor.policy import Policy
from auditor.records.evidence_schema import OTHER_TRIP, PLACES, TRIP
from auditor.triage.causes import factors, over_target, prior, wrong_profile
from auditor.triage.contrasts import Contrast, contrasts
from auditor.triage.logs import between, in_force, log_of, one_unit
from auditor.triage.next_reading import Look, looks, taken
from auditor.triage.one_leg import one_leg
from auditor.triage.repair import Proof, days_of, proof
from auditor.triage.safety import CALL, HIGH_SUPPLY, Alarm, Unexplained, alarms, unexplained
from auditor.triage.site import PERCENT, Site
from auditor.triage.weighing import GROUPS, TITLES, Factor, grouped, posterior, speaks_for
from auditor.triage.words import said

#: Evidence that makes an answer this much likelier or less likely [natural logarithm] is told for or against it.
TELLING = 0.4
STOP, DECIDED, CANNOT_TELL = "stop", "decided", "cannot tell"
#: Beside the causes that are named, one of this chance is told.
LIKELY = 0.5
#: What stands between two causes that are both named.
AND = ", and "

NO_LOOK = "No single reading would settle it; record for a week at the service, with the output."
NEXT_STEPS = {
    "design": "Ask for a design that meets the rise target, such as a feed at the centre, a larger home run or a split"
    " branch; the system's page shows what each would do.",
    "workmanship": "Send a crew to compare what was built with the record, and to check every termination of the path,"
    " dead and proved so.",
    "grid": "Send the sheet for the utility and ask for a recording at the service terminals.",
    "settings": "Read both legs to neutral with solar on and off and check connections first. Then, with the utility's"
    " written consent, set the units to the profile it requires, and to nothing above it.",
    "other": "Look up what the other stops mean in the maker's list; overvoltage does not explain this complaint.",
}


@dataclass(frozen=True)
class Ranked:
    """One answer: its key in GROUPS, what it is called, its chance, the sentences that speak for it and against it."""

    cause: str
    title: str
    chance: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


@dataclass(frozen=True)
class Decision:
    """What triage says of a complaint.

    state      "stop" (a call, with no ranking and no further look), "decided" or "cannot tell"
    answer     in a few words; next_step in a sentence
    alarms     what the call rests on
    ranked     all answers, the likeliest first; none where there is an alarm. Each has the chance that it is behind the
               complaint, alone or with another, so that they may add up to more than one
    looks      the looks that would tell most; none where there is an alarm, or a decision that needs none
    evidence   everything that was weighed, in sentences
    contrasts  what the readings say by themselves
    unexplained   heat on a branch that is no call: its breaker stays open, and nothing live is measured on it
    assumed    what the decision assumes
    proof      of a repair, where one was noted
    counted    from when readings and events count, in a sentence
    """

    state: str
    answer: str
    next_step: str
    alarms: tuple[Alarm, ...]
    ranked: tuple[Ranked, ...]
    looks: tuple[Look, ...]
    evidence: tuple[str, ...]
    contrasts: tuple[Contrast, ...]
    assumed: tuple[str, ...]
    proof: Proof | None
    counted: str
    unexplained: tuple[Unexplained, ...] = ()

    @property
    def chance(self) -> float | None:
        """How likely the answer is: of two causes that are named, the less likely one; else of the first in order."""
        named = [one.chance for one in self.ranked if self.state == DECIDED and one.title in self.answer.split(AND)]
        return min(named) if named else self.ranked[0].chance if self.ranked else None


@dataclass(frozen=True)
class Evidence:
    """What was measured and reported of one system: rows of `contrasts.in_percent`, events as imported, its place, and
    the day on which it was energized.
    """

    rows: pl.DataFrame
    events: pl.DataFrame
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    energized: date | None = None


def decide(
    site: Site, evidence: Evidence, policy: Policy, repaired_on: date | None = None, since: date | None = None,
    text: str | None = None,
) -> Decision:  # fmt: skip
    """Decide on a complaint.

    Once a repair was noted, the causes are weighed by what came before that day, the proof by what came since, and an
    alarm counts only if it was read since. `since` is the day of the system's last repair before the complaint: what is
    older tells of another state, and counts for nothing. `text` is what the customer says, which a repair settles. Days
    begin at midnight of local standard time.
    """
    begin, until = (_midnight(day, evidence.longitude_deg) for day in (since, repaired_on))
    rows = between(evidence.rows, begin, None)
    events = between(evidence.events, begin, None)
    old = between(rows, None, until), between(events, None, until)
    found, done = _contrasts(*old, site, policy), None
    if repaired_on is None:
        alarm = said(text) + _alarms(rows, events, found, site, policy)
    else:
        days = days_of(evidence.events, site.system_id, evidence.latitude_deg, evidence.longitude_deg)
        # The day of a repair belongs to neither state.
        days = days if since is None else days.filter(pl.col("day") > since)
        done = proof(days, repaired_on, policy.triage.proof_trip_days)
        new = between(rows, until, None), between(events, until, None)
        alarm = _alarms(*new, _contrasts(*new, site, policy), site, policy)
    counted = _counted(repaired_on, since) + _before_energized(evidence)
    if alarm:
        return Decision(STOP, called(alarm), CALL, tuple(alarm), (), (), (), tuple(found), (), done,
                        counted)  # fmt: skip
    log = log_of(evidence.events, begin, until)
    told = factors(found, old[0], in_force(old[1]), log, site, policy)
    return _ranked(site, found, told, policy, done, counted, _urgent(old[0], found, site), one_unit(log))


def _alarms(rows: pl.DataFrame, events: pl.DataFrame, found: list[Contrast], site: Site, policy: Policy) -> list[Alarm]:
    stops = events.filter(pl.col("kind").is_in([TRIP, OTHER_TRIP]))
    # A neutral that moves moves the legs too: then their steps tell nothing more.
    return alarms(rows, found, site, policy) or one_leg(rows, stops, site, policy)


def called(alarm: Sequence[Alarm]) -> str:
    """What is called about, in a few words."""
    kinds = sorted({each.kind for each in alarm})
    if kinds == [HIGH_SUPPLY]:
        return "supply dangerously high: call the utility"
    return f"suspected {' and '.join(kinds)}: safety call"


def _before_energized(evidence: Evidence) -> str:
    """A remark where readings or the log begin before the system was energized; empty where they do not."""
    starts = pl.concat([evidence.rows.select("start"), evidence.events.select("start")])["start"]
    first = starts.dt.date().min()
    if evidence.energized is None or not isinstance(first, date) or first >= evidence.energized:
        return ""
    return (
        f" Readings or log begin on {first:%Y-%m-%d}, before the system was energized on {evidence.energized:%Y-%m-%d}:"
        " check both dates."
    )


def _urgent(rows: pl.DataFrame, found: Sequence[Contrast], site: Site) -> str:
    """What to report today: a supply that is over its range without any solar, whatever the instrument is off by; empty
    where it is not. It was read so with the solar off, or stands so without the own rise.
    """
    if site.report_pct is None or site.unit_v is None:
        return ""
    over = rows.filter(
        pl.col("place").is_in(PLACES[:2]),
        pl.col("share") <= 0,
        pl.col("v_pct") - pl.col("bound_pct") > site.report_pct,
    )
    level = next((each for each in found if each.kind == "supply" and each.low_pct > site.report_pct), None)
    limit = f"the limit is {site.report_pct:.1f} % ({site.report_pct / PERCENT * site.unit_v:.1f} V across a unit). "
    today = "Report to the utility today: over the range without any solar."
    if over.height:
        row = over.sort("v_pct", descending=True).row(0, named=True)
        at = f"at the {row['place']} on {row['start']:%Y-%m-%d}"
        return f"{today} With the solar off {row['mean_v']:.1f} V was read {at}, {row['v_pct']:.1f} %; {limit}"
    if level is not None:
        return f"{today} Without own output the {level.nearer} stands at {level.interval} of nominal; {limit}"
    return ""


def _midnight(day: date | None, longitude_deg: float | None) -> datetime | None:
    """When a day begins in local standard time, in UTC; where the place is not known, that of UTC."""
    if day is None:
        return None
    ahead_h = 0 if longitude_deg is None else int(zones_h([longitude_deg])[0])
    return datetime.combine(day, time()) - timedelta(hours=ahead_h)


def _counted(repaired_on: date | None, since: date | None) -> str:
    """From when readings and events count, in a sentence."""
    told = (
        "Readings and events count however old they are: no repair before the complaint is noted."
        if since is None
        else f"Readings and events count from {since:%Y-%m-%d} on, the system's last repair before the complaint."
    )
    if repaired_on is None:
        return told
    on = f"{repaired_on:%Y-%m-%d}"
    return f"{told} The cause is weighed by those before the repair of {on}, a call rests on those since."


def _contrasts(rows: pl.DataFrame, events: pl.DataFrame, site: Site, policy: Policy) -> list[Contrast]:
    return contrasts(rows, events.filter(pl.col("kind").is_in([TRIP, OTHER_TRIP])), site, policy)


def _ranked(
    site: Site, found: list[Contrast], told: list[Factor], policy: Policy, done: Proof | None, counted: str,
    urgent: str, unit: str,
) -> Decision:  # fmt: skip
    before = prior(policy)
    chances = posterior(before, told)
    by_answer = grouped(chances)
    order = sorted(GROUPS, key=lambda key: -by_answer[key])
    answers = tuple(_answer(key, by_answer[key], told, before) for key in order)
    named = [one for one in answers if one.chance >= policy.triage.sure_from]
    known = taken(found, {factor.name for factor in told})
    if wrong_profile(site) and any(one.cause == "settings" for one in named):
        known.add("settings")
    faulty = any(one.cause == "workmanship" and one.chance >= LIKELY for one in answers)
    heat = unexplained(found, site, policy) if faulty else ()
    further = tuple(look for look in looks(chances, site, known, policy) if not _closed_to(look, heat))
    state, answer = (DECIDED, AND.join(one.title for one in named)) if named else (CANNOT_TELL, CANNOT_TELL)
    step = _step(named, answers, site) if named else further[0].sentence if further else NO_LOOK
    if any(one.cause == "other" for one in named):
        step += unit
    step = urgent + "".join(f"{_opened(each)} " for each in heat) + step
    sentences = tuple(factor.sentence for factor in told)
    return Decision(state, answer, step, (), answers, further, sentences, tuple(found), _assumed(site), done,
                    counted, heat)  # fmt: skip


def _closed_to(look: Look, heat: Sequence[Unexplained]) -> bool:
    """Whether a look would read live what is to stay dead."""
    dead = {each.circuit_id for each in heat}
    return (None in dead and look.solar.startswith("on")) or (look.circuit_id is not None and look.circuit_id in dead)


def _opened(heat: Unexplained) -> str:
    """What comes first where heat is unexplained: nothing flows through it until it was looked at."""
    told = f"until its terminations were checked, dead and proved so ({heat.heat_w:,.0f} W unexplained {heat.where})."
    if heat.circuit_id is None:
        return f"Switch the solar off and leave it off {told}"
    return f"Open the breaker of branch {heat.circuit_id} and leave it open {told}"


def _answer(key: str, chance: float, told: list[Factor], before: object) -> Ranked:
    spoken = [(speaks_for(factor, key, before), factor.sentence) for factor in told]  # type: ignore[arg-type]
    pro = tuple(sentence for weight, sentence in sorted(spoken, key=lambda s: -s[0]) if weight >= TELLING)
    contra = tuple(sentence for weight, sentence in sorted(spoken) if weight <= -TELLING)
    return Ranked(key, TITLES[key], chance, pro, contra)


def _step(named: Sequence[Ranked], answers: Sequence[Ranked], site: Site) -> str:
    """The next step; what is likely besides is told, and a design over its target whatever the causes are."""
    step = " ".join(NEXT_STEPS[one.cause] for one in named)
    for one in answers:
        if one not in named and one.chance >= LIKELY:
            step += f" {one.title[:1].upper()}{one.title[1:]} is likely besides ({100 * one.chance:.0f} %)."
    if over_target(site) and all(one.cause != "design" for one in named):
        step += (
            f" The wiring's own rise of {site.wiring_pct:.1f} % is over its target of {site.target_pct:.1f} % besides."
        )
    return step


def _assumed(site: Site) -> tuple[str, ...]:
    """What every decision assumes, and what the likelihood does of this system."""
    return ("how likely each cause is beforehand", "no more than two causes at once", *site.assumed)
