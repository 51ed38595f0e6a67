"""`auditor explain`."""

from __future__ import annotations

from typing import Annotated

import typer

from auditor.checks import CHECKS
from auditor.cli import show
from auditor.errors import AuditorError
from auditor.remedies import REMEDIES
from auditor.toml_file import did_you_mean


def explain(
    check: Annotated[str, typer.Argument(help="A check's or a remedy's name; without one, all are listed.")] = "",
) -> None:
    """Say what a check asks, why, by which formula and source, and what mends it; or what a remedy does."""
    if not check:
        show.plain("Checks:")
        for each in CHECKS:
            show.plain(f"{each.name:24} {each.title}")
        show.plain("\nRemedies:")
        for remedy in REMEDIES:
            show.plain(f"{remedy.name:24} {remedy.title}")
        return
    for remedy in REMEDIES:
        if remedy.name == check:
            show.plain(f"{remedy.name} ({remedy.effort})\n")
            show.plain(remedy.documentation)
            return
    found = [each for each in CHECKS if each.name == check]
    if not found:
        meant = did_you_mean(check, [*(each.name for each in CHECKS), *(remedy.name for remedy in REMEDIES)])
        raise AuditorError(f"There is no check and no remedy {check!r}.{meant} `auditor explain` lists them all.")
    chosen = found[0]
    show.plain(f"{chosen.name} (version {chosen.version}, {chosen.severity}, one verdict per {chosen.level})\n")
    show.plain(chosen.documentation)
