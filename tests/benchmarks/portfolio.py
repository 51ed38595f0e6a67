"""A portfolio of any size to measure with: invented systems that use the sample's equipment, written as a simple CSV.

Every column of the simple file is there. Systems have one to seven circuits of about a dozen units, some facts are
missing, some lengths are in feet. The same number of rows always gives the same file.
"""

from __future__ import annotations

import datetime
import resource
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from auditor.records.schema import simple_columns
from auditor.store import Store

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_portfolio"
#: Systems made at a time, so that writing a large file needs little memory.
CHUNK_SYSTEMS = 25_000


@dataclass(frozen=True)
class Kind:
    """A kind of system the invented company builds; texts and figures in a tuple are drawn from at random."""

    share: float
    service: str
    region: tuple[str, ...]
    utility: str
    code: str
    editions: tuple[str, ...]
    profile: tuple[str, ...]
    inverter: tuple[str, ...]
    trunk: str
    module: tuple[str, ...]
    phases: tuple[str | None, ...]
    units: tuple[int, int]
    breaker_a: tuple[int, ...]
    home_run_size: tuple[str, ...]
    feeder_size: tuple[str, ...]
    entrance_size: str
    drop_size: tuple[str, ...]
    panel_a: tuple[tuple[int, int], ...]
    transformer_kva: tuple[float, ...]


US_SIZES = ("12 AWG", "10 AWG", "10 AWG", "8 AWG", "6 AWG")
METRIC_SIZES = ("4 mm2", "6 mm2", "6 mm2", "10 mm2")
NEC_EDITIONS = ("2011", "2014", "2017", "2020", "2023")
KINDS = (
    Kind(0.70, "120/240", ("Upper Ennick", "Lowmarsh Coast"), "Ennick Valley Electric", "NEC", NEC_EDITIONS,
         ("Ennick Valley 2012", "Ennick Valley 2018", "Lowmarsh Rule 9"),
         ("Larkfield U215", "Larkfield U240", "Larkfield U240", "Larkfield U290"), "Larkfield TC-2",
         ("Sollan 60-265", "Sollan 60-305", "Sollan 66-345"), (None,), (5, 16), (20, 20, 20, 15), US_SIZES,
         ("6 AWG", "4 AWG", "2 AWG"), "4/0 AWG", ("2 AWG", "1/0 AWG", "4/0 AWG"),
         ((200, 200), (200, 175), (225, 200), (125, 100)), (15, 25, 37.5, 50)),
    Kind(0.12, "208Y/120", ("Upper Ennick", "Lowmarsh Coast"), "Lowmarsh Power", "NEC", NEC_EDITIONS,
         ("Ennick Valley 2018", "Lowmarsh Rule 9"), ("Larkfield U240", "Larkfield U290"), "Larkfield TC-3",
         ("Sollan 60-305", "Sollan 66-345"), ("ABC", "ABC", "ABC", "AB", "CA"), (6, 24), (20,), US_SIZES,
         ("4 AWG", "2 AWG", "1/0 AWG"), "4/0 AWG", ("1/0 AWG", "4/0 AWG"), ((400, 400), (600, 400)), (112.5, 300)),
    Kind(0.03, "480Y/277", ("Upper Ennick", "Lowmarsh Coast"), "Lowmarsh Power", "NEC", NEC_EDITIONS,
         ("Ennick Valley 2018", "Lowmarsh Rule 9"), ("Merrow N300",), "Merrow W4", ("Sollan 66-345",),
         ("ABC", "ABC", "ABC", "A", "C"), (12, 42), (20,), US_SIZES, ("4 AWG", "2 AWG", "1/0 AWG"), "4/0 AWG",
         ("4/0 AWG",), ((800, 800), (1200, 1000)), (300,)),
    Kind(0.12, "230", ("Tallis Isles",), "Tallis Lines", "AS/NZS 3000", ("2007", "2018"),
         ("Tallis General", "Tallis General", "Tallis Harbour"), ("Brindle E235", "Brindle E350"), "Brindle K4",
         ("Sollan 60-265", "Sollan 108-425"), (None,), (5, 14), (20, 20, 25), METRIC_SIZES,
         ("10 mm2", "16 mm2", "25 mm2"), "70 mm2", ("25 mm2", "35 mm2"), ((100, 100), (160, 100)), (25, 50)),
    Kind(0.03, "400Y/230", ("Tallis Isles",), "Tallis Lines", "AS/NZS 3000", ("2007", "2018"),
         ("Tallis General", "Tallis Harbour"), ("Brindle E235", "Brindle E350"), "Brindle K4-4",
         ("Sollan 60-305", "Sollan 108-425"), ("ABC", "ABC", "B"), (9, 30), (20,), METRIC_SIZES,
         ("16 mm2", "25 mm2"), "70 mm2", ("35 mm2",), ((400, 400),), (112.5, 300)),
)  # fmt: skip


def write_portfolio(path: Path, rows: int, seed: int = 1) -> int:
    """Write a simple CSV of so many rows, four to a system on average; return the number of systems."""
    rng = np.random.default_rng(seed)
    written = systems = 0
    with path.open("wb") as file:
        while written < rows:
            chunk = _chunk(rng, systems, min(CHUNK_SYSTEMS, (rows - written) // 3 + 2)).head(rows - written)
            chunk.write_csv(file, include_header=written == 0)
            written += chunk.height
            systems += chunk["system_id"].n_unique()
    return systems


def _chunk(rng: np.random.Generator, first: int, count: int) -> pl.DataFrame:
    """So many systems, all their rows, in order of their ids."""
    kind = rng.choice(len(KINDS), count, p=[k.share for k in KINDS])
    frames = [_systems(rng, k, first + np.flatnonzero(kind == n)) for n, k in enumerate(KINDS)]
    parts = [_circuits(rng, k, f) for k, f in zip(KINDS, frames, strict=True) if f.height]
    rows = pl.concat(parts, how="vertical_relaxed")
    return rows.sort("system_id", "circuit_id").select([name for name in simple_columns() if name in rows.columns])


def _systems(rng: np.random.Generator, kind: Kind, numbers: np.ndarray) -> pl.DataFrame:
    """One row per system with its own facts and those of its shared runs."""
    count = numbers.size
    design = np.datetime64(datetime.date(2011, 6, 1)) + rng.integers(0, 4900, count)
    panel = rng.integers(0, len(kind.panel_a), count)
    absorbs = rng.random(count) < 0.05
    frame = pl.DataFrame(
        {
            "system_id": [f"B{n:07d}" for n in numbers],
            "site_label": [f"Site {n}" for n in numbers],
            "region": _draw(rng, kind.region, count),
            "utility": _draw(rng, (kind.utility,), count),
            "distribution_feeder_id": _draw(rng, tuple(f"F-{n:02d}" for n in range(60)), count),
            "latitude_deg": (35 + rng.uniform(-0.6, 0.6, count)).round(4),
            "longitude_deg": (-40 + rng.uniform(-0.6, 0.6, count)).round(4),
            "designer": _draw(rng, ("Odalys", "Brannoc", "Tevin", "Ilse", "Maren"), count),
            "office": _draw(rng, ("Ennick Town", "Saltgate", "Port Tallis"), count),
            "crew": _draw(rng, tuple(f"Crew {n}" for n in range(12)), count),
            "contact": _draw(rng, ("desk@quillfern.invalid",), count),
            "design_date": design,
            "permit_date": design + rng.integers(7, 60, count),
            "energized_date": design + rng.integers(80, 200, count),
            "installation_code": _draw(rng, (kind.code,), count),
            "code_edition": _draw(rng, kind.editions, count),
            "service": _draw(rng, (kind.service,), count),
            "grid_profile": _draw(rng, kind.profile, count, missing=0.01),
            "power_factor": pl.Series(np.where(absorbs, 0.95, np.nan)).fill_nan(None),
            "power_factor_mode": pl.Series(np.where(absorbs, "absorbs", "")).replace("", None),
            "transformer_kva": _draw(rng, kind.transformer_kva, count),
            "transformer_r_pct": _draw(rng, (1.0, 1.2), count, missing=0.9),
            "transformer_x_pct": _draw(rng, (1.8, 2.2), count, missing=0.9),
            "customers_on_transformer": rng.integers(1, 9, count),
            "shared_solar_kw": _draw(rng, (5.0, 8.5, 14.0), count, missing=0.7),
            "busbar_a": np.array([p[0] for p in kind.panel_a])[panel],
            "main_breaker_a": np.array([p[1] for p in kind.panel_a])[panel],
            "connection_side": _draw(rng, ("load", "load", "load", "supply"), count, missing=0.02),
            "backfeed_position": _draw(rng, ("opposite end", "opposite end", "main end", "elsewhere"), count, 0.02),
            "other_sources_a": _draw(rng, (0,), count, missing=0.1),
            "busbar_breakers_a": rng.integers(30, 100, count) * 5,
            "module_model": _draw(rng, kind.module, count, missing=0.01),
            "tilt_deg": _draw(rng, (5, 10, 18, 22.5, 27, 34), count),
            "azimuth_deg": _draw(rng, (90, 135, 180, 200, 225, 270), count),
            "low_design_temp_c": _draw(rng, (-18, -16, -2, 0, 2, 4), count, missing=0.01),
            "feeder_length_m": _length(rng, count, 4, 25, missing=0.02),
            "feeder_size": _draw(rng, kind.feeder_size, count),
            "feeder_material": _draw(rng, ("copper",), count),
            "service_entrance_length_m": _length(rng, count, 3, 10),
            "service_entrance_size": _draw(rng, (kind.entrance_size,), count),
            "service_entrance_material": _draw(rng, ("copper", "aluminium"), count),
            "service_drop_length_m": _length(rng, count, 12, 40),
            "service_drop_size": _draw(rng, kind.drop_size, count),
            "service_drop_material": _draw(rng, ("aluminium",), count),
            "inverter_model": _draw(rng, kind.inverter, count),
            "orientation": _draw(rng, ("portrait", "landscape"), count),
        }
    )
    return frame.with_columns(pl.Series("_circuits", rng.integers(1, 8, count)))


def _circuits(rng: np.random.Generator, kind: Kind, systems: pl.DataFrame) -> pl.DataFrame:
    """The systems' rows, one per circuit."""
    frame = systems.select(pl.all().repeat_by("_circuits").explode())
    order = pl.int_range(1, pl.len() + 1).over("system_id")
    count = frame.height
    units = rng.integers(kind.units[0], kind.units[1] + 1, count)
    feed = rng.choice(["end", "centre", "arms"], count, p=[0.35, 0.5, 0.15])
    first_arm = np.maximum(units // 3, 1)
    split = [f"{a}+{n - a}" if f == "arms" else None for a, n, f in zip(first_arm, units, feed, strict=True)]
    extra = [f"{n // 2}@{m}" if m else None for n, m in zip(units, rng.choice([0] * 19 + [3.5], count), strict=True)]
    return frame.with_columns(
        order.alias("circuit_id"),
        pl.Series("inverter_count", units),
        pl.lit(kind.trunk).alias("trunk_model"),
        pl.Series("feed", feed),
        pl.Series("arm_counts", split, dtype=pl.String),
        pl.Series("first_section_m", _draw(rng, (0.6, 1.5, 4.2), count, missing=0.8)),
        pl.Series("extra_trunk", extra, dtype=pl.String),
        pl.Series("breaker_a", _draw(rng, kind.breaker_a, count, missing=0.005)),
        pl.when(pl.col("_circuits") > 4).then(pl.format("AC-{}", (order + 3) // 4)).alias("combiner_id"),
        pl.Series("circuit_phases", _draw(rng, kind.phases, count), dtype=pl.String),
        pl.Series("ambient_c", _draw(rng, (30, 33, 36, 38, 41, 44), count, missing=0.2)),
        pl.Series("raceway_conductors", _draw(rng, (2, 3, 4, 6, 9), count)),
        pl.Series("roof_clearance_mm", _draw(rng, (22, 90, 300), count, missing=0.7)),
        pl.Series("module_count", units),
        pl.Series("home_run_length_m", _length(rng, count, 6, 45, missing=0.02)),
        pl.Series("home_run_size", _draw(rng, kind.home_run_size, count)),
        pl.lit("copper").alias("home_run_material"),
        pl.Series("home_run_raceway", _draw(rng, ("pvc", "steel"), count, missing=0.5)),
    )


def _draw(rng: np.random.Generator, options: tuple, count: int, missing: float = 0.0) -> pl.Series:
    """A column drawn from some values, a share of it missing."""
    drawn = pl.Series(list(options), strict=False).gather(rng.integers(0, len(options), count))
    return drawn.set(pl.Series(rng.random(count) < missing), None) if missing else drawn


def _length(rng: np.random.Generator, count: int, low: float, high: float, missing: float = 0.0) -> pl.Series:
    """Lengths as text: in metres to the decimetre, one in twenty in whole feet."""
    metres = pl.Series(rng.uniform(low, high, count).round(1))
    feet = pl.Series(rng.random(count) < 0.05)
    text = (metres / 0.3048).round().cast(pl.Int64).cast(pl.String) + " ft"
    text = text.zip_with(feet, metres.cast(pl.String))
    return text.set(pl.Series(rng.random(count) < missing), None) if missing else text


def sample_store(root: Path) -> Store:
    """A new store with the sample's equipment and policy."""
    store = Store(root)
    store.create()
    for path in sorted((SAMPLE / "catalog").glob("*.toml")):
        shutil.copyfile(path, store.catalog / path.name)
    shutil.copyfile(SAMPLE / "policy.toml", store.policy)
    return store


@contextmanager
def timed(seconds: dict[str, float], name: str) -> Iterator[None]:
    """Add the seconds that the block takes to `seconds[name]`."""
    start = time.perf_counter()
    try:
        yield
    finally:
        seconds[name] = seconds.get(name, 0.0) + time.perf_counter() - start


def peak_gb() -> float:
    """Largest resident memory of this process so far [GB]."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e9 if sys.platform == "darwin" else 1e6 / 1.024)
