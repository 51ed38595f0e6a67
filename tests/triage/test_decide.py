"""From readings that are made to what they were made with, and from a log to the proof of a repair."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats
from triage_cases import NOON, PARTS, POLICY, SITE, evidence, frame, reading, trip, week, within_target

from auditor.complaints import last_repairs
from auditor.triage.causes import prior, trip_levels, wrong_profile
from auditor.triage.contrasts import contrasts, in_percent
from auditor.triage.decide import CANNOT_TELL, DECIDED, decide
from auditor.triage.logs import log_of
from auditor.triage.next_reading import looks
from auditor.triage.repair import FAILED, OPEN, PROVED, UNTOLD, proof
from auditor.triage.site import Other, _others
from auditor.triage.tables import by_hour, summary

TRIPS = [trip(dt.datetime(2025, 6, 10 + day, 15, 50)) for day in range(5)]
#: Places between which the whole wiring lies, and what they rise by [%].
WIRING = sum(PARTS[1:])


def test_the_rise_between_two_places_is_recovered_within_its_interval() -> None:
    inside = 0
    for seed in range(30):
        rows = in_percent(frame(week(("main panel", "unit"), random.Random(seed))), SITE, POLICY)
        (found,) = [c for c in contrasts(rows, frame([], "event"), SITE, POLICY) if c.kind == "difference"]
        assert found.low_pct < found.high_pct < found.low_pct + 0.2
        inside += found.low_pct <= WIRING <= found.high_pct
    # Two standard deviations hold 95 of 100; of 30 at least 25 in all but one case of ten thousand.
    assert inside >= 25


def test_errors_that_linger_widen_the_interval() -> None:
    inside = 0
    for seed in range(40):
        rng, drift = random.Random(seed), 0.0
        rows = week(("main panel", "unit"), rng, days=3)
        for row in rows:
            if row["place"] == "unit":
                drift = 0.93 * drift + rng.gauss(0, 0.25)
                row["mean_v"] = float(str(row["mean_v"])) + drift
        found = contrasts(in_percent(frame(rows), SITE, POLICY), frame([], "event"), SITE, POLICY)
        (made,) = [c for c in found if c.kind == "difference"]
        inside += made.low_pct <= WIRING <= made.high_pct
    assert inside >= 35


def test_instruments_that_are_off_do_not_move_the_fitted_rise() -> None:
    rows = week(("main panel", "unit"), random.Random(5))
    off = [row | {"mean_v": float(str(row["mean_v"])) + (1.5 if row["place"] == "unit" else 0.0)} for row in rows]
    both = [contrasts(in_percent(frame(r), SITE, POLICY), frame([], "event"), SITE, POLICY)[0] for r in (rows, off)]
    assert both[1].value_pct == pytest.approx(both[0].value_pct, abs=0.02)


def test_places_are_compared_at_the_same_output_only() -> None:
    """Of two readings at the panel the nearer one was taken with the solar off: it tells nothing of the wiring."""
    rows = [
        reading(place, NOON + dt.timedelta(minutes=n), share, 102.0, solar=solar, instrument="r", error_v=0.2)
        for n, place, share, solar in ((0, "main panel", 0.9, "on"), (4, "main panel", 0.0, "off"),
                                       (5, "unit", 0.9, "on"))
    ]  # fmt: skip
    found = contrasts(in_percent(frame(rows), SITE, POLICY), frame([], "event"), SITE, POLICY)
    (made,) = [c for c in found if c.kind == "difference"]
    assert made.value_pct == pytest.approx(WIRING, abs=0.01)
    without = contrasts(in_percent(frame(rows[1:]), SITE, POLICY), frame([], "event"), SITE, POLICY)
    assert [c for c in without if c.kind == "difference"] == []


def test_what_the_supply_moves_by_between_two_readings_counts() -> None:
    """Two values of an AR(1) k slots apart differ by a variance of 2σ²(1 − ρᵏ): here one and three slots of 300 s."""
    for minutes, slots in ((5, 1), (15, 3)):
        rows = [
            reading(place, NOON + dt.timedelta(minutes=n), 0.9, 102.0, solar="on", instrument="r", error_v=0.2)
            for n, place in ((0, "main panel"), (minutes, "unit"))
        ]
        (made,) = contrasts(in_percent(frame(rows), SITE, POLICY), frame([], "event"), SITE, POLICY)[:1]
        rho, sigma = POLICY.supply.rho**slots, POLICY.supply.sigma_pct
        load = 0.9 * 240 / reading("unit", NOON, 0.9, 102.0)["mean_v"]  # type: ignore[operator]
        assert made.sd_pct == pytest.approx(np.hypot(0.15, sigma * np.sqrt(2 - 2 * rho) / load), rel=1e-6)


def test_own_trips_are_steps() -> None:
    rows, trips = [], []
    rng = random.Random(7)
    for day in range(25):
        at, supply = dt.datetime(2025, 6, 1) + dt.timedelta(days=day, hours=15), 102 + rng.gauss(0, 0.5)
        for slot, share in enumerate((0.9, 0.9, 0.0, 0.0)):
            noise = rng.gauss(0, 0.15)
            rows.append(reading("unit", at + dt.timedelta(minutes=5 * slot), share, supply + noise, duration_s=300.0))
        trips.append(trip(at + dt.timedelta(minutes=9)))
    made = in_percent(frame(rows), SITE, POLICY)
    (found,) = [c for c in contrasts(made, frame(trips, "event"), SITE, POLICY) if c.kind == "step"]
    assert (found.count, found.spot) == (25, False)
    assert found.low_pct <= 0.9 + sum(PARTS) <= found.high_pct
    assert found.high_pct - found.low_pct < 1.0
    # Without the log the same fall may be a cloud, which moves the neighbours too.
    assert [c for c in contrasts(made, frame([], "event"), SITE, POLICY) if c.kind == "step"] == []


def test_nothing_known_is_no_answer_but_names_what_would_tell() -> None:
    found = decide(SITE, evidence([], []), POLICY)
    assert found.state == CANNOT_TELL
    assert found.looks[0].bits == max(look.bits for look in found.looks) > 0.1
    assert found.next_step == found.looks[0].sentence
    # Of what is overvoltage a tenth counts for two causes.
    assert 1.0 < sum(one.chance for one in found.ranked) < 1.1


def test_a_look_expects_what_lies_behind_the_place_that_it_names() -> None:
    chances = prior(POLICY)

    def at_panel(entrance: float | None) -> tuple[float, set[str]]:
        circuits = tuple(replace(c, rise_pct=(entrance, *PARTS[1:])) for c in SITE.circuits)
        found = looks(chances, replace(SITE, circuits=circuits), set(), POLICY)
        (step,) = [look for look in found if look.solar == "on, then off"]
        return step.bits, {look.place for look in found if "at the main panel with" in look.sentence}

    short, long, unknown = (at_panel(entrance) for entrance in (0.0, 6.0, None))
    assert short[1] == long[1] == unknown[1] == {"main panel"}
    # A long entrance is computed less surely, and may hold what a weak service would show.
    assert long[0] < short[0]
    assert unknown[0] > 0


@pytest.mark.parametrize(
    ("supply_pct", "parts", "answer"),
    [(107.5, PARTS, "service or grid"), (102.0, (0.1, 0.4, 1.9, 0.8), "workmanship")],
)
def test_readings_at_two_places_settle_it(supply_pct: float, parts: tuple[float, ...], answer: str) -> None:
    rows = week(("service", "unit"), random.Random(11), supply_pct=supply_pct, parts=parts)
    rows += [
        reading("service", NOON + dt.timedelta(minutes=n), share, supply_pct, solar=solar, instrument="r", error_v=0.2)
        for n, share, solar in ((0, 0.9, "on"), (3, 0.0, "off"))
    ]
    found = decide(SITE, evidence(rows, TRIPS), POLICY)
    assert (found.state, found.answer) == (DECIDED, answer)
    assert found.ranked[0].speaks_for


WORSE = (*PARTS[:2], PARTS[2] + 1.04, PARTS[3])


def off_and_on(place: str, supply_pct: float, service: float = 0.9) -> list[dict[str, object]]:
    """A technician with the solar on and then off, by one instrument."""
    return [
        reading(place, NOON + dt.timedelta(minutes=n), share, supply_pct, service=service, solar=solar, instrument="r",
                error_v=0.2)
        for n, share, solar in ((0, 0.9, "on"), (3, 0.0, "off"))
    ]  # fmt: skip


def low_trips() -> list[dict[str, object]]:
    """Intervals in which the last unit tripped, and how high the voltage stood at most: far below the threshold."""
    return [
        reading("unit", dt.datetime(2025, 6, 10 + day, 15, 45), 0.9, 101.0, duration_s=900.0, max_v=240 * 1.055)
        for day in range(5)
    ]


@pytest.mark.parametrize(
    ("planted", "rows", "sure"),
    [
        (("service or grid", "workmanship"),
         lambda rng: week(("service", "unit"), rng, supply_pct=107.5, parts=WORSE) + off_and_on("service", 107.5), 1),
        (("service or grid", "workmanship"),
         lambda rng: week(("main panel", "unit"), rng, parts=WORSE) + off_and_on("service", 102.0, service=4.0), 1),
        (("settings", "workmanship"), lambda rng: week(("main panel", "unit"), rng, parts=WORSE) + low_trips(), 1),
        (("settings", "service or grid"), lambda rng: off_and_on("service", 107.5) + low_trips(), 2),
        # The wiring is over its target by a little, and the supply too high: the supply explains it by itself.
        (("service or grid", "wiring design"),
         lambda rng: week(("service", "unit"), rng, supply_pct=107.5) + off_and_on("service", 107.5), 0),
        # Of two causes only one was looked for.
        (("service or grid", "workmanship"), lambda rng: off_and_on("service", 107.5), 0),
        (("service or grid", "workmanship"), lambda rng: week(("main panel", "unit"), rng, parts=WORSE), 0),
    ],
)  # fmt: skip
def test_of_two_causes_at_once_none_is_surely_wrong(
    planted: tuple[str, str], rows: Callable[[random.Random], list[dict[str, object]]], sure: int
) -> None:
    """`sure` is 2 where the readings settle both, 1 where they leave the second likely, 0 where they tell one."""
    for seed in range(3):
        site = replace(SITE, service_whole=False)
        found = decide(site, evidence(rows(random.Random(seed)), TRIPS), POLICY)
        named = set(found.answer.split(", and ")) if found.state == DECIDED else set()
        assert named
        assert named <= set(planted)
        likely = {one.title for one in found.ranked if one.chance >= 0.5}
        assert (likely == set(planted)) is (sure > 0)
        assert (named == set(planted)) is (sure == 2)
        # What is likely and not named is told; of two that are named the less likely one counts.
        assert ("is likely besides" in found.next_step) is (sure == 1)
        assert found.chance == min(one.chance for one in found.ranked if one.title in named)


def test_a_wrong_profile_is_looked_for_on_a_single_unit_too() -> None:
    inner = [trip(dt.datetime(2025, 6, 10 + day, 15, 50), unit="5") for day in range(5)]
    swapped = replace(SITE, others=(Other("1", 5, "Old rule", 106.0),))
    found = decide(swapped, evidence([], inner), POLICY)
    assert (found.state, found.answer) == (DECIDED, "settings")
    assert any("place 5" in sentence for sentence in found.ranked[0].speaks_for)
    required = replace(within_target(), required="New rule", required_pct=112.0)
    assert decide(required, evidence([], TRIPS), POLICY).ranked[0].cause == "settings"
    assert decide(within_target(), evidence([], TRIPS), POLICY).ranked[0].cause != "settings"


def test_units_conflict_with_the_system_or_with_each_other() -> None:
    def others(own: str | None, *named: str | None) -> list[str]:
        units = pl.DataFrame(
            {"circuit_id": ["1"] * len(named), "position": [None] * len(named), "unit_order": range(len(named)),
             "grid_profile": named}
        )  # fmt: skip
        names = {"old": "Old rule", "OLD": "Old rule", "new": "New rule", "x": None}
        return [other.profile for other in _others(units, own, names, {"old": 1.06, "new": 1.1})]

    assert others("New rule", "new", "old", None) == ["Old rule"]
    # Where the system names none, units that agree say what it is, by whatever name.
    assert others(None, "old", "OLD", None) == []
    assert others(None, "old", "new") == ["Old rule", "New rule"]
    assert others("x", "x") == []  # a profile that the catalog does not know is the same by the same name
    unsaid = replace(within_target(), profile=None, threshold_pct=None, others=(Other("1", None, "Old rule", 106.0),))
    assert wrong_profile(unsaid) == (
        "On circuit 1 some units are recorded with grid profile Old rule, whose first threshold is 106.0 %; the"
        " system's is not recorded, and other units name another."
    )


@pytest.mark.parametrize(
    ("unit", "told"), [("5", True), ("1", False), ("12", False), ("SN-4711", False), ("190211", False), ("0", False)]
)
def test_one_unit_that_trips_alone_is_odd_only_where_its_place_is_known(unit: str, told: bool) -> None:
    alone = [trip(dt.datetime(2025, 6, 10 + day, 15, 50), unit=unit) for day in range(5)]
    found = decide(SITE, evidence([], alone), POLICY)
    assert any("alone trips" in sentence for sentence in found.evidence) is told


def test_a_mean_tells_nothing_of_the_moment_of_a_trip() -> None:
    at = dt.datetime(2025, 6, 10, 15, 45)
    mean = [reading("unit", at, 0.9, 102.0, duration_s=900.0)]
    peak = [mean[0] | {"max_v": 255.0}]
    told = [decide(SITE, evidence(rows, TRIPS[:1]), POLICY).evidence for rows in (mean, peak)]
    assert [any("first threshold" in sentence for sentence in each) for each in told] == [False, True]


def test_the_level_at_a_trip_is_that_of_the_unit_that_tripped() -> None:
    at = dt.datetime(2025, 6, 10, 15, 45)
    rows = [
        reading("unit", at, 0.9, 101.0, duration_s=900.0, circuit_id=circuit, unit=unit, leg=leg, max_v=2.4 * peak)
        for circuit, unit, leg, peak in (
            ("1", "5", None, 111.0), ("1", "12", "L1-L2", 109.0), ("1", "12", "L1", 108.0), ("2", "5", None, 112.0),
        )
    ]  # fmt: skip
    for order in (rows, rows[::-1]):
        made = in_percent(frame(order), SITE, POLICY)
        for circuit, unit, level in (
            ("1", "12", 109.0), ("1", "5", 111.0), ("1", None, 111.0), (None, "5", 112.0), (None, None, 112.0),
        ):  # fmt: skip
            events = frame([trip(at + dt.timedelta(minutes=4)) | {"circuit_id": circuit, "unit": unit}], "event")
            assert trip_levels(made, events, SITE)["level_pct"].to_list() == [pytest.approx(level)]
        # A unit that was not read has no level, nor has a moment after the interval.
        for event in (trip(at, unit="7"), trip(at + dt.timedelta(minutes=16))):
            assert not trip_levels(made, frame([event], "event"), SITE).height


def test_what_lies_before_a_change_of_settings_says_nothing_of_those_in_force() -> None:
    at = dt.datetime(2025, 6, 10, 15, 45)
    low = [reading("unit", at, 0.9, 102.0, duration_s=900.0, max_v=253.0)]
    changed = {"system_id": "S", "start": dt.datetime(2025, 7, 1), "kind": "settings changed", "known_until": at}
    log = {"system_id": "S", "start": dt.datetime(2025, 5, 1), "end": dt.datetime(2025, 9, 1), "kind": "logging",
           "known_until": at}  # fmt: skip
    blamed = decide(SITE, evidence(low, [log, *TRIPS]), POLICY)
    assert blamed.ranked[0].cause == "settings"
    mended = decide(SITE, evidence(low, [log, *TRIPS, changed]), POLICY)
    assert mended.ranked[0].cause != "settings"
    # The log goes on from that day: July and August have 62.
    assert any("62 days in the log hold no trip" in sentence for sentence in mended.evidence)


def span(kind: str, first: dt.datetime, days: float, *, ends: bool = True) -> dict[str, object]:
    """An event that lasts so many days; one that does not end is known until then."""
    last = first + dt.timedelta(days=days)
    return {"system_id": "S", "start": first, "end": last if ends else None, "kind": kind, "known_until": last}


def test_days_in_the_log_are_those_in_which_a_trip_would_have_been_recorded() -> None:
    may = dt.datetime(2025, 5, 1)
    log, silent = span("logging", may, 100), span("communication lost", may + dt.timedelta(days=10), 80)
    unending = silent | {"end": None}
    again = span("logging", may + dt.timedelta(days=50), 20)
    changed = span("settings changed", may + dt.timedelta(days=60), 0)

    def logged(*rows: dict[str, object], until: dt.datetime | None = None) -> float:
        return log_of(frame(list(rows), "event"), None, until).logged_days

    assert logged() == 0.0
    assert logged(log) == 100.0
    assert logged(log | {"end": None}) == 100.0
    assert logged(log, again) == 100.0  # logs that overlap count once
    assert logged(log, silent) == 20.0
    assert logged(log, unending) == 10.0  # for good
    assert logged(log, unending, again) == 60.0  # until the next log begins
    assert logged(log, changed) == 40.0
    # Before a day neither the log nor the settings of afterwards count.
    until = may + dt.timedelta(days=55)
    assert [logged(log, *more, until=until) for more in ((), (silent,), (changed,), (unending, again))] == [
        55,
        10,
        55,
        15,
    ]
    # A silent gateway is no quiet log, nor is one that was read for two weeks before a repair.
    for rows, repaired_on, quiet in (
        ([log], None, True), ([log, silent], None, False), ([log], dt.date(2025, 5, 15), False),
    ):  # fmt: skip
        told = decide(SITE, evidence([], rows), POLICY, repaired_on).evidence
        assert any("hold no trip" in sentence for sentence in told) is quiet


def days(first: dt.date, count: int, trips: dict[int, int], share: float = 1.0) -> pl.DataFrame:
    """Logged days with so many trips on some of them."""
    return pl.DataFrame(
        {
            "day": [first + dt.timedelta(days=n) for n in range(count)],
            "logged_share": [share] * count,
            "trips": [trips.get(n, 0) for n in range(count)],
        }
    )


def test_three_expected_and_none_seen_prove_a_repair() -> None:
    # Garwood: with none seen the one-sided 95 % limit of a Poisson mean is 2.9957, so that three are enough.
    assert stats.poisson.cdf(0, 2.9957) == pytest.approx(0.05, abs=1e-5)
    june, repaired = dt.date(2025, 6, 1), dt.date(2026, 6, 1)
    # Nine trip-days in thirty days of June before: 0.3 a day; eleven days of the next June expect 3.3.
    old = days(june, 30, dict.fromkeys(range(9), 2))
    enough, few = (pl.concat([old, days(dt.date(2026, 6, 2), n, {})]) for n in (11, 9))
    done = proof(enough, repaired, 3.0)
    assert (done.state, done.seen) == (PROVED, 0)
    assert done.expected == pytest.approx(3.3)
    assert proof(few, repaired, 3.0).state == OPEN
    assert proof(pl.concat([old, days(dt.date(2026, 6, 2), 20, {4: 1})]), repaired, 3.0).state == FAILED
    # A winter's silence says nothing of June, nor does a log without a trip before.
    winter = proof(pl.concat([old, days(dt.date(2026, 11, 1), 60, {})]), repaired, 3.0)
    assert (winter.state, winter.expected) == (OPEN, 0.0)
    assert proof(pl.concat([days(june, 30, {}), days(dt.date(2026, 6, 2), 20, {})]), repaired, 3.0).state == UNTOLD
    # A day that was logged in part counts in part.
    part = proof(pl.concat([old, days(dt.date(2026, 6, 2), 11, {}, share=0.5)]), repaired, 3.0)
    assert part.expected == pytest.approx(1.65)
    # So it does before the repair: nine trip-days in thirty half days are 0.6 a day.
    half = pl.concat([days(june, 30, dict.fromkeys(range(9), 2), share=0.5), days(dt.date(2026, 6, 2), 11, {})])
    assert proof(half, repaired, 3.0).expected == pytest.approx(6.6)


def test_after_a_repair_the_readings_since_raise_the_alarm() -> None:
    hot = (*PARTS[:2], PARTS[2] + 2.5, PARTS[3])
    rows = week(("main panel", "unit"), random.Random(1), parts=hot)
    found = decide(SITE, evidence(rows, TRIPS), POLICY, dt.date(2025, 6, 20))
    assert found.state != "stop"
    assert found.proof is not None
    assert decide(SITE, evidence(rows, TRIPS), POLICY, dt.date(2025, 6, 1)).state == "stop"


def test_a_day_begins_at_midnight_of_local_standard_time() -> None:
    # The place lies three hours behind UTC: 02:00 UTC of the day of the repair is the evening before it.
    for hour, stop in ((2, False), (4, True)):
        at = dt.datetime(2025, 6, 20, hour)
        leg = reading("main panel", at, 0.0, 100.0, leg="L1-N", solar="off") | {"mean_v": 140.0}
        assert (decide(SITE, evidence([leg], []), POLICY, dt.date(2025, 6, 20)).state == "stop") is stop
        assert (decide(SITE, evidence([leg], []), POLICY, since=dt.date(2025, 6, 20)).state == "stop") is stop


def test_what_lies_before_an_earlier_repair_counts_for_nothing() -> None:
    leg = reading("main panel", NOON, 0.0, 100.0, leg="L1-N", solar="off") | {"mean_v": 140.0}
    log = span("logging", dt.datetime(2024, 5, 1), 800)
    old, later = dt.date(2025, 6, 11), dt.date(2026, 6, 1)
    assert decide(SITE, evidence([leg], []), POLICY).state == "stop"
    found = decide(SITE, evidence([leg], [log, *TRIPS]), POLICY, since=dt.date(2025, 6, 15))
    assert found.state != "stop"
    assert "count from 2025-06-15 on" in found.counted
    assert not found.contrasts
    assert any("hold no trip" in sentence for sentence in found.evidence)
    # The proof of the next repair is held against what came between both: three trip-days of 11 to 14 June.
    between = decide(SITE, evidence([leg], [log, *TRIPS]), POLICY, later, old)
    whole = decide(SITE, evidence([leg], [log, *TRIPS]), POLICY, later)
    assert between.proof is not None
    assert whole.proof is not None
    # June 2025 from the 12th on: 3 trip-days in 19 days; June 2026 from the 2nd on: 29 days.
    assert between.proof.expected == pytest.approx(29 * 3 / 19)
    # Both Junes before: 5 trip-days in 60 days.
    assert whole.proof.expected == pytest.approx(29 * 5 / 60)


def test_the_last_repair_before_a_complaint() -> None:
    day = dt.date
    complaints = pl.DataFrame(
        [("A", "S", day(2024, 1, 1)), ("B", "S", day(2024, 9, 1)), ("C", "S", day(2025, 6, 1)),
         ("D", "S", day(2024, 5, 31)), ("E", "T", day(2025, 6, 1))],
        schema=["complaint_id", "system_id", "opened"], orient="row",
    )  # fmt: skip
    repaired = {"A": day(2024, 6, 1), "B": day(2024, 9, 1), "Z": day(2020, 1, 1)}
    # B was repaired on the day on which it was made: its own repair is not one before it.
    assert last_repairs(complaints, repaired) == {"B": day(2024, 6, 1), "C": day(2024, 9, 1)}
    assert last_repairs(complaints, {}) == {}


def test_summaries_count_what_was_read() -> None:
    rows = [
        reading("service", NOON + dt.timedelta(hours=hour), 0.0, pct, service=0.0, leg="L1-L2")
        for hour, pct in enumerate((104.0, 104.0, 106.0, 111.0))
    ]
    made = in_percent(frame(rows), SITE, POLICY)
    row = summary(made, SITE).row(0, named=True)
    assert (row["readings"], row["over_top_pct"], row["over_threshold_pct"]) == (4, 50.0, 25.0)
    assert row["worst_hour"] == NOON + dt.timedelta(hours=3)
    assert row["worst_hour_v"] == pytest.approx(240 * 1.11)
    assert np.allclose(by_hour(made, SITE)["v_pct"].to_numpy(), [104.0, 104.0, 106.0, 111.0])
