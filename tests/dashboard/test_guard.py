"""The guard before every route: enumerated, so that a route added later is held too."""

from __future__ import annotations

import base64
import re

import pytest
from dash import Dash
from flask.testing import FlaskClient

from auditor.errors import AuditorError
from auditor.store import Store
from dashboard.app import create_app
from dashboard.guard import BODY_BYTES, Access, access_for

SECRET = "correct-horse-battery"
#: Values for the variable parts of routes.
PARTS = {
    "suffix": "csv",
    "package_name": "dash",
    "fingerprinted_path": "deps/x.js",
    "path": "system/1",
    "filename": "theme.css",
}
NAMED = (
    "/_dash-layout",
    "/_dash-dependencies",
    "/_dash-update-component",
    "/assets/theme.css",
    "/export/systems.csv",
    "/",
)


def paths(app: Dash) -> list[tuple[str, str]]:
    """Every route of the server with a method it answers."""
    found = []
    for rule in app.server.url_map.iter_rules():
        path = re.sub(r"<(?:[^:>]+:)?([^>]+)>", lambda m: PARTS.get(m[1], "x"), rule.rule)
        found += [(method, path) for method in sorted(set(rule.methods or ()) & {"GET", "POST"})]
    return found


def client(store: Store, access: Access) -> FlaskClient:
    return create_app(store, access=access).server.test_client()


def basic(secret: str) -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"anyone:{secret}".encode()).decode()}


def test_the_enumeration_holds_the_routes_that_matter(app: Dash) -> None:
    known = {path for _, path in paths(app)}
    assert known >= {"/_dash-layout", "/_dash-dependencies", "/_dash-update-component", "/export/systems.csv", "/"}
    assert {("POST", "/upload"), ("POST", "/upload/x")} <= set(paths(app))


def test_without_the_secret_every_route_says_401(app: Dash, store: Store) -> None:
    asking = client(store, Access(secret=SECRET))
    for method, path in [*paths(app), *(("GET", path) for path in NAMED), ("GET", "/nowhere"), ("POST", "/nowhere")]:
        for headers in ({}, basic("wrong"), basic(""), {"Authorization": f"Bearer {SECRET}"}, {"Cookie": SECRET}):
            assert asking.open(path, method=method, headers=headers, json={}).status_code == 401, (method, path)


def test_with_the_secret_pages_answer(store: Store) -> None:
    asking = client(store, Access(secret=SECRET))
    for path in (
        "/",
        "/_dash-layout",
        "/_dash-dependencies",
        "/assets/theme.css",
        "/export/systems.csv",
        "/system/00001",
    ):
        assert asking.get(path, headers=basic(SECRET)).status_code == 200, path


def test_behind_a_proxy_every_route_needs_its_header(app: Dash, store: Store) -> None:
    asking = client(store, Access(proxy_header="X-Known-Person"))
    for method, path in [*paths(app), *(("GET", path) for path in NAMED)]:
        assert asking.open(path, method=method, json={}).status_code == 403, (method, path)
    assert asking.get("/", headers={"X-Known-Person": "mara"}).status_code == 200


def test_every_answer_carries_the_headers(app: Dash, store: Store) -> None:
    for asking in (app.server.test_client(), client(store, Access(secret=SECRET))):
        for path in (*NAMED, "/nowhere"):
            headers = asking.get(path).headers
            policy = headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "unsafe-eval" not in policy
            assert "http" not in policy
            script = next(part for part in policy.split("; ") if part.startswith("script-src"))
            assert "unsafe-inline" not in script
            assert headers["X-Content-Type-Options"] == "nosniff"
            assert headers["Referrer-Policy"] == "no-referrer"
            assert headers["X-Frame-Options"] == "DENY"


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8050", "127.0.0.1.evil.example", "[::2]:80", "localhost.evil"]
)
def test_another_name_for_loopback_is_refused(app: Dash, host: str) -> None:
    assert app.server.test_client().get("/", headers={"Host": host}).status_code == 403


@pytest.mark.parametrize("host", ["127.0.0.1:8050", "localhost:9", "localhost", "[::1]:8050"])
def test_loopback_by_its_names_is_open(app: Dash, host: str) -> None:
    assert app.server.test_client().get("/", headers={"Host": host}).status_code == 200


def test_a_post_from_another_site_is_refused(app: Dash) -> None:
    asking = app.server.test_client()
    for headers in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:1", "Host": "localhost:2"},
        {"Sec-Fetch-Site": "cross-site"},
    ):
        assert asking.post("/_dash-update-component", headers=headers, json={}).status_code == 403


def test_large_requests_are_refused(app: Dash) -> None:
    asking = app.server.test_client()
    assert asking.post("/_dash-update-component", data=b"x" * (BODY_BYTES + 1)).status_code == 413
    assert asking.get("/?text=" + "x" * 9_000).status_code == 413
    assert asking.put("/").status_code == 405


def test_an_open_server_listens_on_loopback_alone() -> None:
    assert access_for("127.0.0.1") == Access()
    with pytest.raises(AuditorError, match="--secret-file"):
        access_for("0.0.0.0")
    with pytest.raises(AuditorError, match="too short"):
        access_for("0.0.0.0", secret="short")
    assert access_for("0.0.0.0", secret=SECRET).secret == SECRET
    assert access_for("10.0.0.1", proxy_header="X-Person").proxy_header == "X-Person"


def test_assets_hold_nothing_else(app: Dash) -> None:
    asking = app.server.test_client()
    for path in (
        "/assets/../app.py",
        "/assets/%2e%2e/app.py",
        "/assets/..%2fguard.py",
        "/_dash-component-suites/dash/../dash.py",
    ):
        assert asking.get(path).status_code in (400, 404, 500) or b"import" not in asking.get(path).data
