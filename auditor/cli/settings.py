"""`auditor catalog` and `auditor policy`: the store's own equipment and rules."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from auditor.catalog import equipment_template, load_catalog
from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, WaitOption, catalog_of
from auditor.errors import AuditorError
from auditor.policy import DEFAULT, load_policy
from auditor.store import Store


def adopt_catalog(store: Store, files: list[Path]) -> None:
    """Add equipment files to the store, all or none; they must be sound together with what is there."""
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder)
        for path in (*sorted(store.catalog.glob("*.toml")), *files):
            if not path.is_file():
                raise AuditorError(f"There is no file {path}.")
            shutil.copyfile(path, trial / path.name)
        load_catalog([trial])
    for path in files:
        shutil.copyfile(path, store.catalog / path.name)


def catalog(
    files: Annotated[list[Path] | None, typer.Argument(help="Equipment files (TOML) to add to the store.")] = None,
    store: StoreOption = DEFAULT_STORE,
    template: Annotated[bool, typer.Option("--template", help="Print a commented file to start from.")] = False,
    wait: WaitOption = False,
) -> None:
    """Add equipment specs to the store, or list those it has."""
    if template:
        typer.echo(equipment_template())
        return
    place = Store(store)
    if files:
        place.create()
        with place.locked("catalog", wait):
            adopt_catalog(place, files)
        show.plain(f"Added {len(files)} files. They count from the next audit: auditor audit --store {store}")
        return
    place.require()
    specs = catalog_of(place, None)
    for name in ("inverter", "trunk", "module"):
        for spec in getattr(specs, name):
            show.plain(f"{name:10} {spec.model}, revision {spec.revision}, from {spec.effective}")
    if not (specs.inverter or specs.trunk or specs.module):
        show.plain("The store holds no equipment yet. `auditor catalog --template` prints a file to start from.")


def policy(
    file: Annotated[Path | None, typer.Argument(help="A policy file (TOML) to make the store's own.")] = None,
    store: StoreOption = DEFAULT_STORE,
    wait: WaitOption = False,
) -> None:
    """Make a policy the store's own, or print the one in force."""
    place = Store(store)
    if file is None:
        shown = place.policy if place.policy.exists() else DEFAULT
        typer.echo(shown.read_text("utf-8"))
        return
    load_policy(file)
    place.create()
    with place.locked("policy", wait):
        shutil.copyfile(file, place.policy)
    show.plain(f"{file} is the store's policy from the next audit on: auditor audit --store {store}")
