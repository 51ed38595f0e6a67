"""How soon the portfolio page is painted over a published store; aimed at 1.5 s at a million circuits.

    python tests/benchmarks/bench_paint.py STORE [--times 4]

Starts the server, opens the page each time in a browser profile without a cache, and prints one JSON object: first
paint, the answer in the page, and the first rows of the table, in milliseconds from the start of loading.
"""

from __future__ import annotations

import argparse
import json
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
WATCH = """new MutationObserver(() => {
    window.seen = window.seen || {};
    for (const [name, css] of [["answer", "#answer h1"], ["rows", ".ag-row"]]) {
        if (!window.seen[name] && document.querySelector(css)) window.seen[name] = performance.now();
    }
}).observe(document, {subtree: true, childList: true})"""


def painted(browser: Browser, address: str) -> dict[str, int]:
    """Open the page in a new profile; return its times [ms]."""
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    page = context.new_page()
    page.add_init_script(WATCH)
    page.goto(address, wait_until="commit")
    page.wait_for_selector(".ag-row", timeout=60_000)
    first = page.evaluate("performance.getEntriesByType('paint')[0].startTime")
    seen = page.evaluate("window.seen")
    context.close()
    return {"first_paint_ms": round(first)} | {f"{name}_ms": round(at) for name, at in seen.items()}


def ready(address: str) -> None:
    """Wait until the server answers."""
    for _ in range(300):
        try:
            urllib.request.urlopen(address, timeout=5).close()
            return
        except OSError:
            time.sleep(0.1)
    raise SystemExit(f"{address} does not answer")


def main() -> None:
    """Serve, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("store", type=Path)
    parser.add_argument("--times", type=int, default=4)
    asked = parser.parse_args()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "auditor", "serve", "--store", str(asked.store), "--port", str(port)]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}/"
    try:
        ready(address)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
            loads = [painted(browser, address) for _ in range(asked.times)]
            browser.close()
    finally:
        server.terminate()
        server.wait(timeout=20)
    print(json.dumps({"benchmark": "paint", "loads": loads}, indent=1))


if __name__ == "__main__":
    main()
