"""Trips on the pages without a browser: the picture's places, the map's words, the answer of a what-if."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import plotly.utils
import polars as pl
import pytest
from dash import no_update

from auditor.one_system.trips import ByHour
from auditor.one_system.what_if import Change
from auditor.store import Store
from auditor.store.records_db import Connection
from dashboard.context import Context
from dashboard.filters import BY_TRIPS, Filters, View, parse
from dashboard.pages import parts, parts_trips, portfolio, system, system_hours, system_trips, system_whatif
from dashboard.pages.system_address import choice_of, hours_asked, with_hours
from dashboard.pages.trip_picture import days, picture, place_of_days, places_of_room, words
from dashboard.queries import portfolio as queries
from dashboard.snapshots import Snapshots


@pytest.fixture(scope="module")
def context(sample_store: tuple[Store, object]) -> Iterator[Context]:
    snapshots = Snapshots(sample_store[0])
    yield Context(sample_store[0], snapshots)
    snapshots.close()


def text_of(component: Any) -> str:
    return json.dumps(component, cls=plotly.utils.PlotlyJSONEncoder, ensure_ascii=False)


def of(con: Connection, condition: str) -> dict[str, Any]:
    query = f"SELECT * FROM system_result WHERE {condition} ORDER BY system_id LIMIT 1"
    return pl.DataFrame(con.sql(query).to_arrow_table()).row(0, named=True)


def test_days_stand_on_a_logarithmic_scale() -> None:
    assert place_of_days(0.1) == pytest.approx(4.0)
    assert place_of_days(365.0) == place_of_days(400.0) == pytest.approx(100.0)
    # The geometric middle of 0.1 and 365 lies half-way.
    assert place_of_days(math.sqrt(36.5)) == pytest.approx(52.0)
    assert 0.0 < place_of_days(0.0) == place_of_days(0.09) < 4.0


def test_parts_follow_each_other_from_nominal_to_the_threshold() -> None:
    found, threshold = places_of_room({"supply": 2.0, "service": 1.0, "wiring": 2.0}, 10.0)
    assert found == {"supply": (0.0, 20.0), "service": (20.0, 10.0), "wiring": (30.0, 20.0)}
    assert threshold == 100.0
    # Beyond the threshold the bar ends with what is used: 4 + 2 + 4 = 10 of room 8.
    found, threshold = places_of_room({"supply": 4.0, "service": 2.0, "wiring": 4.0}, 8.0)
    assert (found["wiring"], threshold) == ((60.0, 40.0), 80.0)
    # A supply 1 % under nominal lies left of it, on a bar from −1 to 9.
    found, threshold = places_of_room({"supply": -1.0, "service": 1.0, "wiring": 3.0}, 9.0)
    assert found == {"supply": (0.0, 10.0), "service": (10.0, 10.0), "wiring": (20.0, 30.0)}
    assert threshold == 100.0


def test_a_system_without_trip_days_has_a_picture(con: Connection) -> None:
    row = of(con, "trip_days_per_year > 1") | {f"{part}_share": None for part in ("supply", "service", "wiring")}
    row |= {f"trip_days_per_year{end}": 0.0 for end in ("", "_median", "_low", "_high")}
    assert "no trip-days to share out" in text_of(picture(row))
    assert "none to share out" in words(row)
    # A log that the model hardly allows leaves no shares.
    shared = row | {f"{part}_share": 0.5 for part in ("supply", "service", "wiring")}
    assert "supply 50%" in words(shared | {"chance_of_so_many_in_log": 0.02})
    assert "50%" not in words(shared | {"chance_of_so_many_in_log": 0.009})
    assert days(0.0) == "fewer than 0.1"


def test_a_chance_is_never_told_as_certain() -> None:
    told = [system_trips.chance(value).replace("\u202f", " ") for value in (0.0, 0.0123, 0.5, 0.952, 0.9996, 1.0)]
    assert told == ["below 0.1 %", "1.2 %", "50 %", "95.2 %", "above 99.9 %", "above 99.9 %"]


def test_the_shortest_run_that_holds_most() -> None:
    assert system_hours.window([0, 0, 4, 5, 1, 0]) == (2, 3)
    assert system_hours.window([5, 0, 0, 0, 1, 4]) == (5, 0), "round the end of the year"
    assert system_hours.window([1, 1, 1, 1, 1]) == (0, 3)
    assert system_hours.window([0, 9, 0]) == (1, 1)


def test_the_map_says_when_most_trips_fall() -> None:
    trips = np.zeros((12, 24))
    trips[3:6, 11:14] = 2.0
    trips[11, 9] = 0.5
    found = ByHour(trips, 18.0, (45.0, 15.0, 180.0, 1.15), "An assumption.")
    shown = text_of(system_hours.shown(found))
    assert "80 in 100 trips fall between 11:00 and 14:00, and as many in April to June" in shown
    assert "add up to 18 trips a year" in shown
    assert "No trip is expected" in text_of(system_hours.shown(ByHour(trips * 0.0, 0.0, found.plane, "")))
    assert "facts that are missing" in text_of(system_hours.shown(None))
    frame = system_hours._frame(trips)
    assert frame.columns == ["month", "9:00", "11:00", "12:00", "13:00", "sum"]
    assert frame["sum"].to_list()[3:6] == ["6.00"] * 3


def test_the_address_asks_for_the_map(context: Context, con: Connection) -> None:
    assert with_hours("?region=x", True) == "?region=x&hours=shown"
    assert with_hours("?hours=shown", False) == ""
    assert hours_asked("?hours=shown") and not hours_asked("?hours=no")
    row = of(con, "trip_days_per_year > 1")
    system_id, path = row["system_id"], f"/system/{row['system_id']}"
    still = (no_update,) * 4
    assert system_hours.after_address(context, "", path, system_id, None) == still
    assert system_hours.after_address(context, "?hours=shown", path, system_id, system_id) == still, "stands already"
    assert system_hours.after_address(context, "?hours=shown", "/system/other", system_id, None) == still
    assert system_hours.after_address(context, "", path, system_id, system_id)[2] == "false"
    text = text_of(system.layout(context, system_id, "?hours=perhaps"))
    assert "can only be" in text and "Show by month and hour" in text
    with context.snapshots.cursor() as cursor:
        case = system.load(cursor, system_id)
    assert choice_of(case, "?hours=shown")[1] == []


def test_a_what_if_tells_trip_days_beside_the_rise(context: Context, con: Connection) -> None:
    row = of(con, "trip_days_per_year > 20 AND wiring_share > 0.3")
    changes = [Change("home_run_size", "4/0 AWG")]
    answer = text_of(system_whatif.worked_out(context, row["system_id"], changes))
    assert f"Expected to trip on {days(row['trip_days_per_year'])} days a year before" in answer
    assert "Voltage rise in the wiring" in answer
    nothing = of(con, "trip_missing = 'grid_profile'")
    waits = text_of(system_whatif.worked_out(context, nothing["system_id"], [Change("supply_level", "103")]))
    assert "they wait for: grid profile" in waits


def test_groups_and_risk_are_plain_counts(con: Connection) -> None:
    query = "SELECT utility, trip_days_per_year AS d FROM system_result JOIN system USING (system_id)"
    rows = pl.DataFrame(con.sql(query).to_arrow_table())
    edges = [0.1, 1.0, 12.0, 52.0]  # the sample's policy leaves the default's bands
    frame, groups = queries.trips_by_group(con, Filters(), "utility")
    assert groups == frame.height == rows["utility"].n_unique()
    for got in frame.iter_rows(named=True):
        mine = rows.filter(pl.col("utility").eq_missing(pl.lit(got["value"], pl.String)))["d"]
        known = mine.drop_nulls().to_list()
        expected = [sum(low <= d < high for d in known) for low, high in zip([0, *edges], [*edges, 1e9], strict=True)]
        assert got["bands"] == expected
        assert (got["unknown"], got["systems"]) == (mine.null_count(), mine.len())
        assert got["often"] == sum(d >= 12 for d in known)
        assert (got["trip_days"] or 0.0) == pytest.approx(sum(known))
    found = queries.risk(con, Filters())
    known = rows["d"].drop_nulls()
    assert (found.known, found.unknown, found.often) == (
        known.len(), rows["d"].null_count(), known.filter(known >= 12).len(),
    )  # fmt: skip
    assert found.trip_days == pytest.approx(known.sum())
    shown = frame["trip_days"].drop_nulls().to_list()
    assert shown == sorted(shown, reverse=True), "ranked by what is expected"
    with pytest.raises(ValueError, match="cannot group"):
        queries.trips_by_group(con, Filters(), "crew; --")


def test_part_of_a_bar_filters_by_both_its_group_and_its_band(con: Connection) -> None:
    figure, table = parts_trips.group_chart(con, View())
    assert len({bar.name for bar in figure.data}) == len(figure.data) == 6
    bar = next(bar for bar in figure.data if bar.name == "some years")
    click = {"points": [{"customdata": list(bar.customdata[0])}]}
    there = portfolio.after_pick("", None, click)
    filters = parse(there)[0].filters
    assert filters.trips == ("0.1..1",)
    assert len(filters.utility) == 1
    assert portfolio.after_pick(there, None, click) == "", "a second click lifts both"
    chosen, _ = parts_trips.group_chart(con, parse(there)[0])
    solid = [(b.name, n) for b in chosen.data for n, o in enumerate(b.marker.opacity) if o == 1.0]
    assert solid == [("some years", 0)]
    assert "trip-days" in text_of(table)


def test_the_ranking_is_in_the_address(con: Connection) -> None:
    rank = {"pick": "rank", "name": "trip_days", "value": ""}
    assert portfolio.after_pick("?region=x", rank, None) == "?region=x&sort=-trip_days"
    assert portfolio.after_pick("?sort=-trip_days", rank, None) == ""
    assert "The table is ranked" in text_of(parts_trips.risk(con, View(sort=BY_TRIPS)))
    assert "known" in text_of(parts_trips.risk(con, View(Filters(trips=("unknown",)))))


def test_bands_of_one_name_stay_apart(con: Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queries, "bands", lambda _: [("<b>x", 0.0), ("bx", 1.0), ("not known", 5.0)])
    figure, _ = parts_trips.group_chart(con, View(trips_by="designer"))
    assert [bar.name for bar in figure.data] == ["not known, from 5", "bx, from 1", "bx, from 0", "not known"]
    assert parts.value_of("trips", parts.key("unknown")) == "unknown"
