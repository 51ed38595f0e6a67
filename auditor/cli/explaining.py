"""`auditor explain`: the checks, and the likelihood of trips."""

from __future__ import annotations

from typing import Annotated

import typer

from auditor import trip_likelihood
from auditor.checks import CHECKS
from auditor.cli import show
from auditor.errors import AuditorError
from auditor.remedies import REMEDIES
from auditor.toml_file import did_you_mean


def explain(
    check: Annotated[
        str,
        typer.Argument(help=f"A check's or a remedy's name, or {trip_likelihood.NAME}; without one, all are listed."),
    ] = "",
) -> None:
    """Say what a check or the likelihood of trips asks, why, by which formula and source; or what a remedy does."""
    if not check:
        show.plain("Checks:")
        for each in CHECKS:
            show.plain(f"{each.name:24} {each.title}")
        show.plain(f"{trip_likelihood.NAME:24} {trip_likelihood.TITLE}")
        show.plain("\nRemedies:")
        for remedy in REMEDIES:
            show.plain(f"{remedy.name:24} {remedy.title}")
        return
    if check == trip_likelihood.NAME:
        show.plain(f"{check} (version {trip_likelihood.VERSION}, one answer per system)\n")
        show.plain(trip_likelihood.documentation())
        return
    for remedy in REMEDIES:
        if remedy.name == check:
            show.plain(f"{remedy.name} ({remedy.effort})\n")
            show.plain(remedy.documentation)
            return
    found = [each for each in CHECKS if each.name == check]
    if not found:
        names = [*(each.name for each in CHECKS), trip_likelihood.NAME, *(remedy.name for remedy in REMEDIES)]
        meant = did_you_mean(check, names)
        raise AuditorError(f"There is no check and no remedy {check!r}.{meant} `auditor explain` lists them all.")
    chosen = found[0]
    show.plain(f"{chosen.name} (version {chosen.version}, {chosen.severity}, one verdict per {chosen.level})\n")
    show.plain(chosen.documentation)
