"""Sheets: nothing imported is ever markup, both papers and both formats hold the same, and equal sheets are equal."""

from __future__ import annotations

import datetime as dt
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import polars as pl
import pytest
from fpdf import FPDF

from auditor.one_system import Case, load
from auditor.reports.complaints import Complaint
from auditor.sheets import drawn
from auditor.sheets.blocks import Bullets, Chart, Heading, Sheet, Table, Text
from auditor.sheets.charts import Line, chart
from auditor.sheets.content import _crew, _utility, sheet
from auditor.sheets.drawn import hours, profile
from auditor.sheets.html import as_html
from auditor.sheets.pdf import BY_HAND_MM, SHORTENED, _short, _widths, as_pdf
from auditor.store import Store
from auditor.store.snapshot import open_snapshot

HOSTILE = '<img src=x onerror="run()"> & **bold** <script>\u202e</script> 日本'
DRAWN = chart(
    [Line("unit", ((0.0, 245.0), (1.0, 251.0)))], [(252.0, "range 252 V"), (400.0, "far")], [(0.5, "noon")], "x"
)
EVERY = Sheet(
    HOSTILE,
    HOSTILE,
    (Heading(HOSTILE), Text(HOSTILE, warning=True), Bullets((HOSTILE,)), Table((HOSTILE, "V"), ((HOSTILE, "1"),), (1,)),
     Chart(DRAWN, "a chart")),
    HOSTILE,
)  # fmt: skip
#: Points of an inch: A4 is 210 by 297 mm, Letter 8.5 by 11 inches.
PAPERS = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}


def test_imported_text_is_never_markup() -> None:
    text = as_html(EVERY)
    assert "<img" not in text
    assert "<script" not in text
    assert text.count("&lt;img src=x onerror=&quot;run()&quot;&gt; &amp;") == 9
    # Nothing is asked for from outside.
    assert not re.search(r"(src|href)=\"?(http|//)|@import|url\(", text)
    ET.fromstring(re.search(r"<svg.*</svg>", text, re.S)[0])  # type: ignore[index]


@pytest.mark.parametrize("paper", list(PAPERS))
def test_a_pdf_has_the_papers_size_and_is_equal_again(paper: str) -> None:
    first, again = (as_pdf(EVERY, paper) for _ in range(2))  # type: ignore[arg-type]
    assert first.startswith(b"%PDF-")
    assert first == again
    box = re.search(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", first)
    assert box is not None
    assert tuple(map(float, box.groups())) == pytest.approx(PAPERS[paper], abs=0.1)
    for forbidden in (b"/JavaScript", b"/URI", b"/Launch"):
        assert forbidden not in first


def test_a_chart_leaves_out_limits_far_from_its_lines() -> None:
    root = ET.fromstring(DRAWN)
    texts = [each.text for each in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "range 252 V" in texts
    assert "far" not in texts
    # 245 V lies lower on the page than 251 V.
    points = root.find("{http://www.w3.org/2000/svg}polyline").get("points")  # type: ignore[union-attr]
    (_, low), (_, high) = (tuple(map(float, pair.split(","))) for pair in str(points).split())
    assert low > high


def test_each_sheet_holds_what_its_reader_asks_for(sample_store: tuple[Store, object]) -> None:
    with open_snapshot(sample_store[0]) as con:
        system_id = con.execute(
            "SELECT min(system_id) FROM system_result WHERE trip_days_per_year > 0 AND worst_total_rise_pct > 2"
        ).fetchall()[0][0]
        sheets = {audience: sheet(con, [], system_id, audience) for audience in ("utility", "crew")}  # type: ignore[arg-type]
        hashes = con.execute("SELECT content_hash FROM audit").fetchall()[0][0]
        shown = {name: as_html(made) for name, made in sheets.items()}
    for text in shown.values():
        for word in (system_id, "Settings", "Assumed", "licensed person", "open neutral", hashes[:16], "<svg"):
            assert word in text, word
    for word in ("Voltage rise by part", "home run", "NEC Chapter 9 Table 8", "Voltages that were read", "threshold"):
        assert word in shown["utility"], word
    for word in ("What to measure", "L1-N, L2-N, L1-L2", "never inside the meter enclosure", "prove dead"):
        assert word in shown["crew"], word
    assert shown["crew"].index("open neutral") < shown["crew"].index("What to measure")
    # What counts is summed up against its target; the tables go by name and edition; what no record holds has room.
    for word in ("sum of what counts", "target 2 %", "NEC Chapter 9 Table 8, 2011 to 2023, copper", "meter number"):
        assert word in shown["utility"], word
    assumed = re.search(r"For the wiring: ([^<]*)\.", shown["utility"])
    assert assumed is not None
    names = assumed[1].split(", ")
    assert len(set(names)) == len(names) > 1


def test_a_call_leads_the_crews_sheet_and_nothing_is_measured(sample_store: tuple[Store, object]) -> None:
    """The parts of a complaint's sheet, for a call and for one that is open."""
    told = {"alarms": [{"sentence": "The legs moved."}], "assumed": ["one thing"], "looks": [{"sentence": "Look."}]}
    stop = Complaint(
        "C", "S", dt.date(2025, 6, 1), "It trips", "open", "stop", "suspected neutral: safety call", None, "Stop.",
        None, None, told,
    )  # fmt: skip
    unsure = replace(stop, state="cannot tell", answer="cannot tell", told=told | {"alarms": []})
    with open_snapshot(sample_store[0]) as con:
        case = load(con, con.execute("SELECT min(system_id) FROM system_result").fetchall()[0][0])
        called, open_ = (as_html(Sheet("t", "s", tuple(_crew(con, case, [one])), "f")) for one in (stop, unsure))
    assert called.index("Suspected neutral: safety call") < called.index("Before anything else")
    assert "The legs moved." in called
    for word in ("What to measure", "What the model expects", "Look."):
        assert word not in called, word
        assert word in open_, word
    assert "Cause: cannot be told from what is known." in open_


def test_a_crew_reads_nothing_live_that_is_to_stay_dead_nor_what_nobody_asks_for(
    sample_store: tuple[Store, object],
) -> None:
    looks = [{"sentence": "Look."}]
    unsure = Complaint("C", "S", dt.date(2025, 6, 1), "", "open", "cannot tell", "cannot tell", None, "A step.", None,
                       None, {"looks": looks})  # fmt: skip
    behind = {"alarms": [{"kind": "hot connection", "sentence": "Hot.", "behind_meter": True}]}
    ahead = {"alarms": [*behind["alarms"], {"kind": "neutral", "sentence": "Off.", "behind_meter": False}]}
    with open_snapshot(sample_store[0]) as con:
        case = load(con, con.execute("SELECT min(system_id) FROM system_result").fetchall()[0][0])

        def crew(told: dict[str, object]) -> str:
            return as_html(Sheet("t", "s", tuple(_crew(con, case, [replace(unsure, told=told)])), "f"))

        def utility(told: dict[str, object]) -> str:
            one = replace(unsure, state="stop", told=told)
            return as_html(Sheet("t", "s", tuple(_utility(con, case, [one])), "f"))

        whole, settled = crew({"looks": looks}), crew({"looks": []})
        one, every = (crew({"looks": looks, "unexplained": [{"circuit_id": name}]}) for name in ("1", None))
        assert "licensed electrician is called, not the utility" in utility(behind)
        assert "not the utility" not in utility(ahead)
    assert whole.count("no trunk connector is opened or probed under load") == 2
    assert "What to measure" not in settled
    assert "Nothing live on circuit 1" in one
    assert "near full output" in one
    assert "Look." not in every
    for text in (one, every):
        assert "last unit of" not in text


def test_a_week_is_drawn_place_by_place_and_what_is_not_drawn_is_said() -> None:
    """Five places, one of them with three pairs: each line runs forward in time, and each is told apart by its name."""
    places = [("main panel", None, leg) for leg in ("L1-L2", "L2-L3", "l1-n")]
    places += [("unit", circuit, None) for circuit in ("1", "2", "<b>")] + [("service", None, None)]
    rows = [
        {"place": place, "circuit_id": circuit, "leg": leg, "hour": dt.datetime(2025, 6, 1, hour),
         "v_pct": 100.0 + hour + (3 if leg == "L2-L3" else 0) + (50 if leg == "l1-n" else 0)}
        for place, circuit, leg in places for hour in (10, 11, 12)
    ]  # fmt: skip
    case = SimpleNamespace(
        prepared=SimpleNamespace(
            circuit=pl.DataFrame({"unit_voltage_v": [240.0]}), system=pl.DataFrame({"service": ["120/240"]})
        ),
        top_profile=SimpleNamespace(grids={}),
    )
    drawing, text = hours(pl.DataFrame(rows), cast(Case, case))
    assert isinstance(drawing, Chart)
    assert isinstance(text, Text)
    lines = ET.fromstring(drawing.svg).findall("{http://www.w3.org/2000/svg}polyline")
    assert len(lines) == 4
    for line in lines:
        across = [float(pair.split(",")[0]) for pair in str(line.get("points")).split()]
        assert across == sorted(set(across))
        assert len(across) == 3
    # ANSI C84.1 Range B ends at 254 V.
    assert drawn.supply_limit(cast(Case, case)) == [(254.0, "supply 254.0 V")]
    named, _, left = text.text.partition(" Not drawn: ")
    assert named.endswith(
        "in the order of the lines: main panel, L2-L3; unit of circuit 1; unit of circuit 2; unit of circuit <b>."
    )
    assert left == "service."
    assert "<b>" not in drawing.svg


def test_circuits_that_a_drawing_leaves_out_are_counted() -> None:
    points = [
        {"circuit_id": str(number), "place": place, "on_path": True, "operating_v": volts}
        for number in range(6) for place, volts in (("PCC", 250.0), ("unit", 250.0 + number))
    ]  # fmt: skip
    case = SimpleNamespace(top_profile=SimpleNamespace(points=pl.DataFrame(points), grids={}))
    _, text = profile(cast(Case, case))
    assert isinstance(text, Text)
    assert text.text.endswith("lines: 5, 4, 3, 2. Not drawn, since they rise less: 2 more.")


def test_a_cell_of_any_length_fits_on_a_page() -> None:
    cells = ("word " * 3_000, "w" * 15_000, *("W" * 60,) * 6, "1")
    head = tuple(f"column {number}" for number in range(len(cells)))
    assert as_pdf(Sheet("t", "s", (Table(head, (cells,)),), "f"), "letter").startswith(b"%PDF-")
    pdf = FPDF()
    pdf.add_page()
    pdf.set_font("helvetica", size=8)
    assert _short(pdf, "word " * 100, 60) == "word " * 100
    short = _short(pdf, cells[0], 60)
    assert short.startswith("word word")
    assert short.endswith(SHORTENED)
    assert 100 < len(short) < 3_000
    # A word that is wider than its column leaves the others their share.
    widths = _widths(pdf, [head, cells])
    assert sum(widths) == pytest.approx(pdf.epw)
    assert min(widths) > 10


def test_columns_are_as_wide_as_their_words_and_leave_room_to_write() -> None:
    pdf = FPDF()
    pdf.set_font("helvetica", size=8)
    rows = [("instrument", "V read", "a sentence"), ("x", "", "of many words that may well be broken " * 9)]
    widths = _widths(pdf, rows)
    assert widths[0] > pdf.get_string_width("instrument")
    assert widths[1] >= BY_HAND_MM
    assert sum(widths) == pytest.approx(pdf.epw)
