"""Files for the import page, and how a person brings one in."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

HEADER = "system_id,circuit_id,site_label,service,inverter_count,breaker_a,home_run_length_m,design_date\n"
SOUND = "S{n},1,Site {n},120/240,12,20,20,2016-05-01\n"
BAD = "S9,1,Site 9,120/240,twelve,20,20,2016-05-01\n"
FOREIGN = "Job No,Branch,Customer,Inverters on branch,Breaker (A),Home run (ft)\nJ1,1,Ash,12,20,75\nJ2,1,Elm,10,20,40\n"


def bring(page: Page, path: Path) -> None:
    """Choose a file on the page and wait until something is said of it."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a file").click()
    chooser.value.set_files(path)
    expect(page.locator(".waiting-file h2")).to_contain_text(path.name)


def pressed(page: Page, name: str) -> None:
    page.locator("#import-panel").get_by_role("button", name=name, exact=True).click()


def counts(page: Page) -> list[str]:
    """Rows in, accepted, rejected and repeated, as the page shows them."""
    return page.locator(".counts dd").all_inner_texts()
