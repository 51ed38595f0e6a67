"""Uploads: a file comes in slices, each a small request, straight to the disk; then its preview starts."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from flask import Flask, Response, jsonify, request

from auditor.errors import AuditorError
from dashboard import incoming
from dashboard.context import Context

log = logging.getLogger("dashboard")

#: A header that the page sends along. Another site cannot set it without being asked about it first, which it is not.
HEADER = "X-Auditor-Upload"


def register(server: Flask, context: Context) -> None:
    """Add the routes; the guard stands before them as before every other."""

    @server.post("/upload")
    def _begin() -> Response:
        return answered(context, lambda: begun(context, request.get_json(silent=True)))

    @server.post("/upload/<token>")
    def _slice(token: str) -> Response:
        return answered(context, lambda: sliced(context, token))

    @server.get("/upload/<sha256>/<name>.toml")
    def _mapping(sha256: str, name: str) -> Response:
        return answered(context, lambda: mapping(context, sha256, name))


def answered(context: Context, action: Callable[[], Response]) -> Response:
    """The action's answer, or a sentence and a status that say why there is none."""
    if not context.upload:
        return _say(403, "This dashboard takes no files. Use the command: auditor import FILE")
    if request.method == "POST" and not request.headers.get(HEADER):
        return _say(403, "That request did not come from the import page.")
    try:
        return action()
    except AuditorError as error:
        return _say(409, str(error))
    except OSError as error:
        log.error("an upload failed", exc_info=error)
        return _say(507, f"The file cannot be kept: {error.strerror or 'the disk does not take it'}.")


def begun(context: Context, told: Any) -> Response:
    """A token for a file of that name and size."""
    name, size = (told.get("name"), told.get("size")) if isinstance(told, dict) else (None, None)
    if not isinstance(name, str) or not isinstance(size, int) or isinstance(size, bool):
        return _say(400, "An upload begins with a name and a size.")
    return jsonify(token=incoming.begin(context.store, name, size), slice=incoming.SLICE_BYTES)


def sliced(context: Context, token: str) -> Response:
    """How much has come; with the last slice, the upload whose preview has started."""
    at = request.args.get("at", "")
    if not at.isdecimal() or len(at) > 15:
        return _say(400, "A slice says where it begins.")
    come = incoming.append(context.store, token, int(at), request.stream)  # type: ignore[arg-type]
    upload = incoming.finish(context.store, token)
    if upload is None:
        return jsonify(at=come)
    try:
        incoming.preview(context.store, upload)
    except AuditorError:
        log.info("the preview of %s waits until it is asked for", upload.sha256)
    return jsonify(at=come, upload=upload.sha256)


def mapping(context: Context, sha256: str, name: str) -> Response:
    """The proposed mapping, or the one in use, as a file."""
    upload = incoming.load(context.store, sha256)
    if upload is None or name not in ("proposed", "mapping"):
        return _say(404, "There is no such mapping.")
    path = incoming.path_of(context.store, upload, f"{name}.toml")
    if not path.exists():
        return _say(404, "There is no such mapping.")
    response = Response(path.read_bytes(), mimetype="application/toml")
    response.headers["Content-Disposition"] = 'attachment; filename="mapping.toml"'
    return response


def _say(status: int, sentence: str) -> Response:
    return Response(sentence + "\n", status, mimetype="text/plain")
