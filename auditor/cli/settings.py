"""`auditor catalog` and `auditor policy`: the store's own equipment and rules."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from auditor.catalog import equipment_template, load_catalog
from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, WaitOption, at_store, catalog_of
from auditor.errors import AuditorError
from auditor.policy import DEFAULT, load_policy
from auditor.store import Store
from auditor.store.folder import replace_text


def adopt_catalog(store: Store, files: list[Path]) -> None:
    """Add equipment files to the store, all or none; they must be sound together with what is there.

    A file replaces the store's file of the same name.
    """
    sources = {path.name: path for path in sorted(store.catalog.glob("*.toml"))}
    names = [path.name for path in files]
    for path in files:
        if path.suffix != ".toml":
            raise AuditorError(f"{path}: an equipment file is a .toml file; `auditor catalog --template` prints one.")
        if not path.is_file():
            raise AuditorError(f"{path}: there is no such file. Nothing was added.")
        if names.count(path.name) > 1:
            raise AuditorError(f"{path}: another file given is called {path.name} too; rename one. Nothing was added.")
        sources[path.name] = path
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder)
        for name, path in sources.items():
            shutil.copyfile(path, trial / name)
        try:
            load_catalog([trial])
        except AuditorError as error:
            text = str(error)
            for name, path in sources.items():
                text = text.replace(str(trial / name), str(path))
            raise AuditorError(f"{text} Nothing was added.") from error
        for name in names:
            _replace(trial / name, store.catalog / name)


def _replace(source: Path, target: Path) -> None:
    """Copy a file so that its reader sees the old one or the new one, whole."""
    replace_text(target, source.read_text("utf-8"))


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
            held = {path.name for path in place.catalog.glob("*.toml")}
            adopt_catalog(place, files)
        for path in files:
            if path.name in held:
                show.plain(f"{path.name} replaces the store's file of that name, and all that it held.")
        listed = ", ".join(path.name for path in files)
        show.plain(f"Added {listed}. It counts from the next audit on: auditor audit{at_store(store)}")
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
    default: Annotated[bool, typer.Option("--default", help="Print the default, whatever the store holds.")] = False,
) -> None:
    """Make a policy the store's own, or print the one in force."""
    place = Store(store)
    if default and file is not None:
        raise AuditorError(
            f"--default prints the default policy, and {file} is to become the store's own: leave one out."
        )
    if default:
        typer.echo(DEFAULT.read_text("utf-8"))
        return
    if file is None:
        if not place.policy.exists():
            show.note(f"{store}: has no policy of its own; this is the default.")
        typer.echo((place.policy if place.policy.exists() else DEFAULT).read_text("utf-8"))
        return
    # A file that can be read once only, such as a pipe, is read once.
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / file.name
        try:
            trial.write_bytes(file.read_bytes())
        except OSError as error:
            raise AuditorError(f"{file}: cannot read the policy: {error.strerror}.") from error
        try:
            load_policy(trial)
        except AuditorError as error:
            raise AuditorError(str(error).replace(str(trial), str(file))) from error
        place.create()
        with place.locked("policy", wait):
            _replace(trial, place.policy)
    show.plain(f"{file} is the store's policy from the next audit on: auditor audit{at_store(store)}")
