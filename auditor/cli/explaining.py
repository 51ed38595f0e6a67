"""`auditor explain`: the checks, and the likelihood of trips."""

from __future__ import annotations

from typing import Annotated

import typer

from auditor import trip_likelihood
from auditor.checks import CHECKS
from auditor.cli import show
from auditor.errors import AuditorError
from auditor.toml_file import did_you_mean


def explain(
    check: Annotated[
        str, typer.Argument(help=f"A check's name, or {trip_likelihood.NAME}; without one, all are listed.")
    ] = "",
) -> None:
    """Say what a check or the likelihood of trips asks, why, by which formula and source, and what mends it."""
    if not check:
        for each in CHECKS:
            show.plain(f"{each.name:24} {each.title}")
        show.plain(f"{trip_likelihood.NAME:24} {trip_likelihood.TITLE}")
        return
    if check == trip_likelihood.NAME:
        show.plain(f"{check} (version {trip_likelihood.VERSION}, one answer per system)\n")
        show.plain(trip_likelihood.documentation())
        return
    found = [each for each in CHECKS if each.name == check]
    if not found:
        meant = did_you_mean(check, [*(each.name for each in CHECKS), trip_likelihood.NAME])
        raise AuditorError(f"There is no check {check!r}.{meant} `auditor explain` lists them all.")
    chosen = found[0]
    show.plain(f"{chosen.name} (version {chosen.version}, {chosen.severity}, one verdict per {chosen.level})\n")
    show.plain(chosen.documentation)
