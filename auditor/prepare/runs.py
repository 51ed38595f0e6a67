"""Wire runs beside the conductor tables: impedance of what is in series, and the smallest ampacity among it."""

from __future__ import annotations

import polars as pl

from auditor.policy import Policy
from auditor.prepare.bits import add_bits
from auditor.prepare.specs import Frames

RATINGS = (60, 75, 90)
#: 1/0 AWG is 105,600 circular mils, 53.5 mm2 (NEC Chapter 9 Table 8).
SMALLEST_IN_PARALLEL_MM2 = 53.0


def _tables(catalog: Frames, policy: Policy) -> pl.DataFrame:
    """One row per (size, material): resistance [ohm/m] at the policy's temperature, ampacities and device limit [A]."""
    conductor = catalog["conductor"]
    warm = 1 + pl.col("alpha_per_c") * (policy.rise.conductor_temp_c - pl.col("reference_c"))
    frame = conductor.select(
        "size", "material", "area_mm2", (pl.col("r_ohm_per_km") * warm / 1000).alias("r_ohm_per_m")
    )
    for rating in RATINGS:
        column = catalog["ampacity"].filter(pl.col("rating_c") == rating)
        column = column.select("size", "material", pl.col("ampacity_a").alias(f"ampacity_{rating}_a"))
        column = column.unique(["size", "material"], keep="last", maintain_order=True)
        frame = frame.join(column, on=["size", "material"], how="left", maintain_order="left")
    small = catalog["small_conductor"].select(
        "size", "material", pl.col("max_breaker_a").alias("small_conductor_breaker_a")
    )
    return frame.join(small, on=["size", "material"], how="left", maintain_order="left")


def prepare_runs(run: pl.DataFrame, catalog: Frames, policy: Policy) -> pl.DataFrame:
    """Return the runs with their impedance, one conductor, one way.

    Adds r_ohm and x_ohm (of the run; where only the length is missing, of one metre), ampacities times the parallel
    sets, and for length, size, material, raceway, terminal rating and the insulation's rating ("conductor") a flag
    `no_...` where the fact is missing and `assumed_...` where the policy supplies it. A run of zero length needs no
    further fact.
    """
    assume = policy.assume
    frame = run.with_columns(
        pl.col("circuit_id").fill_null(""),
        pl.col("combiner_id").fill_null(""),
        pl.col("parallel_sets").fill_null(assume.parallel_sets),
        pl.col("material").fill_null(pl.lit(assume.material, pl.String)).alias("_material"),
        pl.col("raceway").fill_null(pl.lit(assume.raceway, pl.String)).alias("_raceway"),
        pl.col("terminal_rating_c").fill_null(pl.lit(assume.terminal_rating_c, pl.Float64)).alias("_terminal"),
        pl.col("conductor_rating_c").fill_null(pl.lit(assume.insulation_rating_c, pl.Float64)).alias("_insulation"),
    )
    short = pl.col("length_m") == 0
    tables = _tables(catalog, policy)
    reactance = catalog["reactance"].select("size", pl.col("raceway").alias("_raceway"), "x_ohm_per_km")
    frame = frame.join(
        tables.rename({"material": "_material"}), on=["size", "_material"], how="left", maintain_order="left"
    ).join(reactance, on=["size", "_raceway"], how="left", maintain_order="left")
    needed = short.fill_null(False).not_()

    def status(column: str) -> list[pl.Expr]:
        name = column.split("_", maxsplit=1)[0]
        given, filled = pl.col(column).is_null(), pl.col(f"_{name}").is_null()
        return [(needed & filled).alias(f"no_{name}"), (needed & given & filled.not_()).alias(f"assumed_{name}")]

    frame = frame.rename({"_insulation": "_conductor"}).with_columns(
        pl.col("length_m").is_null().alias("no_length"),
        (needed & pl.col("r_ohm_per_m").is_null() & pl.col("_material").is_not_null()).alias("no_size"),
        *status("material"),
        *status("raceway"),
        *status("terminal_rating_c"),
        *status("conductor_rating_c"),
    )
    per = pl.col("length_m").fill_null(1.0) / pl.col("parallel_sets")
    sets = pl.col("parallel_sets")
    # NEC 310.10(G)(1), before 2020 310.10(H)(1), from memory: conductors in parallel from 1/0 AWG up.
    together = (sets == 1) | (pl.col("area_mm2") >= SMALLEST_IN_PARALLEL_MM2)
    return frame.with_columns(
        pl.when(short).then(0.0).otherwise(pl.col("r_ohm_per_m") * per).alias("r_ohm"),
        pl.when(short).then(0.0).otherwise(pl.col("x_ohm_per_km") * 0.001 * per).alias("x_ohm"),
        *(pl.when(needed & together).then(pl.col(f"ampacity_{r}_a") * sets).alias(f"ampacity_{r}_a") for r in RATINGS),
        (needed & pl.col("r_ohm_per_m").is_not_null() & (together.not_() | pl.col("ampacity_75_a").is_null()))
        .fill_null(False)
        .alias("no_table"),
        pl.when(needed & (sets == 1)).then("small_conductor_breaker_a").alias("small_conductor_breaker_a"),
        pl.col("_terminal").alias("terminal_rating_c"),
        pl.col("_conductor").alias("conductor_rating_c"),
        pl.col("_material").alias("material"),
        pl.col("_raceway").alias("raceway"),
    ).drop("_terminal", "_conductor", "_material", "_raceway")


def _smallest(column: str) -> pl.Expr:
    """The smallest figure of runs in series, null where any is missing; a run of no length has none."""
    values = pl.col(column).filter((pl.col("length_m") != 0).fill_null(True))
    return pl.when(values.is_null().any().not_()).then(values.min()).alias(column)


_TEXTS = ("size", "material", "raceway")
_NUMBERS = (*(f"ampacity_{rating}_a" for rating in RATINGS), "terminal_rating_c", "conductor_rating_c", "rated_a")


def _flags(rows: pl.DataFrame) -> list[str]:
    return [c for c in rows.columns if c.startswith(("no_", "assumed_"))]


def _alone(rows: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Runs with no other in series, as `_several` gives them, without the cost of grouping."""
    wire = (pl.col("length_m") != 0).fill_null(True)
    return rows.select(
        *key,
        pl.lit(1, pl.UInt32).alias("runs"),
        *("length_m", "r_ohm", "x_ohm"),
        *_TEXTS,
        *(pl.when(wire).then(c).alias(c) for c in _NUMBERS),
        *("small_conductor_breaker_a", "parallel_sets"),
        *(pl.col(c).fill_null(False) for c in _flags(rows)),
    )


def _several(rows: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """Runs in series: lengths and impedances add, ampacities and ratings are the smallest."""
    short = (pl.col("length_m") == 0).fill_null(False)
    weakest = pl.when(short).then(None).otherwise(pl.col("ampacity_60_a").fill_null(-1.0)).arg_min().fill_null(0)
    return (
        rows.sort(*key, "run_order")
        .group_by(key, maintain_order=True)
        .agg(
            pl.len().cast(pl.UInt32).alias("runs"),
            *(
                pl.when(pl.col(c).is_null().any().not_()).then(pl.col(c).sum()).alias(c)
                for c in ("length_m", "r_ohm", "x_ohm")
            ),
            *(pl.col(c).get(weakest).alias(c) for c in _TEXTS),
            *(_smallest(c) for c in _NUMBERS),
            pl.col("small_conductor_breaker_a").min(),
            pl.col("parallel_sets").min(),
            *(pl.col(c).any() for c in _flags(rows)),
        )
    )


def in_series(run: pl.DataFrame, role: str, key: list[str]) -> pl.DataFrame:
    """Return one row per key: the runs of that role in series, columns prefixed with the role's name.

    Impedances add; ampacities and ratings are the smallest, size, material and raceway those of the weakest run. A
    home run of unknown length keeps the impedance of one metre, so that the length at which it fails can be told. The
    order of the rows means nothing.
    """
    prefix = role.replace(" ", "_")
    rows = run.filter(pl.col("role") == role)
    shared = rows.select(key).is_duplicated()
    frame = pl.concat([_alone(rows.filter(~shared), key), _several(rows.filter(shared), key)])
    if role != "home run":
        known = pl.col("no_length").not_()
        frame = frame.with_columns(
            pl.when(known).then("r_ohm").alias("r_ohm"), pl.when(known).then("x_ohm").alias("x_ohm")
        )
    return frame.rename({c: f"{prefix}_{c}" for c in frame.columns if c not in key})


def run_bits(frame: pl.DataFrame, prefix: str, ampacity: bool = False) -> pl.DataFrame:
    """Add the missing and assumed bits of a role's runs to a frame joined with `in_series`; no run misses all."""
    absent = pl.col(f"{prefix}_runs").is_null()
    missing = {
        f"{prefix}_length_m": absent | pl.col(f"{prefix}_no_length"),
        f"{prefix}_size": absent | pl.col(f"{prefix}_no_size"),
        f"{prefix}_material": absent | pl.col(f"{prefix}_no_material"),
    }
    assumed = {f"{prefix}_material": pl.col(f"{prefix}_assumed_material")}
    if ampacity:
        missing |= {
            f"{prefix}_raceway": absent | pl.col(f"{prefix}_no_raceway"),
            f"{prefix}_terminal_rating_c": absent | pl.col(f"{prefix}_no_terminal"),
            f"{prefix}_insulation": absent | pl.col(f"{prefix}_no_conductor"),
            "ampacity_table": pl.col(f"{prefix}_no_table"),
        }
        assumed |= {
            f"{prefix}_raceway": pl.col(f"{prefix}_assumed_raceway"),
            f"{prefix}_terminal_rating_c": pl.col(f"{prefix}_assumed_terminal"),
            f"{prefix}_insulation": pl.col(f"{prefix}_assumed_conductor"),
        }
        missing[f"{prefix}_rated_a"] = pl.col(f"{prefix}_rated_a").is_null()
    return add_bits(frame, missing, assumed)
