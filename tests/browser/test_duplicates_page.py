"""Ids that may be one project, decided on the import page: who, why, and what the next audit makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from browser_pages import Serve, auditor, grave
from playwright.sync_api import Page, expect

from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.snapshot import open_snapshot

HEADER = "system_id,circuit_id,site_label,contact,service,inverter_count,home_run_length_m\n"
ROWS = (
    "Q-0001,1,Hill Farm,Ada,120/240,16,20\nQ-1,1,Hill Farm,Ada,120/240,16,20\n"
    "R-<b>1,1,Vale Farm,Bo,120/240,12,25\nR-1,1,Vale Farm,Bo,120/240,12,25\n"
)


@pytest.fixture
def doubled(tmp_path: Path) -> Store:
    """A store that holds two projects under two ids each."""
    (tmp_path / "rows.csv").write_text(HEADER + ROWS, "utf-8")
    auditor("import", tmp_path / "rows.csv", "--store", tmp_path / "store")
    return Store(tmp_path / "store")


def test_a_person_decides_with_a_name_and_a_reason(page: Page, serve: Serve, doubled: Store) -> None:
    page.goto(serve(doubled.root) + "/import")
    listed = page.locator("#duplicates")
    hill = listed.locator("tbody tr").filter(has_text="Hill Farm")
    vale = listed.locator("tbody tr").filter(has_text="Vale Farm")
    hill.get_by_role("button", name="Same project, keep Q-1", exact=True).click()
    expect(page.get_by_text("Say who decides")).to_be_visible()
    assert all_decisions(doubled) == []
    page.get_by_label("Who decides").fill("Bo <i>")
    hill.get_by_role("button", name="Same project, keep Q-1", exact=True).click()
    expect(page.get_by_text("A decision needs its reason")).to_be_visible()
    page.get_by_label("Why").fill("one roof, renumbered")
    hill.get_by_role("button", name="Same project, keep Q-1", exact=True).click()
    expect(hill).to_contain_text("one project: Q-0001 is left out (by Bo <i>: one roof, renumbered)")
    # The name stays for the next decision, the reason does not.
    expect(page.get_by_label("Who decides")).to_have_value("Bo <i>")
    page.get_by_label("Why").fill("two tenants")
    vale.get_by_role("button", name="are two projects").click()
    expect(vale).to_contain_text("two projects (by Bo <i>: two tenants)")
    first, second = all_decisions(doubled)
    assert (first.kind, first.who, first.text) == ("merge", "Bo <i>", "one roof, renumbered")
    assert dict(first.subject) == {"keep": "Q-1", "drop": "Q-0001"}
    assert (second.kind, set(second.subject.values())) == ("not-duplicate", {"R-1", "R-<b>1"})
    # One is taken back, and the audit follows what stands.
    page.get_by_label("Why").fill("asked again")
    vale.get_by_role("button", name="Take it back").click()
    expect(vale.get_by_role("button", name="are two projects")).to_be_visible()
    assert all_decisions(doubled)[2].undoes == 2
    listed.get_by_role("button", name="Audit now").click()
    expect(page.locator("#run-label")).to_contain_text("run 2")
    expect(listed.locator("tbody tr")).to_have_count(1)
    expect(listed).to_contain_text("Vale Farm")
    with open_snapshot(doubled) as con:
        assert con.execute("SELECT dropped_id, kept_id, who FROM merged").fetchall() == [("Q-0001", "Q-1", "Bo <i>")]


def test_a_dashboard_that_takes_no_files_takes_no_decisions(page: Page, serve: Serve, doubled: Store) -> None:
    page.goto(serve(doubled.root, "--no-upload") + "/import")
    expect(page.locator("#duplicates")).to_contain_text("auditor decide merge KEEP DROP --why TEXT")
    expect(page.locator("#duplicates").get_by_role("button")).to_have_count(0)


def test_the_buttons_keep_nobody_out(seen: Page, serve: Serve, doubled: Store) -> None:
    seen.goto(serve(doubled.root) + "/import")
    expect(seen.get_by_label("Who decides")).to_be_visible()
    assert grave(seen) == []
