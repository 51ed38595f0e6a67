"""How well the likelihood's forecasts hold on drawn sites, as the model has them and otherwise.

    python tests/benchmarks/bench_calibration.py [--sites N]

The figures are those of DEVELOPERS.md. Sites and years are drawn apart from the solver
(`tests/likelihood/portfolio_simulator.py`), for kinds of profile, for supplies of another character, and for a supply
told wrongly. Prints one JSON object: for each case the share of sites in the 80 % interval and beyond either end,
trip-days over those foretold, the chi-square of the PIT of the year's counts (right forecasts are under 33.7 in all but
1e-4) with its ten heights, the z of both chances, and their reliability: foretold, and seen with its exact
95 % interval.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "likelihood"))

from calibration import Calibration, calibration
from likelihood_cases import supply
from test_likelihood_calibration import COVERED, KINDS, MANY, WRONG, came, said


def cases(sites: int) -> Iterator[tuple[str, Calibration]]:
    """Each case by name, drawn when it is asked for."""
    for name in KINDS:
        yield name, calibration(said(name), came(name, sites, 22))
    for world in COVERED:
        yield f"{world.noise} noise, sun {world.sun}", calibration(said("runs on"), came("runs on", sites, 23, world))
    for change in WRONG:
        told = said("runs on", replace(supply(), **change))
        yield f"told {change}", calibration(told, came("runs on", sites, 22))


def rounded(told: Calibration) -> dict[str, object]:
    """Three digits of each figure."""

    def short(value: object) -> object:
        if isinstance(value, dict):
            return {name: short(one) for name, one in value.items()}
        if isinstance(value, list):
            return [short(one) for one in value]
        return round(value, 3) if isinstance(value, float) else value

    return {name: short(value) for name, value in (asdict(told) | {"pit": told.pit.tolist()}).items()}


def main() -> None:
    """Draw, compare and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=MANY, help="sites of each of 60 systems")
    options = parser.parse_args()
    print(json.dumps({name: rounded(told) for name, told in cases(options.sites)}, indent=1))


if __name__ == "__main__":
    main()
