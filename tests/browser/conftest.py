"""The real server in a process of its own, and a browser whose every complaint fails the test."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from urllib.error import URLError

import pytest
from browser_pages import Serve, watched
from playwright.sync_api import Browser, Page, sync_playwright

from auditor.store import Store

ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium() -> str | None:
    return next(
        (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
    )


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = chromium()
    if path is None:
        reason = "no chromium on this machine; install Debian's package `chromium`"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGS)
        yield started
        started.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def serve(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serve]:
    """Start `auditor serve` on a store's folder; return its address. It ends with the tests."""
    folder = tmp_path_factory
    running: list[subprocess.Popen[bytes]] = []

    def start(root: Path, *options: str) -> str:
        port = free_port()
        command = [sys.executable, "-m", "auditor", "serve", "--store", str(root), "--port", str(port), *options]
        log = folder.mktemp("served") / "log.txt"
        with log.open("w") as output:
            process = subprocess.Popen(command, stdout=output, stderr=subprocess.STDOUT)
        running.append(process)
        address = f"http://127.0.0.1:{port}"
        _wait(process, address, log)
        return address

    yield start
    for process in running:
        process.terminate()
        process.wait(timeout=20)


def _wait(process: subprocess.Popen[bytes], address: str, log: Path) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        if process.poll() is not None:
            pytest.fail(f"the server ended: {log.read_text()}")
        try:
            urllib.request.urlopen(address + "/", timeout=5).close()
            return
        except URLError as error:
            if getattr(error, "code", None):
                return
            time.sleep(0.2)
    pytest.fail(f"the server does not answer: {log.read_text()}")


@pytest.fixture(scope="session")
def sample_address(sample_store: tuple[Store, object], serve: Serve) -> str:
    return serve(sample_store[0].root)


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page in a fresh profile; console errors, page errors and requests to anywhere else fail the test."""
    yield from watched(browser)


@pytest.fixture
def seen(browser: Browser) -> Iterator[Page]:
    """A page for axe, without the content policy, which allows no script but the page's own."""
    yield from watched(browser, bypass_csp=True, reduced_motion="reduce")
