"""The page of complaints in a browser: what to act on first, why, the sheets, and notes with their history."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from browser_pages import Serve, grave
from playwright.sync_api import Page, expect

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.decisions import all_decisions, complaint_states
from auditor.store.evidence import import_evidence
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

RECORD = (
    "system_id,circuit_id,service,inverter_count,grid_profile,latitude_deg,longitude_deg\n"
    "S-1,1,120/240,12,IEEE 1547-2018 Category II,43,-38\nS-2,1,120/240,12,IEEE 1547-2018 Category II,43,-38\n"
)
COMPLAINTS = (
    "complaint_id,system_id,opened,text\nC-1,S-1,2025-06-20,<b class=planted>It stops</b>\nC-2,S-2,2025-06-21,Stops\n"
)
HEADER = "system_id,place,leg,start,duration_s,mean_v,solar,instrument\n"


def readings() -> str:
    """The legs of one system move apart when the solar goes off."""
    start = dt.datetime(2025, 6, 22, 15, 0)
    rows = [
        f"S-2,main panel,{leg},{(start + dt.timedelta(minutes=minutes)).isoformat()}Z,10,{volts},{solar},meter"
        for minutes, solar, one, two in ((0, "on", 121.0, 120.5), (4, "off", 126.5, 114.0))
        for leg, volts in (("L1-N", one), ("L2-N", two))
    ]
    return HEADER + "\n".join(rows) + "\n"


@pytest.fixture
def complained(tmp_path: Path) -> Store:
    """A store with two complaints: nothing is known of one, the other is a call."""
    store = Store(tmp_path / "store")
    store.create()
    for name, text in (("records", RECORD), ("complaints", COMPLAINTS), ("readings", readings())):
        (tmp_path / f"{name}.csv").write_text(text, "utf-8")
    day = "2025-06-30"
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, tmp_path / "records.csv", None, imported_on=day)
        import_evidence(con, store, tmp_path / "complaints.csv", "complaints", imported_on=day)
        import_evidence(con, store, tmp_path / "readings.csv", "readings", imported_on=day)
        publish(con, store, load_catalog([]), load_policy())
    return store


def test_what_to_act_on_first_and_what_was_noted(seen: Page, serve: Serve, complained: Store) -> None:
    address = serve(complained.root)
    seen.goto(address + "/triage")
    rows = seen.locator(".complaints tbody tr")
    expect(rows).to_have_count(2)
    # The call comes first, without a score; the other says what would settle it.
    expect(rows.nth(0)).to_contain_text("suspected neutral: safety call")
    expect(rows.nth(0)).not_to_contain_text("%")
    expect(rows.nth(1)).to_contain_text("cannot tell")
    rows.nth(0).get_by_role("link", name="C-2").click()
    expect(seen).to_have_url(address + "/triage?complaint=C-2")
    one = seen.locator(".complaint")
    expect(one).to_contain_text("moved in opposite directions, and the neutral by 6.0 V")
    expect(one.get_by_text("how likely")).to_have_count(0)
    expect(one.get_by_text("What would settle it")).to_have_count(0)
    expect(seen.locator("#complaint-week .point").first).to_be_visible()
    assert grave(seen) == []
    with seen.expect_download() as download:
        one.get_by_role("link", name="Work sheet for the crew (HTML)").click()
    sheet = download.value.path().read_text("utf-8")
    assert "suspected neutral" in sheet.lower()
    assert "What to measure" not in sheet
    # A note needs a name; it then stands in the history.
    seen.goto(address + "/triage?complaint=C-1")
    expect(one).to_contain_text("<b class=planted>It stops</b>")
    one.get_by_label("Note", exact=True).fill("asked the customer")
    one.get_by_role("button", name="Note it").click()
    expect(seen.get_by_text("Say who notes it")).to_be_visible()
    one.get_by_label("Who notes it").fill("Bo <i>")
    one.get_by_role("button", name="Note it").click()
    expect(one.locator("table").last).to_contain_text("Bo <i>")
    assert complaint_states(all_decisions(complained))["C-1"].status == "open"
    assert all_decisions(complained)[0].text == "asked the customer"
    assert seen.locator(".planted").count() == 0
