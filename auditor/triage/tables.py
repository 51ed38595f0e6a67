"""The decisions of an audit as tables: one row a complaint, and small aggregates of the readings behind it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from auditor.evidence.daylight import zones_h
from auditor.policy import Policy
from auditor.prepare.specs import Frames
from auditor.triage.contrasts import in_percent
from auditor.triage.decide import CANNOT_TELL, STOP, Decision, Evidence, called, decide
from auditor.triage.safety import CALL
from auditor.triage.site import PERCENT, Site, site_of
from auditor.triage.words import said

#: One row a complaint that is not settled. `told` holds the whole decision as JSON.
TRIAGE: dict[str, pl.DataType] = {
    "complaint_id": pl.String(),
    "system_id": pl.String(),
    "state": pl.String(),
    "answer": pl.String(),
    "chance": pl.Float64(),
    "next_step": pl.String(),
    "proof": pl.String(),
    "told": pl.String(),
}
#: Readings of one place and leg by one instrument: count, most common length and span, how far the instrument may be
#: off, mean and highest voltage, shares of the readings whose mean lies above the service range and whose highest
#: value lies above the first threshold [%], and the hour with the highest mean; how far local standard time is ahead
#: of UTC.
SUMMARY: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "place": pl.String(),
    "circuit_id": pl.String(),
    "unit": pl.String(),
    "leg": pl.String(),
    "instrument": pl.String(),
    "nominal_v": pl.Float64(),
    "readings": pl.Int64(),
    "duration_s": pl.Float64(),
    "first": pl.Datetime("us"),
    "last": pl.Datetime("us"),
    "error_v": pl.Float64(),
    "mean_v": pl.Float64(),
    "max_v": pl.Float64(),
    "over_top_pct": pl.Float64(),
    "over_threshold_pct": pl.Float64(),
    "worst_hour": pl.Datetime("us"),
    "worst_hour_v": pl.Float64(),
    "zone_h": pl.Int64(),
}
#: Means by hour in the week around the highest hour, for charts.
HOURS: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "place": pl.String(),
    "circuit_id": pl.String(),
    "leg": pl.String(),
    "hour": pl.Datetime("us"),
    "v_pct": pl.Float64(),
    "peak_pct": pl.Float64(),
    "share": pl.Float64(),
}
WEEK = timedelta(days=7)
NO_RECORD = "no record of this system"


@dataclass(frozen=True)
class Known:
    """What an audit knows of the systems with complaints: records of systems and units, results of both levels."""

    system: pl.DataFrame
    unit: pl.DataFrame
    system_result: pl.DataFrame
    circuit_result: pl.DataFrame


@dataclass(frozen=True)
class Decided:
    """The tables TRIAGE, SUMMARY and HOURS."""

    triage: pl.DataFrame
    summary: pl.DataFrame
    hours: pl.DataFrame


def decided(
    complaints: pl.DataFrame,
    known: Known,
    catalog: Frames,
    policy: Policy,
    evidence_of: Callable[[str], tuple[pl.DataFrame, pl.DataFrame]],
    repaired: Mapping[str, date],
    since: Mapping[str, date],
) -> Decided:
    """Decide on each complaint (complaint_id, system_id, text); `evidence_of` gives a system's readings and events.

    `repaired` are the days on which a repair was noted, by complaint, `since` those of the system's last repair before
    the complaint.
    """
    rows: list[dict[str, Any]] = []
    summaries, hours = [pl.DataFrame(schema=SUMMARY)], [pl.DataFrame(schema=HOURS)]
    for system_id, ids in complaints.sort("system_id", "complaint_id").group_by("system_id", maintain_order=True):
        name = str(system_id[0])
        site, place = _site(name, known, catalog, policy)
        if site is None:
            rows += [_unknown(one, text, name) for one, text in ids.select("complaint_id", "text").iter_rows()]
            continue
        readings, events = evidence_of(name)
        of_system = in_percent(readings, site, policy)
        evidence = Evidence(of_system, events, *place)
        for complaint, text in ids.select("complaint_id", "text").iter_rows():
            done = repaired.get(complaint), since.get(complaint)
            rows.append(_row(complaint, name, decide(site, evidence, policy, *done, text)))
        summaries.append(summary(of_system, site, place[1]))
        hours.append(by_hour(of_system, site))
    return Decided(pl.DataFrame(rows, schema=TRIAGE), pl.concat(summaries), pl.concat(hours))


def _site(
    system_id: str, known: Known, catalog: Frames, policy: Policy
) -> tuple[Site | None, tuple[float | None, float | None, date | None]]:
    """The site, its latitude and longitude, the day it was energized; None where the audit holds no such system."""
    mine = [
        frame.filter(pl.col("system_id") == system_id)
        for frame in (known.system, known.unit, known.system_result, known.circuit_result)
    ]
    if not mine[0].height or not mine[2].height:
        return None, (None, None, None)
    record = mine[0].row(0, named=True)
    site = site_of(record, mine[1], mine[2].row(0, named=True), mine[3], catalog, policy)
    return site, (record["latitude_deg"], record["longitude_deg"], record["energized_date"])


def _unknown(complaint_id: str, text: str | None, system_id: str) -> dict[str, Any]:
    """Without a record nothing is computed; what the customer says calls all the same."""
    step = "Import the system's record; without it nothing is computed that a reading could be held against."
    alarm = said(text)
    state, answer, step = (STOP, called(alarm), CALL) if alarm else (CANNOT_TELL, NO_RECORD, step)
    told = {"alarms": [asdict(each) for each in alarm]} if alarm else {}
    return {
        "complaint_id": complaint_id, "system_id": system_id, "state": state, "answer": answer, "next_step": step,
        "told": json.dumps(told, ensure_ascii=False),
    }  # fmt: skip


def _row(complaint_id: str, system_id: str, decision: Decision) -> dict[str, Any]:
    return {
        "complaint_id": complaint_id,
        "system_id": system_id,
        "state": decision.state,
        "answer": decision.answer,
        "chance": decision.chance,
        "next_step": decision.next_step,
        "proof": decision.proof.state if decision.proof else None,
        "told": json.dumps(asdict(decision), ensure_ascii=False),
    }


_KEY = ("place", "circuit_id", "unit", "leg")


def summary(rows: pl.DataFrame, site: Site, longitude_deg: float | None = None) -> pl.DataFrame:
    """What was read, by place, leg and instrument: `SUMMARY`. `rows` are those of `contrasts.in_percent`."""
    zone_h = None if longitude_deg is None else int(zones_h([longitude_deg])[0])
    keys = [*_KEY, "instrument"]
    top, threshold = (pl.lit(limit, pl.Float64) for limit in (site.top_pct, site.threshold_pct))
    hours = rows.group_by([*keys, pl.col("start").dt.truncate("1h").alias("worst_hour")]).agg(
        pl.col("mean_v").mean().alias("worst_hour_v")
    )
    worst = hours.sort("worst_hour_v", "worst_hour", descending=[True, False]).unique(keys, keep="first")
    made = rows.group_by(keys).agg(
        pl.col("nominal_v").first(),
        pl.len().alias("readings"),
        pl.col("duration_s").mode().min(),
        (pl.col("bound_pct").mean() * pl.col("nominal_v").first() / PERCENT).alias("error_v"),
        pl.col("start").min().alias("first"),
        pl.col("start").max().alias("last"),
        pl.col("mean_v").mean(),
        pl.coalesce("max_v", "mean_v").max().alias("max_v"),
        ((pl.col("v_pct") > top).mean() * PERCENT).alias("over_top_pct"),
        ((pl.col("peak_pct") > threshold).mean() * PERCENT).alias("over_threshold_pct"),
    )
    joined = made.join(worst, on=keys, nulls_equal=True, how="left")
    named = joined.with_columns(pl.lit(site.system_id).alias("system_id"), pl.lit(zone_h).alias("zone_h"))
    return named.select(pl.col(name).cast(kind) for name, kind in SUMMARY.items()).sort(keys)


def by_hour(rows: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Hourly means around the hour with the highest mean: `HOURS`; spot readings stand in the hour they were taken."""
    if not rows.height:
        return pl.DataFrame(schema=HOURS)
    keys = ["place", "circuit_id", "leg"]
    hours = rows.group_by([*keys, pl.col("start").dt.truncate("1h").alias("hour")]).agg(
        pl.col("v_pct").mean(), pl.col("peak_pct").max(), pl.col("share").mean()
    )
    at = hours.sort("v_pct", "hour", descending=[True, False])["hour"][0]
    begin = max(hours["hour"].min(), at - WEEK / 2)
    chosen = hours.filter((pl.col("hour") >= begin) & (pl.col("hour") < begin + WEEK))
    named = chosen.with_columns(pl.lit(site.system_id).alias("system_id"))
    return named.select(pl.col(name).cast(kind) for name, kind in HOURS.items()).sort(*keys, "hour")
