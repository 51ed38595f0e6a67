"""What a quality manager is shown of a run: the comparison, the causes, repeated faults, and the field sample."""

from __future__ import annotations

import polars as pl

from auditor.errors import AuditorError
from auditor.quality import field, names, patterns, timeline, words
from auditor.quality.compare import Comparison, compare
from auditor.reports.cases import DAY, VALUES, cases, in_region
from auditor.store.records_db import Connection

#: The tables that a comparison is written as.
PARTS = ("units", "years", "signals", "fit", "calibration", "causes", "repeats")
#: What of the case mix a check itself judges: whoever puts too many on a branch is not excused by their number.
JUDGED_ITSELF = {"branch-unit-limit": ("units",)}
#: Units whose names people type, so that one may stand there under two spellings.
TYPED = ("designer", "crew", "office", "region", "utility")
#: A system's failing voltage rise by the part of its worst circuit that takes most.
_RISE_PART = """SELECT system_id, arg_max(CASE greatest(coalesce(trunk_rise_pct, 0), coalesce(home_run_rise_pct, 0),
    coalesce(feeder_rise_pct, 0)) WHEN trunk_rise_pct THEN 'trunk cable' WHEN home_run_rise_pct THEN 'home run'
    ELSE 'feeder' END, total_rise_pct) AS part
    FROM circuit_result WHERE voltage_rise_verdict = 'fail' GROUP BY system_id"""
RISE = "voltage-rise"
RISE_PARTS = ("trunk cable", "home run", "feeder")


def comparison(con: Connection, by: str, outcome: str, region: str = "") -> Comparison:
    """Compare units by an outcome, in all regions or one; AuditorError names what there is to compare."""
    return compare(cases(con, by, outcome, region), by, JUDGED_ITSELF.get(outcome, ()))


def fault_counts(con: Connection, by: str, region: str = "") -> pl.DataFrame:
    """Systems judged and failing by unit, year and cause: value, year, cause, judged, failed.

    A cause is a check; of voltage rise, the part of the worst circuit that takes most of it.
    """
    held = {row[0] for row in con.execute("DESCRIBE system_result").fetchall()}
    checks = [row[0] for row in con.execute('SELECT "check" FROM "check" ORDER BY number').fetchall()]
    counts: dict[str, tuple[str, str]] = {}
    for check in checks:
        verdict = f"r.{check.replace('-', '_')}_verdict"
        if verdict.removeprefix("r.") not in held:
            continue
        judged = f"count(*) FILTER ({verdict} IN ('fail', 'pass'))"
        if check == RISE:
            failing = f"{verdict} = 'fail' AND p.part"
            counts |= {f"{check}: {part}": (judged, f"{failing} = '{part}'") for part in RISE_PARTS}
        else:
            counts[check] = (judged, f"{verdict} = 'fail'")
    columns = ", ".join(
        f"[{judged}, count(*) FILTER ({failing})] AS c{place}"
        for place, (judged, failing) in enumerate(counts.values())
    )
    wide = pl.DataFrame(
        con.sql(
            f"SELECT {VALUES[by]} AS value, year({DAY})::INTEGER AS year, {columns} FROM system_result r"
            " JOIN system s USING (system_id) JOIN shown m USING (system_id)"
            f" LEFT JOIN ({_RISE_PART}) p USING (system_id) WHERE {in_region(con, region)} GROUP BY 1, 2 ORDER BY 1, 2"
        ).to_arrow_table()
    )
    long = wide.unpivot(index=["value", "year"], variable_name="cause", value_name="counts")
    names = {f"c{place}": cause for place, cause in enumerate(counts)}
    return long.select(
        "value", "year", pl.col("cause").replace_strict(names), pl.col("counts").list.get(0).alias("judged"),
        pl.col("counts").list.get(1).alias("failed"),
    ).filter(pl.col("judged") > 0)  # fmt: skip


def spelt_alike(found: Comparison) -> list[str]:
    """A sentence of each pair of units that may be one under two spellings; they are compared as two."""
    if found.by not in TYPED:
        return []
    judged = dict(found.units.filter(pl.col("value").is_not_null()).select("value", "judged").iter_rows())
    return [
        f"“{one}” ({judged[one]:,} judged) and “{other}” ({judged[other]:,})" for one, other in names.alike([*judged])
    ]


def told(found: Comparison) -> pl.DataFrame:
    """The units with what is said of each, as an export holds them."""
    says = [words.said_of(unit, found) for unit in found.units.iter_rows(named=True)]
    return found.units.with_columns(pl.Series("says", says, dtype=pl.String))


def with_other(units: pl.DataFrame, other: Comparison) -> pl.DataFrame:
    """Units, as `told` gives them, with those of the comparison by today's rules beside: today_judged, ..."""
    columns = ("judged", "failed", "expected", "evidence", "changed")
    beside = other.units.select("value", *(pl.col(name).alias(f"today_{name}") for name in columns))
    return units.join(beside, on="value", how="left", nulls_equal=True, maintain_order="left")


def part_of(con: Connection, found: Comparison, part: str, region: str = "") -> pl.DataFrame:
    """One table of a comparison; AuditorError names those there are."""
    if part not in PARTS:
        raise AuditorError(f"--part {part}: there are {', '.join(PARTS)}.")
    if part == "units":
        return told(found)
    if part == "years":
        return found.years
    if part == "signals":
        return timeline.signals(found.units, found.years, found.cases, found.spread, found.by)
    if part in ("causes", "repeats"):
        counts = fault_counts(con, found.by, region)
        return patterns.pareto(counts) if part == "causes" else patterns.repeats(counts)
    if found.fit is None:
        raise AuditorError("There is no fit: no case fails, or all do, or none has a verdict.")
    return found.fit.terms if part == "fit" else found.fit.calibration


#: The systems that a field sample is drawn from, and the stratum of each: its desk verdict.
_FIELD = "FROM system_result r JOIN system s USING (system_id) WHERE r.verdict <> 'not applicable'"


def field_plan(con: Connection, visits: int) -> pl.DataFrame:
    """How many systems of each desk verdict to visit: stratum, systems, visits, chance (of each of its systems).

    AuditorError where so many visits are too few.
    """
    rows = con.execute(f"SELECT r.verdict::VARCHAR, count(*) {_FIELD} GROUP BY 1").fetchall()
    sizes = {name: dict(rows)[name] for name in field.ANTICIPATED if name in dict(rows)}
    if not sizes:
        raise AuditorError("The run holds no system to visit.")
    try:
        taken = field.allocated([*sizes.values()], [field.ANTICIPATED[name] for name in sizes], visits)
    except ValueError as error:
        raise AuditorError(f"--visits {visits}: {error}.") from error
    frame = pl.DataFrame({"stratum": [*sizes], "systems": [*sizes.values()], "visits": taken})
    return frame.with_columns((pl.col("visits") / pl.col("systems")).alias("chance"))


def field_sample(con: Connection, visits: int, seed: int) -> pl.DataFrame:
    """The systems to visit, with what to find them by and an empty column for what was found."""
    systems = pl.DataFrame(
        con.sql(
            "SELECT system_id, r.verdict::VARCHAR AS stratum, s.site_label, s.region, s.utility, s.contact"
            f" {_FIELD} ORDER BY system_id"
        ).to_arrow_table()
    )
    if not systems.height:
        raise AuditorError("The run holds no system to visit.")
    try:
        sample = field.drawn(systems.select("system_id", "stratum"), visits, seed)
    except ValueError as error:
        raise AuditorError(f"--visits {visits}: {error}.") from error
    details = systems.drop("stratum")
    return sample.join(details, on="system_id", maintain_order="left").with_columns(
        pl.lit(seed).alias("seed"), pl.lit("").alias("found")
    )
