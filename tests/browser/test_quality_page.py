"""The quality page in a browser: who is told apart, whose course is shown, and a link that says it all."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from browser_pages import NARROW, STILL, Serve, grave, violations
from playwright.sync_api import Page, expect

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.actions import actions_of
from auditor.store.decisions import all_decisions, in_force
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

CATALOG = Path(__file__).parents[2] / "sample_portfolio" / "catalog" / "equipment.toml"
HEADER = "system_id,circuit_id,service,inverter_model,inverter_count,breaker_a,design_date,designer\n"


def brought(store: Store, *units: int) -> None:
    """Import systems of so many units each, all of one designer, and audit them."""
    rows = [f"S<{n}>,1,120/240,Larkfield U240,{count},20,2015-05-0{n + 1},Bo\n" for n, count in enumerate(units)]
    path = store.root.with_suffix(".csv")
    path.write_text(HEADER + "".join(rows), "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        publish(con, store, load_catalog([store.catalog]), load_policy(None))


def test_the_page_tells_who_and_since_when_and_follows_its_address(page: Page, sample_address: str) -> None:
    page.goto(f"{sample_address}/quality?shape=odd")
    expect(page.locator("h1")).to_contain_text("2 of 14 designers stand apart")
    expect(page.locator(".notice-warning").first).to_contain_text("not understood")
    rows = page.locator(".quality-units tbody tr")
    expect(rows.filter(has_text="Corvane")).to_contain_text("More fail than its case mix explains")
    expect(rows.filter(has_text="Hestrel")).to_contain_text("its case mix explains it")
    expect(rows.first).to_contain_text("Odalys")  # the largest, not the worst
    expect(page.locator("#quality-funnel .points path")).to_have_count(14)
    page.get_by_role("link", name="Isaune").click()
    expect(page).to_have_url(re.compile(r"/quality\?unit=Isaune$"))
    expect(page.get_by_role("heading", name="Over time: Isaune")).to_be_visible()
    expect(page.get_by_role("heading", name="Between failures: Isaune")).to_be_visible()
    section = page.locator("section", has=page.get_by_role("heading", name="Over time: Isaune")).last
    section.locator("summary").click()
    expect(section.locator("tbody tr").first).to_contain_text("a point beyond the limits")
    # Others are compared: who was picked is dropped, and the address follows.
    page.locator("#quality-by").click()
    page.get_by_role("option", name="offices").click()
    expect(page).to_have_url(re.compile(r"/quality\?by=office$"))
    expect(page.locator("h1")).to_contain_text("No evidence that offices differ")
    page.locator("#quality-region").click()
    page.get_by_role("option", name="Tallis Isles").click()
    expect(page).to_have_url(re.compile(r"/quality\?by=office&region=Tallis\+Isles$"))
    expect(page.locator(".quality-units tbody tr")).to_have_count(2)
    page.go_back()
    page.go_back()
    expect(page.get_by_role("heading", name="Over time: Isaune")).to_be_visible()
    expect(page.locator("#quality-by")).to_have_value("designers")


def test_the_quality_page_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(f"{sample_address}/quality?unit=Isaune")
    expect(seen.get_by_role("heading", name="Corrective actions")).to_be_visible()
    for summary in seen.locator("#quality .as-table summary").all():
        summary.click()
    assert grave(seen) == []


def test_work_is_judged_by_its_design_date_and_put_right(seen: Page, serve: Serve, tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    store.create()
    shutil.copyfile(CATALOG, store.catalog / CATALOG.name)
    brought(store, 16, 16)  # as many as the inverter's first sheet allowed, and more than today's does
    seen.goto(serve(store.root) + "/quality?outcome=branch-unit-limit")
    answer = seen.locator("#quality-answer")
    expect(answer).to_contain_text("By today's specs: 2 of 2 fail")
    expect(seen.locator("#quality-rules")).to_be_disabled()
    seen.get_by_role("button", name="Judge it by design dates").click()
    expect(answer).to_contain_text("By the specs of each design date: 0 of 2 fail")
    expect(answer).to_contain_text("Beside it, by today's specs: 2 of 2 fail")
    seen.locator("#quality-rules").click()
    seen.get_by_role("option", name="today's specs").click()
    expect(seen).to_have_url(re.compile("rules=now$"))
    expect(answer).to_contain_text("Beside it, by the specs of each design date: 0 of 2 fail")
    # What is missing is said at its field; nothing is opened.
    part = seen.locator("#quality-actions")
    part.get_by_text("Open actions: 2 systems fail").click()
    expect(part.locator(".quality-open tbody tr").first).to_contain_text("pass")  # by its design date
    part.get_by_label("Due").fill("2020-01-31")
    part.get_by_role("button", name="Open an action on each").click()
    for text in ("Say who", "needs an owner", "That day is past", "needs its reason", "Choose a system"):
        expect(part).to_contain_text(text)
    assert all_decisions(store) == []
    part.get_by_label("Choose S<0>").check()
    for label, text in (
        ("Who opens it", "Ada"),
        ("Owner", "Bo <i>"),
        ("Due", "2999-01-31"),
        ("What is to", "too many"),
    ):
        part.get_by_label(label).fill(text)
    part.get_by_role("button", name="Open an action on each").click()
    expect(part).to_contain_text("1 action opened: 1. Owner Bo <i>, due 2999-01-31.")
    part.get_by_role("link", name="1: open").first.press("Enter")
    expect(seen).to_have_url(re.compile("action=1"))
    part.get_by_role("button", name="Answered").click()
    expect(part).to_contain_text("needs its reason")
    assert violations(seen, "wide and light") == []
    seen.emulate_media(color_scheme="dark")
    seen.set_viewport_size(NARROW)
    seen.wait_for_function(STILL)
    assert violations(seen, "narrow and dark") == []
    part.get_by_label("Who says so").fill("Bo")
    part.get_by_label("Why").fill("units moved")
    part.get_by_role("button", name="Answered").press("Enter")
    expect(part).to_contain_text("Action 1 is answered.")
    (action,) = actions_of(in_force(all_decisions(store)))
    assert [(one.who, one.text) for one in action.history] == [("Ada", "too many"), ("Bo", "units moved")]
    # The records come in mended: the audit verifies it, and the page says which.
    brought(store, 10)
    seen.reload()
    expect(part).to_contain_text("Action 1: branch-unit-limit of S<0>, verified")
    expect(part.locator(".quality-action tbody tr").last).to_contain_text("run 3")
    expect(part.get_by_role("button", name="Answered")).to_have_count(0)
