"""`auditor demo`: the whole way on an invented portfolio."""

from __future__ import annotations

import shutil
import tempfile
from importlib.resources import as_file, files
from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.importing import import_into
from auditor.cli.running import audit
from auditor.store import Store

FILES = (("tidy.csv", None), ("field_export.csv", "field_export_mapping.toml"), ("projects.json", None))


def demo(
    store: Annotated[
        Path | None, typer.Option("--store", help="A folder for the demo's store; default: a new one.")
    ] = None,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="Stop before the dashboard is served.")] = False,
) -> None:
    """Import and audit the sample portfolio, and print what was found."""
    place = Store(store or Path(tempfile.mkdtemp(prefix="auditor-demo-")))
    place.create()
    with as_file(files("sample_portfolio")) as sample:
        for path in sorted((sample / "catalog").glob("*.toml")):
            shutil.copyfile(path, place.catalog / path.name)
        shutil.copyfile(sample / "policy.toml", place.policy)
        pairs = [(sample / name, sample / mapping if mapping else None) for name, mapping in FILES]
        import_into(place, pairs, audit=False)
    audit(place.root)
    show.plain(f"\nThe sample portfolio is invented. Its store is {place.root}; try:")
    show.plain(f"  auditor export findings --store {place.root} -o findings.xlsx")
    show.plain("  auditor explain voltage-rise")
