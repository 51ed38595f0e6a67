"""A part of a run's systems, chosen by who they belong to, what they fail, or a file of ids."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from auditor.checks.base import VERDICTS
from auditor.errors import AuditorError
from auditor.store.records_db import Connection
from auditor.toml_file import did_you_mean

#: Choices by a fact of the table `shown`, and by the band of expected trip-days: the option's name, and the column.
FACTS = {"utility": "m.utility", "designer": "m.designer", "region": "m.region", "band": "r.trip_band"}
_NAMED = 3


@dataclass(frozen=True)
class Part:
    """What narrows a run: values of one choice are alternatives, choices narrow each other.

    `check` holds names of checks that a system fails, `listed` is a file of ids, and `called` what the part is called
    in place of what it is chosen by.
    """

    utility: Sequence[str] = ()
    designer: Sequence[str] = ()
    region: Sequence[str] = ()
    band: Sequence[str] = ()
    check: Sequence[str] = ()
    verdict: Sequence[str] = ()
    system: Sequence[str] = ()
    listed: Path | None = None
    called: str = ""

    @property
    def any(self) -> bool:
        """Whether anything is chosen."""
        lists = (self.utility, self.designer, self.region, self.band, self.check, self.verdict, self.system)
        return any(lists) or self.listed is not None

    def words(self) -> str:
        """What the part is called where its run is shown."""
        if self.called:
            return self.called
        told = [f"{name} {' or '.join(values)}" for name in FACTS if (values := getattr(self, name))]
        told += [f"failing {' or '.join(self.check)}"] if self.check else []
        told += [f"verdict {' or '.join(self.verdict)}"] if self.verdict else []
        told += [f"listed in {self.listed.name}"] if self.listed else []
        told += [f"system {', '.join(self.system[:_NAMED])}{' and more' if len(self.system) > _NAMED else ''}"] * bool(
            self.system
        )
        return "; ".join(told)

    def systems(self, con: Connection) -> pl.Series:
        """The ids of the run's systems that are chosen, sorted; AuditorError where the run knows no such, or none."""
        conditions = [_fact(con, name, getattr(self, name)) for name in FACTS if getattr(self, name)]
        conditions += [_check(con, self.check)] if self.check else []
        conditions += [_verdict(self.verdict)] if self.verdict else []
        query = "SELECT system_id FROM shown m JOIN system_result r USING (system_id)"
        if conditions:
            query += f" WHERE {' AND '.join(conditions)}"
        found = pl.DataFrame(con.sql(query).to_arrow_table())["system_id"]
        for option, ids in (("--system", self.system), ("--systems", _ids(self.listed) if self.listed else ())):
            if ids:
                _known(con, option, ids)
                found = found.filter(found.is_in(list(ids)))
        if not len(found):
            raise AuditorError(f"No system of this run fits: {self.words()}. Nothing was judged.")
        return found.sort()


def _quote(values: Sequence[str]) -> str:
    return ", ".join("'" + value.replace("'", "''") + "'" for value in values)


def _fact(con: Connection, name: str, values: Sequence[str]) -> str:
    table, column = FACTS[name].split(".")
    source = "shown" if table == "m" else "system_result"
    rows = con.execute(f"SELECT DISTINCT {column} FROM {source} WHERE {column} IS NOT NULL ORDER BY 1").fetchall()
    known = [row[0] for row in rows]
    for value in values:
        if value not in known:
            raise AuditorError(f"--{name} {value}: no system of this run has it.{did_you_mean(value, known)}")
    return f"{FACTS[name]} IN ({_quote(values)})"


def _check(con: Connection, names: Sequence[str]) -> str:
    numbers = dict(con.execute('SELECT "check", number FROM "check"').fetchall())
    for name in names:
        if name not in numbers:
            raise AuditorError(f"--check {name}: the run has no such check.{did_you_mean(name, numbers)}")
    bits = " | ".join(f"(1::UINTEGER << {numbers[name]})" for name in names)
    return f"coalesce(m.failing_checks & ({bits}), 0) <> 0"


def _verdict(verdicts: Sequence[str]) -> str:
    for verdict in verdicts:
        if verdict not in VERDICTS[:3]:
            raise AuditorError(f"--verdict {verdict}: say {', '.join(VERDICTS[:3])}.{did_you_mean(verdict, VERDICTS)}")
    return f"r.verdict IN ({_quote(verdicts)})"


def _known(con: Connection, option: str, ids: Sequence[str]) -> None:
    rows = con.execute(
        "SELECT id FROM (SELECT unnest(?::VARCHAR[]) AS id) WHERE id NOT IN (SELECT system_id FROM system_result)"
        " ORDER BY id",
        [list(ids)],
    ).fetchall()
    if rows:
        named = ", ".join(row[0] for row in rows[:_NAMED]) + (f" and {len(rows) - _NAMED} more" * (len(rows) > _NAMED))
        raise AuditorError(f"{option}: this run holds no system {named}.")


def _ids(path: Path) -> tuple[str, ...]:
    """The ids that a file lists: its column system_id, or each of its lines."""
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise AuditorError(f"--systems {path}: cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise AuditorError(f"--systems {path}: is not UTF-8 text. Write one id a line, or a CSV.") from error
    ids = tuple(dict.fromkeys(one for one in _listed(text) if one))
    if not ids:
        raise AuditorError(f"--systems {path}: lists no system. Write one id a line, or a CSV with a column system_id.")
    return ids


def _listed(text: str) -> Iterator[str]:
    lines = text.splitlines()
    head = next(csv.reader(lines[:1]), [])
    if "system_id" in head:
        at = head.index("system_id")
        yield from (row[at] for row in csv.reader(lines[1:]) if len(row) > at)
    else:
        yield from (line.strip() for line in lines)
