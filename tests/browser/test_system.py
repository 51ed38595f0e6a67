"""The page of a system in a browser: its formulas, its voltages, and the what-if."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from browser_pages import Serve
from playwright.sync_api import Page, expect

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]


def failing(store: Store) -> str:
    """A system that fails for its voltage rise."""
    query = "SELECT min(system_id) FROM circuit_result WHERE voltage_rise_verdict = 'fail'"
    with open_snapshot(store) as con:
        return str(con.execute(query).fetchall()[0][0])


@pytest.fixture
def copied(sample_store: Sample, tmp_path: Path) -> Store:
    """A copy of the sample's store that a test may change."""
    shutil.copytree(sample_store[0].root, tmp_path / "store")
    return Store(tmp_path / "store")


def test_a_finding_opens_to_its_formula_with_the_numbers_of_the_system(
    page: Page, sample_address: str, sample_store: Sample
) -> None:
    system = failing(sample_store[0])
    page.goto(f"{sample_address}/system/{system}")
    expect(page.locator("h1")).to_contain_text(system)
    finding = page.locator("#findings").locator("xpath=ancestor::section").locator("details").first
    expect(finding).to_have_attribute("open", "")  # what fails is open, with its numbers in the formula
    expect(finding).to_contain_text(re.compile(r"= .*\d.* %"))
    finding.locator("summary").first.press("Enter")
    expect(finding).not_to_have_attribute("open", "")
    expect(page.locator("#voltage")).to_be_visible()
    expect(page.locator(".cautions")).to_contain_text("licensed person")


@pytest.mark.long
def test_what_if_answers_at_once_and_outlives_a_newer_run(page: Page, serve: Serve, copied: Store) -> None:
    system = failing(copied)
    page.goto(f"{serve(copied.root)}/system/{system}")
    field = page.locator("""[id='{"what-if":"home_run_size"}']""")
    field.fill("1/0 AWG")
    page.locator("#what-if-go").click()
    expect(page.locator("#what-if-answer")).to_contain_text("The system's verdict")
    expect(page.locator("#what-if-answer")).to_contain_text("A remedy never enlarges a breaker")
    expect(page.locator(".what-if-trips")).to_contain_text("trip-days a year, expected")
    command = [sys.executable, "-m", "auditor", "audit", "--store", str(copied.root)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    expect(page.locator("#run-label")).to_contain_text("run 2")
    expect(field).to_have_value("1/0 AWG")
    page.locator("#what-if-go").click()
    expect(page.locator("#what-if-answer")).to_contain_text("The system's verdict")
    page.locator("#what-if-clear").click()
    expect(field).to_have_value("")


def test_months_and_hours_come_when_asked_and_stand_in_the_address(
    page: Page, sample_address: str, sample_store: Sample
) -> None:
    with open_snapshot(sample_store[0]) as con:
        query = "SELECT system_id FROM system_result ORDER BY trip_days_per_year DESC NULLS LAST, system_id LIMIT 1"
        system = str(con.execute(query).fetchall()[0][0])
    page.goto(f"{sample_address}/system/{system}?region=x")
    button = page.locator("#trip-hours-go")
    button.press("Enter")
    expect(page.locator(".hours .hour")).to_have_count(12 * 24)
    expect(button).to_have_attribute("aria-expanded", "true")
    expect(page.locator("#trip-hours")).to_contain_text("80 in 100 trips fall between")
    assert page.url.endswith("?region=x&hours=shown")
    page.reload()
    expect(page.locator(".hours .hour")).to_have_count(12 * 24)
    page.locator("#trip-hours .as-table summary").press("Enter")
    expect(page.locator("#trip-hours tbody tr")).to_have_count(12)
    button.press("Enter")
    expect(page.locator(".hours")).to_have_count(0)
    assert page.url.endswith("?region=x")
    page.go_back()
    expect(page.locator(".hours .hour")).to_have_count(12 * 24)


def test_what_cannot_be_read_is_said_in_the_form(page: Page, sample_address: str, sample_store: Sample) -> None:
    system = failing(sample_store[0])
    page.goto(f"{sample_address}/system/{system}")
    page.locator("""[id='{"what-if":"home_run_length_m"}']""").fill("long")
    page.locator("#what-if-go").click()
    expect(page.locator("#what-if-answer .notice-warning")).to_contain_text("long")
