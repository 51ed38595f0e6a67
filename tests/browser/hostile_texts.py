"""Texts that do harm where somebody forgets that they are text, records and specs full of them, and how to tell."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from playwright.sync_api import Page

from auditor.records.schema import simple_columns

#: What runs, draws, asks or breaks where somebody forgets that it is text; `planted` marks an element that came of it.
PAYLOADS = (
    '<img class=planted src=x onerror="window.ran=1">',
    "<script class=planted>window.ran=1</script>",
    "</title></textarea><svg class=planted onload=window.ran=1>",
    "<b class=planted>bold</b><a class=planted href='javascript:window.ran=1'>x</a>",
    '<a href="javascript:window.ran=1">plot</a><br><i>markup</i>',
    "$\\href{javascript:window.ran=1}{x}$",
    "\\(\\unicode{x41}\\) $$x^2$$",
    "%{customdata}<extra>%{x}</extra>",
    "'; DROP TABLE system; --",
    "100%_\\%",
    '=HYPERLINK("http://evil.example/","x")',
    "+1+cmd|' /C calc'!A0",
    "@SUM(1)",
    "javascript:window.ran=1",
    "//evil.example/x.png?a=1&b=2#c",
    "{{constructor.constructor('window.ran=1')()}}",
    "__proto__",
    "long " + "W" * 1_500,
    "\u202egnp.exe \u2066x\u2069",
)
FILE_NAME = "a<img class=planted src=x onerror=window.ran=1> $x$ ' & =1.csv"
SOUND = {
    "service": "120/240", "inverter_count": "12", "breaker_a": "20", "home_run_length_m": "20",
    "design_date": "2016-05-01",
}  # fmt: skip


def write(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, sorted({name for row in rows for name in row}))
        writer.writeheader()
        writer.writerows(rows)
    return path


#: What must not be on any page, whatever was imported: elements made of it, links that run or lead elsewhere.
PLANTED = """() => [...document.querySelectorAll("*")].filter((e) =>
    e.matches(".planted, [onerror], [onload], iframe, object, embed, mjx-container, .MathJax")
    || (e.matches("img") && !e.src.startsWith(location.origin + "/assets/") && !e.src.startsWith("data:"))
    || (e.matches("script") && e.textContent.includes("window.ran"))
    || (e.localName === "a" && (e.closest("svg") || new URL(e.href || "", location.href).origin !== location.origin))
).map((e) => e.outerHTML.slice(0, 200))"""


def harmless(page: Page, which: str = "") -> None:
    """Nothing of what was imported became part of the page or ran; the message names the text."""
    assert page.evaluate(PLANTED) == [], which
    assert page.evaluate("() => window.ran") is None, which


def id_of(payload: str) -> str:
    """The payload as an id may hold it: one with characters that do not show is refused."""
    return payload if payload.isprintable() else "refused"


def hostile_rows(n: int, payload: str) -> list[dict[str, str]]:
    """A system with the payload in every text, a refused row beside it, and one whose service is the payload.

    Its two circuits disagree on who designed it.
    """
    texts = [name for name, column in simple_columns().items() if column.kind in ("text", "id") and name != "service"]
    ids = [name for name, column in simple_columns().items() if column.kind == "id"]
    held = dict.fromkeys(texts, payload) | dict.fromkeys(ids, id_of(payload))
    row = SOUND | held | {"system_id": f"{n} {id_of(payload)}"}
    return [
        row,
        row | {"circuit_id": f"{id_of(payload)} b", "designer": f"{payload} other"},
        row | {"circuit_id": f"{payload} c", "inverter_count": payload, "home_run_size": payload},
        SOUND | {"system_id": f"s{n}", "circuit_id": "1", "service": payload, "designer": payload, "region": payload},
    ]


def hostile_catalog(path: Path) -> None:
    """Specs whose models are the payloads."""
    entries = []
    for payload in PAYLOADS:
        named = f"model = {json.dumps(payload)}\nrevision = 1\neffective = 2014-01-01\nsource = {json.dumps(payload)}\n"
        entries.append(
            f'[[inverter]]\n{named}rated_w = 240.0\nconnection = "line-line"\ncurrent_a = {{ "240" = "1.00" }}\n'
            f"[[trunk]]\n{named}rated_a = 20.0\n[[module]]\n{named}power_w = 270.0\n"
        )
    path.write_text("".join(entries), encoding="utf-8")
