"""Corrective actions on what a run found: which systems one can be opened on, and their opening."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import polars as pl

from auditor.errors import AuditorError
from auditor.reports.cases import DAY, VALUES, in_region
from auditor.store import Store
from auditor.store.actions import check_step
from auditor.store.decisions import Decision, all_decisions, append, in_force
from auditor.store.records_db import Connection


def checks(con: Connection) -> dict[str, str]:
    """The checks that an action can be about: name and title."""
    return dict(con.execute('SELECT "check", title FROM "check" ORDER BY number').fetchall())


def verdicts(con: Connection, check: str, systems: Sequence[str]) -> dict[str, str]:
    """A check's verdict on each of some systems, as a run has it; a system that it does not hold is left out."""
    if check not in checks(con):
        return {}
    query = f"SELECT system_id, {_verdict(check)}::VARCHAR FROM system_result WHERE system_id IN (SELECT unnest(?))"
    return dict(con.execute(query, [list(systems)]).fetchall())


def failing(
    con: Connection, check: str, by: str, unit: str | None, region: str, *, acted: Collection[str], most: int
) -> tuple[pl.DataFrame, int]:
    """The systems that fail a check in a run, in the order of their ids, `most` of them at most, and how many do.

    Columns system_id, value (the unit that `by` names), designed (its day). `unit` keeps to one, "" to those of none;
    systems that were acted on come last.
    """
    where = f"r.{_verdict(check)} = 'fail' AND {in_region(con, region)}"
    if unit is not None:
        where += f" AND coalesce({VALUES[by]}, '') = ?"
    told = f" FROM system_result r JOIN system s USING (system_id) JOIN shown m USING (system_id) WHERE {where}"
    bound = [] if unit is None else [unit]
    count = con.execute(f"SELECT count(*){told}", bound).fetchall()[0][0]
    rows = con.execute(
        f"SELECT s.system_id, {VALUES[by]}, {DAY}{told}"
        f" ORDER BY list_contains(?, s.system_id), s.system_id LIMIT {int(most)}",
        [*bound, list(acted)],
    ).fetchall()
    schema = {"system_id": pl.String(), "value": pl.String(), "designed": pl.Date()}
    return pl.DataFrame(rows, schema=schema, orient="row"), int(count)


def units_of(con: Connection, systems: Sequence[str], by: str) -> dict[str, str | None]:
    """Whose each of some systems is, as a run has it; a system that it does not hold is left out."""
    query = f"SELECT s.system_id, {VALUES[by]} FROM system s JOIN shown m USING (system_id)"
    query += " WHERE system_id IN (SELECT unnest(?))"
    return dict(con.execute(query, [list(systems)]).fetchall())


def open_actions(
    store: Store, con: Connection, systems: Sequence[str], check: str, owner: str, due: str, why: str, who: str = ""
) -> list[Decision]:
    """Open an action on each of some systems that fail a check in a run.

    AuditorError, before any is opened, where one of them does not fail it or has an action on it already.
    """
    abouts = [{"system": one, "check": check, "owner": owner, "due": due} for one in dict.fromkeys(systems)]
    found, standing = verdicts(con, check, systems), in_force(all_decisions(store))
    for about in abouts:
        check_step(Decision(0, "", who, "action", about, why), standing)
        system = about["system"]
        if found.get(system) != "fail":
            what = f"is {found[system]}" if found.get(system) else "is not judged"
            raise AuditorError(
                f"{system}: {check} {what} in the run that is shown; an action is about a check that fails."
            )
    return [append(store, "action", about, why, who) for about in abouts]


def _verdict(check: str) -> str:
    return f"{check.replace('-', '_')}_verdict"
