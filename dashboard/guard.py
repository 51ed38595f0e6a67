"""Who may ask, and what every answer says to the browser: one guard before every route of the app."""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from urllib.parse import urlsplit

from flask import Flask, Response, request

from auditor.errors import AuditorError

LOOPBACK = ("127.0.0.1", "localhost", "::1")
METHODS = ("GET", "HEAD", "POST", "OPTIONS")
#: Shortest secret that is accepted [characters]; what it guards can be tried from the network.
SECRET_CHARACTERS = 16
#: Largest body of a request [bytes], and longest query string [characters].
BODY_BYTES = 1_000_000
QUERY_CHARACTERS = 8_000


@dataclass(frozen=True)
class Access:
    """How requests are let in: open on loopback, else by a secret or by a header that a reverse proxy sets."""

    secret: str = ""
    proxy_header: str = ""

    @property
    def open(self) -> bool:
        """Whether nothing is asked for; for loopback addresses alone."""
        return not self.secret and not self.proxy_header


def access_for(host: str, secret: str = "", proxy_header: str = "") -> Access:
    """The access of a server at an address; AuditorError where it would be open to others."""
    if secret and len(secret) < SECRET_CHARACTERS:
        raise AuditorError(f"The secret is too short: use at least {SECRET_CHARACTERS} characters.")
    if host not in LOOPBACK and not secret and not proxy_header:
        raise AuditorError(
            f"--host {host}: others could read the portfolio there. Name a --secret-file, or the --proxy-header that"
            " your reverse proxy sets for people it has let in."
        )
    return Access(secret, proxy_header)


def guard(server: Flask, access: Access, script_hashes: list[str]) -> None:
    """Put the guard before every route of the server, those added later included, and headers on every answer."""
    policy = content_policy(script_hashes)

    @server.before_request
    def _check() -> Response | None:
        return refusal(access)

    @server.after_request
    def _mark(response: Response) -> Response:
        response.headers.update(HEADERS)
        response.headers["Content-Security-Policy"] = policy
        if not request.path.startswith(("/_dash-component-suites/", "/assets/")):
            response.headers["Cache-Control"] = "no-store"
        return response


def refusal(access: Access) -> Response | None:
    """The answer to a request that must not pass, or None."""
    if request.method not in METHODS:
        return _say(405, "This server answers GET and POST.")
    if (request.content_length or 0) > BODY_BYTES or len(request.query_string) > QUERY_CHARACTERS:
        return _say(413, "That request is too large.")
    if access.open and _name(f"//{request.host}") not in LOOPBACK:
        return _say(403, "This server answers to localhost alone.")
    if not _same_origin():
        return _say(403, "That request came from another site.")
    if access.secret and not _knows(access.secret):
        refused = _say(401, "Give the access secret as the password; the user name does not matter.")
        refused.headers["WWW-Authenticate"] = 'Basic realm="portfolio auditor", charset="UTF-8"'
        return refused
    if access.proxy_header and not request.headers.get(access.proxy_header):
        return _say(403, "Come in through the reverse proxy that knows you.")
    return None


def _same_origin() -> bool:
    """Whether the page that sent the request is this server's own, as far as the browser tells."""
    if request.headers.get("Sec-Fetch-Site", "none") == "cross-site" and request.method == "POST":
        return False
    origin = request.headers.get("Origin")
    return origin is None or urlsplit(origin).netloc == request.host


def _knows(secret: str) -> bool:
    given = request.authorization
    password = (given.password or "") if given is not None and given.type == "basic" else ""
    return hmac.compare_digest(password.encode(), secret.encode())


def _name(url: str) -> str:
    try:
        return urlsplit(url).hostname or ""
    except ValueError:
        return ""


def _say(status: int, sentence: str) -> Response:
    return Response(sentence + "\n", status, mimetype="text/plain")


HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


def content_policy(script_hashes: list[str]) -> str:
    """The content security policy: this host alone, no inline script but the one that starts the page.

    Dash's page starts with one inline script, allowed by its hash; no eval is needed, since callbacks in the browser
    lie in `assets/`. Styles are written inline by the charts, the grid and the components, so they are allowed inline;
    pictures and fonts may come as data from the page itself.
    """
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {' '.join(script_hashes)}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "manifest-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )
