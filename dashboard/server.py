"""The server: waitress on one address, until it is stopped."""

from __future__ import annotations

import errno
import socket

import waitress

from auditor.errors import AuditorError
from auditor.store import Store
from dashboard.app import create_app
from dashboard.guard import Access

THREADS = 8
#: Ports tried after the one asked for, where it is taken.
PORTS_TRIED = 20


def free_port(host: str, port: int) -> int:
    """The port, or the next one that is free; AuditorError where none of the next few is, or the host is not ours."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for candidate in range(port, min(port + PORTS_TRIED, 65_536)):
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, candidate))
            except OSError as error:
                if error.errno in {errno.EADDRINUSE, errno.EACCES}:
                    continue
                raise AuditorError(f"--host {host}: cannot listen there: {error.strerror}.") from error
            return candidate
    raise AuditorError(f"--port {port}: this and the next {PORTS_TRIED - 1} ports are taken. Name another --port.")


def serve(store: Store, host: str, port: int, access: Access, upload: bool = True) -> None:
    """Serve the dashboard until interrupted."""
    app = create_app(store, access=access, upload=upload)
    waitress.serve(app.server, host=host, port=port, threads=THREADS, ident=None, max_request_body_size=2_000_000)
