"""The app: shell, pages, guard and downloads over one store."""

from __future__ import annotations

import logging
from pathlib import Path

from dash import Dash

from auditor.store import Store
from dashboard import exporting, exporting_changes, sheets, shell
from dashboard.context import Context
from dashboard.guard import BODY_BYTES, Access, guard
from dashboard.pages import PAGES
from dashboard.snapshots import Snapshots
from dashboard.upload import register as upload_routes

log = logging.getLogger("dashboard")


def create_app(store: Store, *, access: Access, upload: bool = True) -> Dash:
    """A dashboard over a store. Apps share nothing: any number may live in one process.

    Files are taken only where the server is open on loopback or asks for a secret: a header that a proxy sets may be
    set by whoever reaches the server past the proxy, which is enough to read and too little to change anything.
    """
    context = Context(store, Snapshots(store), upload and (access.open or bool(access.secret)))
    app = Dash(
        "dashboard",
        title="Portfolio auditor",
        update_title="",
        assets_folder=str(Path(__file__).parent / "assets"),
        serve_locally=True,
        suppress_callback_exceptions=True,
        on_error=shell.tell_of_error,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        index_string=shell.INDEX,
    )
    app.layout = shell.layout
    shell.register(app, context)
    for page in PAGES:
        page.register(app, context)
    exporting.register(app.server, context)
    exporting_changes.register(app.server, context)
    sheets.register(app.server, context)
    upload_routes(app.server, context)
    app.server.config["MAX_CONTENT_LENGTH"] = BODY_BYTES
    guard(app.server, access, list(app.csp_hashes()))
    return app
