"""Options that several commands share."""

from __future__ import annotations

import shlex
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from auditor.catalog import Catalog, load_catalog
from auditor.errors import AuditorError
from auditor.policy import Policy, load_policy
from auditor.store import Store
from auditor.store.folder import replace_text


def _no_stranger(root: Path) -> Path:
    """The store's folder; one with other things in it, such as an empty or mistyped name gives, is refused."""
    store = Store(root)
    known = any(place.is_dir() for place in (store.originals, store.incoming, store.jobs))
    if not known and root.is_dir() and any(root.iterdir()):
        raise AuditorError(f"{root}: holds other things, and no store. Name a store, or a new folder for one.")
    return root


def write_text(path: Path, text: str) -> None:
    """Write a small file at once; AuditorError where it cannot be written."""
    try:
        replace_text(path, text)
    except OSError as error:
        raise AuditorError(f"{path}: cannot be written: {error.strerror}.") from error


StoreOption = Annotated[
    Path,
    typer.Option(
        "--store",
        envvar="AUDITOR_STORE",
        help="The store's folder.",
        show_default=True,
        file_okay=False,
        callback=_no_stranger,
    ),
]
WaitOption = Annotated[bool, typer.Option("--wait", help="Wait while another command writes to the store.")]
AsOfOption = Annotated[
    str, typer.Option("--as-of", help="Date whose specs are in force, such as 2026-01-31; default: the last import's.")
]
CatalogOption = Annotated[Path | None, typer.Option("--catalog", help="A folder of equipment files to use instead.")]
PolicyOption = Annotated[Path | None, typer.Option("--policy", help="A policy file to use instead of the store's.")]
DEFAULT_STORE = Path("audit-store")


def at_store(root: Path) -> str:
    """The option that names a store in a command shown to the user; nothing for the default store."""
    return "" if root == DEFAULT_STORE else f" --store {shlex.quote(str(root))}"


def day(text: str) -> date | None:
    """A date from the command line; None where none is given."""
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise AuditorError(f"--as-of {text}: write the date as year-month-day, such as 2026-01-31.") from error


def catalog_of(store: Store, folder: Path | None) -> Catalog:
    """The catalog of a run: built-in tables with the store's equipment, or that of another folder."""
    if folder is not None and not folder.is_dir():
        raise AuditorError(f"--catalog {folder}: there is no such folder.")
    place = folder or store.catalog
    return load_catalog([place] if folder or any(place.glob("*.toml")) else [])


def policy_of(store: Store, path: Path | None) -> Policy:
    """The policy of a run: the file given, the store's own, or the default."""
    return load_policy(path or (store.policy if store.policy.exists() else None))
