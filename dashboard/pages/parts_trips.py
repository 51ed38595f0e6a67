"""The portfolio page's pieces on overvoltage trips: who is at risk, in which band, and under which utility."""

from __future__ import annotations

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.store.records_db import Connection
from dashboard import components, figures
from dashboard.filters import BY_TRIPS, View
from dashboard.pages import parts
from dashboard.queries import portfolio as queries

UNKNOWN = "not known"


def risk(con: Connection, view: View) -> list[Component]:
    """How many of the systems shown are at risk, what is expected of all, and the ranking by it."""
    found = queries.risk(con, view.filters)
    ranked = view.sort[:1] == BY_TRIPS
    if not found.known:
        return [html.P("Of no system here are the trip-days known.", className="note")]
    unknown = f" Of {components.counted(found.unknown, 'more system')} it is not known." if found.unknown else ""
    words = (
        f"{found.often:,} of {components.counted(found.known, 'system')} ({100 * found.often / found.known:.1f}\u202f%)"
        f" are expected to trip on {queries.often(con):g} days a year or more; all together on"
        f" {components.number(found.trip_days, decimals=0 if found.trip_days >= 10 else 1)} system-days a"
        f" year.{unknown}"
    )
    label = "The table is ranked by trip-days" if ranked else "Rank the table by trip-days"
    return [
        html.P(words, className="note"),
        html.Button(
            label, id={"pick": "rank", "name": "trip_days", "value": ""}, className="button rank",
            **{"aria-pressed": "true" if ranked else "false"},
        ),
    ]  # fmt: skip


def trips_chart(con: Connection, view: View) -> parts.Chart:
    """Systems by the trip-days that are expected of them in a year."""
    frame, bands = queries.trip_bins(con, view.filters), queries.bands(con)
    known = frame.filter(pl.col("band").is_not_null())
    ends = [*(start for _, start in bands[1:]), None]
    ranges = [f"{start:g}..{'' if end is None else f'{end:g}'}" for (_, start), end in zip(bands, ends, strict=True)]
    labels = [
        f"{figures.plain(name)}: {parts.range_words('trips', text)}"
        for (name, _), text in zip(bands, ranges, strict=True)
    ]
    series = parts.wide(known, list(range(len(bands))), "band")
    figure = figures.stacked(
        [figures.wrapped(label) for label in labels], series, [["trips", parts.key(text)] for text in ranges],
        [text in view.filters.trips for text in ranges], title="systems", sideways=True, height=60 + 38 * len(bands),
    )  # fmt: skip
    if not known.height:
        figures.says(figure, "Of no system here are the trip-days known.")
    unknown = frame.filter(pl.col("band").is_null())["systems"].sum()
    extra = [("not known", "unknown", {"unknown": unknown})] if unknown else []
    return figure, parts.picks("trips", list(zip(labels, ranges, strict=True)), series, view, "trip-days a year", extra)


def _bands(con: Connection) -> list[tuple[str, str]]:
    """Each band's name as a chart may draw it, and its range as a filter takes it, the calmest first."""
    bands = queries.bands(con)
    starts = [f"{start:g}" for _, start in bands]
    names = [figures.plain(name) for name, _ in bands]
    if len({*names, UNKNOWN}) <= len(names):
        names = [f"{name}, from {start}" for name, start in zip(names, starts, strict=True)]
    return [(name, f"{low}..{high}") for name, low, high in zip(names, starts, [*starts[1:], ""], strict=True)]


def group_chart(con: Connection, view: View) -> parts.Chart:
    """Systems in each band by utility, region, designer, year, service or inverter; the worst bands first."""
    frame, groups = queries.trips_by_group(con, view.filters, view.trips_by)
    bands = _bands(con)
    by, values = view.trips_by, frame["value"].to_list()
    labels = [parts.NOT_STATED if value is None else figures.plain(value) for value in values]
    numbers = list(reversed(range(len(bands))))
    series = {bands[n][0]: [counts[n] for counts in frame["bands"].to_list()] for n in numbers}
    series[UNKNOWN] = frame["unknown"].to_list()
    looks = dict(zip((name for name, _ in bands), figures.band_looks(len(bands)), strict=True))
    ranges = {**{bands[n][0]: bands[n][1] for n in numbers}, UNKNOWN: "unknown"}
    figure = figures.stacked(
        labels, series, [], [], title="systems", sideways=True, height=160 + 26 * len(values),
        looks=looks | {UNKNOWN: figures.VERDICT_LOOKS["unknown"]},
        keys_by_series={
            name: [[by, parts.key(value), "trips", parts.key(text)] for value in values]
            for name, text in ranges.items()
        },
        chosen_by_series={name: [_chosen(view, value, text) for value in values] for name, text in ranges.items()},
    )  # fmt: skip
    # On a narrow page the names stand one below the other.
    figure.update_layout(legend_maxheight=1)
    if not values:
        figures.says(figure, "No system matches.")
    return figure, _group_table(view, frame, labels, list(ranges), groups)


def _chosen(view: View, value: parts.Value, text: str) -> bool:
    """Whether a group's band is among what the filters ask for; nothing is where they ask for neither."""
    groups, bands = getattr(view.filters, view.trips_by), view.filters.trips
    return bool(groups or bands) and (not groups or value in groups) and (not bands or text in bands)


def _group_table(view: View, frame: pl.DataFrame, labels: list[str], names: list[str], groups: int) -> Component:
    """The chart's figures, and the share at risk and the trip-days expected of each group."""
    held = getattr(view.filters, view.trips_by)
    rows = []
    for row, label in zip(frame.iter_rows(named=True), labels, strict=True):
        known = row["systems"] - row["unknown"]
        counts = [*reversed(row["bands"]), row["unknown"], row["systems"]]
        share = f"{100 * row['often'] / known:.1f}\u202f%" if known else components.NOTHING
        sums = components.number(row["trip_days"], decimals=1)
        rows.append(
            [html.Td(parts.pick(view.trips_by, row["value"], label, "trips-table", row["value"] in held))]
            + [html.Td(text, className="right") for text in (*(f"{count:,}" for count in counts), share, sums)]
        )
    heads = [parts.WORDS[view.trips_by], *names, "systems", "often", "trip-days"]
    table = parts.table(heads, rows)
    note = "“often”: how many of the known trip in one of the two worst bands; trip-days are sums a year."
    if groups > frame.height:
        note = f"The {frame.height} with most trip-days, of {groups:,}; {note}"
    return html.Div([html.P(note, className="note"), table])
