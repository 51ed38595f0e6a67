"""Which systems to inspect in the field, and what the portfolio is like by what was found there.

A stratified random sample: each stratum takes visits in proportion to its size and to how unsure its answer is (J.
Neyman, J. R. Statist. Soc. 97:558-625, 1934), never fewer than two, so that its variance can be told. Within a stratum
the systems with the smallest numbers are taken, each number a hash of the seed and the system's id: the same seed takes
the same systems on any machine and in any order.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.quality.limits import jeffreys

#: The strata by the desk verdict, and the share of systems with a deficiency that is anticipated in each. They only
#: steer where visits go, and are assumptions: an estimate rests on what is found, not on them.
ANTICIPATED = {"fail": 0.7, "unknown": 0.5, "pass": 0.15}
LEAST_VISITS = 2
DEFICIENT, SOUND = "deficient", "sound"


def allocated(sizes: npt.ArrayLike, anticipated: npt.ArrayLike, visits: int) -> npt.NDArray[np.int64]:
    """Visits to each stratum: in proportion to N sqrt(p (1 - p)), at least two or all of it, at most all of it.

    `sizes` are the strata's systems N, `anticipated` the shares p. ValueError where `visits` are too few for two each.
    """
    size, share = np.asarray(sizes, int), np.asarray(anticipated, float)
    least = np.minimum(size, LEAST_VISITS)
    if visits < least.sum():
        raise ValueError(f"{visits} visits are too few: the strata need {least.sum()}")
    taken, weight = least.copy(), size * np.sqrt(share * (1 - share))
    # One visit after the other goes where it lowers the variance most: the optimum in whole visits (T. Wright, Am.
    # Stat. 66:217-224, 2012).
    for _ in range(min(visits, int(size.sum())) - int(taken.sum())):
        gain = np.where(taken < size, weight**2 / (taken * (taken + 1.0)), -1.0)
        taken[int(np.argmax(gain))] += 1
    return np.asarray(taken, np.int64)


def drawn(systems: pl.DataFrame, visits: int, seed: int) -> pl.DataFrame:
    """Draw a sample of `systems` (system_id, stratum), in the order of strata and ids.

    Returns system_id, stratum, stratum_systems, stratum_visits, all_systems, chance. `chance` is the inclusion
    probability of each; `all_systems` counts those of all strata, so that one that is missing later is noticed.
    """
    names = [name for name in ANTICIPATED if (systems["stratum"] == name).any()]
    sizes = [int((systems["stratum"] == name).sum()) for name in names]
    taken = allocated(sizes, [ANTICIPATED[name] for name in names], visits)
    parts = []
    for name, size, count in zip(names, sizes, taken, strict=True):
        ids = sorted(systems.filter(pl.col("stratum") == name)["system_id"], key=lambda one: _number(seed, one))
        chosen = sorted(ids[:count])
        parts.append(
            pl.DataFrame(
                {"system_id": chosen, "stratum": name}, schema_overrides={"system_id": pl.String()}
            ).with_columns(
                pl.lit(size).alias("stratum_systems"),
                pl.lit(int(count)).alias("stratum_visits"),
                pl.lit(sum(sizes)).alias("all_systems"),
                pl.lit(count / size).alias("chance"),
            )
        )
    return pl.concat(parts)


def _number(seed: int, system_id: str) -> bytes:
    return hashlib.sha256(f"{seed}\n{system_id}".encode()).digest()


@dataclass(frozen=True)
class Estimate:
    """The share of deficient systems in the portfolio with its 95 % interval, and what it rests on.

    `strata`: stratum, systems, visited, deficient. `effective` is the visits that a plain random sample would have
    needed for the same variance.
    """

    share: float
    low: float
    high: float
    systems: int
    visited: int
    effective: float
    strata: pl.DataFrame


def estimated(found: pl.DataFrame) -> Estimate:
    """Estimate from results (stratum, stratum_systems, and `deficient` [bool], null where no one was).

    The stratified mean and its variance with the finite population correction (W. G. Cochran, Sampling Techniques, 3rd
    ed. 1977, eq. 5.1, 5.7), and the Jeffreys interval at the effective sample size (N. Dean, M. Pagano, J. Surv. Stat.
    Methodol. 3:484-503, 2015). In the variance each stratum has half a finding more of either kind, as the Jeffreys
    interval has it: a stratum of which all visits found the same is not thought certain. Who was not visited counts as
    missing at random within the stratum. ValueError where a stratum has fewer than two results, or fewer than its
    systems where it has only one.
    """
    strata = found.group_by("stratum", maintain_order=True).agg(
        pl.col("stratum_systems").first().alias("systems"),
        pl.col("deficient").is_not_null().sum().alias("visited"),
        pl.col("deficient").sum().alias("deficient"),
    )
    size, visited, bad = (strata[name].to_numpy().astype(float) for name in ("systems", "visited", "deficient"))
    if (visited < np.minimum(size, LEAST_VISITS)).any():
        raise ValueError("each stratum needs two results")
    weight, rate = size / size.sum(), bad / visited
    share = float(weight @ rate)
    rate = (bad + 0.5) / (visited + 1)
    spread = rate * (1 - rate) / np.maximum(visited - 1, 1)
    variance = float((weight**2 * (1 - visited / size)) @ spread)
    if variance == 0:  # every system was visited
        return Estimate(share, share, share, int(size.sum()), int(visited.sum()), float(visited.sum()), strata)
    effective = float(weight @ rate) * (1 - float(weight @ rate)) / variance
    low, high = (float(end) for end in jeffreys(share * effective, effective))
    return Estimate(share, low, high, int(size.sum()), int(visited.sum()), effective, strata)
