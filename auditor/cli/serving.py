"""`auditor serve`: the dashboard over a store's published audit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption
from auditor.errors import AuditorError
from auditor.store import Store

HOST = "127.0.0.1"
PORT = 8050


def serve(
    store: StoreOption = DEFAULT_STORE,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; others than this machine need more.")
    ] = HOST,
    port: Annotated[
        int, typer.Option("--port", min=1, max=65_535, help="Port; the next free one where it is taken.")
    ] = PORT,
    secret_file: Annotated[
        Path | None,
        typer.Option(
            "--secret-file", help="A file whose first line everyone must give as the password.", dir_okay=False
        ),
    ] = None,
    proxy_header: Annotated[
        str,
        typer.Option("--proxy-header", help="A header that your reverse proxy sets for people it let in, and only it."),
    ] = "",
    no_upload: Annotated[bool, typer.Option("--no-upload", help="Show only: take no files, start no imports.")] = False,
) -> None:
    """Show the published audit in a browser, on this machine alone unless told otherwise."""
    serve_store(Store(store), host, port, _secret(secret_file), proxy_header, upload=not no_upload)


def serve_store(
    store: Store, host: str = HOST, port: int = PORT, secret: str = "", proxy_header: str = "", *, upload: bool = True
) -> None:
    """Serve until interrupted; AuditorError where the address would be open to others."""
    from dashboard.guard import access_for
    from dashboard.server import free_port
    from dashboard.server import serve as run

    access = access_for(host, secret, proxy_header)
    found = free_port(host, port)
    if found != port:
        show.plain(f"Port {port} is taken; using {found}.")
    if not store.originals.is_dir():
        show.note(f"{store.root}: there is no store here yet; what is imported into it will be shown.")
    shown = f"[{host}]" if ":" in host else host
    show.plain(f"The dashboard of {store.root} is at http://{shown}:{found}/ (stop it with Ctrl+C).")
    run(store, host, found, access, upload)


def _secret(path: Path | None) -> str:
    """The first line of a secret's file; AuditorError where it cannot be read or is empty."""
    if path is None:
        return ""
    try:
        first = path.read_text("utf-8").splitlines()[:1]
    except (OSError, UnicodeDecodeError) as error:
        raise AuditorError(f"--secret-file {path}: cannot be read.") from error
    if not first or not first[0].strip():
        raise AuditorError(f"--secret-file {path}: its first line is empty.")
    return first[0].strip()
