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
from auditor.cli.serving import serve_store
from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.originals import ImportedAs, file_hash, read_manifest

FILES = (
    ("tidy.csv", None),
    ("field_export.csv", "field_export_mapping.toml"),
    ("projects.json", None),
    ("site_book.xlsx", "site_book_mapping.toml"),
    ("island_jobs.csv", "island_jobs_mapping.toml"),
    ("designers.csv", None),
)

#: What was reported of some of the systems, and what its rows are.
EVIDENCE: tuple[tuple[str, ImportedAs], ...] = (
    ("events.csv", "events"),
    ("readings.csv", "readings"),
    ("complaints.csv", "complaints"),
    ("complaint_events.csv", "events"),
    ("complaint_readings.csv", "readings"),
)


def _refuse_others(store: Store, sample: Path) -> None:
    """The invented portfolio must not mix with real records."""
    if not store.root.is_dir() or not any(store.root.iterdir()):
        return
    known = {file_hash(sample / name) for name, _ in (*FILES, *EVIDENCE)}
    held = {entry.sha256 for entry in read_manifest(store)}
    if not held or held - known:
        raise AuditorError(
            f"{store.root}: holds something else than the sample portfolio, which would mix with it."
            " Name a new folder with --store."
        )


def demo(
    store: Annotated[
        Path | None,
        typer.Option("--store", help="A folder for the demo's store; default: a new one.", file_okay=False),
    ] = None,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="Stop before the dashboard is served.")] = False,
) -> None:
    """Import and audit the sample portfolio, print what was found and show it in a browser."""
    place = Store(store or Path(tempfile.mkdtemp(prefix="auditor-demo-")))
    with as_file(files("sample_portfolio")) as sample:
        _refuse_others(place, sample)
        place.create()
        for path in sorted((sample / "catalog").glob("*.toml")):
            shutil.copyfile(path, place.catalog / path.name)
        shutil.copyfile(sample / "policy.toml", place.policy)
        shutil.copyfile(sample / "prices.toml", place.root / "prices.toml")
        pairs = [(sample / name, sample / mapping if mapping else None) for name, mapping in FILES]
        import_into(place, pairs, audit=False, defer_note=False)
        for name, imported_as in EVIDENCE:
            import_into(place, [(sample / name, None)], audit=False, defer_note=False, imported_as=imported_as)
    audit(place.root)
    show.plain(f"\nThe sample portfolio is invented. Its store is {place.root}.")
    if not no_serve:
        serve_store(place)
