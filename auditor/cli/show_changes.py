"""What `auditor compare` prints: counts, what differs between the runs, causes, and the first changes."""

from __future__ import annotations

from rich.table import Table

from auditor.cli.show import counted, plain, row, safe, tabular
from auditor.compare.queries import where
from auditor.store.records_db import Connection

#: Columns of the counts: what is counted, and how it is headed.
CHANGES = ("pass to fail", "fail to pass", "became unknown", "became known", "came in", "went")
SHOWN_CHANGES = 10
SHOWN_CAUSES = 12


def compared(con: Connection, check: str, systems: tuple[str, ...]) -> None:
    """Print a comparison, or what the filters leave of it."""
    about = row(con, "compared")
    for word in ("before", "after"):
        rules = f", {safe(about[f'other_rules_{word}'])}" if about[f"other_rules_{word}"] else ""
        part = f" (a part: {safe(about[f'part_{word}'])})" if about[f"part_{word}"] else ""
        plain(
            f"Run {about[word]}{part}: as of {about[f'as_of_{word}']}, policy {safe(about[f'policy_{word}'])}{rules};"
            f" {counted(about[f'systems_{word}'], 'system')}, {counted(about[f'circuits_{word}'], 'circuit')}."
        )
    if about["part_before"] or about["part_after"]:
        plain("Compared over the same systems alone.")
    factors = con.execute("SELECT name, detail FROM factor ORDER BY number").fetchall()
    plain("What differs: " + ("; ".join(safe(f"{name} ({detail})") for name, detail in factors) or "nothing") + ".")
    if about["alike"]:
        plain("Both runs have the same content.")
    condition = where(con, check, systems)
    if not systems:
        _counts(con, check)
    _causes(con, condition)
    _first(con, condition)


def _counts(con: Connection, check: str) -> None:
    """How many verdicts of each check went from what to what, and how many stayed."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("check")
    for name in (*CHANGES, "other", "as before"):
        table.add_column(name, justify="right")
    moved = [f"coalesce(sum(count) FILTER (change = '{name}'), 0)" for name in CHANGES]
    named = ", ".join(f"'{name}'" for name in CHANGES)
    same = "before IS NOT DISTINCT FROM after AND change NOT IN ('came in', 'went')"
    other = f"coalesce(sum(count) FILTER (change NOT IN ({named}) AND NOT ({same})), 0)"
    as_before = f"coalesce(sum(count) FILTER ({same}), 0)"
    label = "CASE kind WHEN 'check' THEN \"check\" WHEN 'system' THEN 'whole system' ELSE 'trip-days, band' END"
    rows = con.execute(
        f"SELECT {label} AS label, {', '.join([*moved, other, as_before])} FROM tally"
        ' WHERE ? IN (\'\', "check") GROUP BY kind, "check" ORDER BY kind, any_value(number)',
        [check],
    ).fetchall()
    for name, *counts in rows:
        if any(counts[:-1]):
            table.add_row(name, *(f"{count:,}" for count in counts))
    plain("")
    if table.row_count:
        tabular(table)
    else:
        plain("No verdict changed.")


def _causes(con: Connection, condition: str) -> None:
    """The causes of changed verdicts, by how many systems each concerns."""
    rows = con.execute(
        "SELECT cause, count(DISTINCT system_id) AS systems, count(*) FILTER (kind = 'check') FROM changed"
        f" WHERE cause IS NOT NULL AND {condition} GROUP BY cause ORDER BY systems DESC, cause"
    ).fetchall()
    if rows:
        plain("\nCauses:")
    for cause, systems, verdicts in rows[:SHOWN_CAUSES]:
        plain(f"  {safe(cause)}: {counted(systems, 'system')}, {counted(verdicts, 'verdict')} of a check")
    if len(rows) > SHOWN_CAUSES:
        plain(f"  and {len(rows) - SHOWN_CAUSES} more")


def _first(con: Connection, condition: str) -> None:
    """The first changed verdicts of checks, with what is left to the limit; failing ones first."""
    query = (
        f"FROM changed WHERE kind = 'check' AND before IS DISTINCT FROM after AND {condition}"
        " ORDER BY after <> 'fail', system_id, \"check\", circuit_id NULLS FIRST"
    )
    total = con.execute(f"SELECT count(*) FROM ({query})").fetchall()[0][0]
    columns = 'system_id, circuit_id, "check", change, margin_before_pct, margin_after_pct, cause, waived_until'
    rows = con.execute(f"SELECT {columns} {query} LIMIT {SHOWN_CHANGES}").fetchall()
    if not rows:
        return
    plain(f"\n{counted(total, 'changed verdict')} of a check; what is left to the limit before and after:")
    for system, circuit, check, change, before, after, cause, waived in rows:
        place = safe(system if circuit is None else f"{system} / {circuit}").replace("\n", " ")
        until = f", waived until {waived}" if waived else ""
        plain(f"  {place}  {check}: {change}, {_margin(before)} to {_margin(after)}{until}. {safe(cause or '')}")
    if total > len(rows):
        plain(f"  and {total - len(rows):,} more")


def _margin(value: float | None) -> str:
    return "?" if value is None else f"{value:.1f} %"
