"""What the commands print: consoles, progress, and words and tables that nothing imported can steer."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from auditor import jobs
from auditor.store.records_db import Connection, quoted

console = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
errors = Console(stderr=True, highlight=False)

#: Where no one watches, progress is a line after so long, and then every so often [s].
FIRST_LINE_S, LINE_S = 2.0, 10.0
SHOWN_REJECTS = 5
SHOWN_KINDS = 4
SHOWN_COLUMNS = 12

#: Imported text must not steer the terminal that shows it: control characters but the line feed are shown as such.
_CONTROLS = {code: "�" for code in (*range(32), *range(127, 160)) if code != ord("\n")}


@contextmanager
def progress(label: str) -> Iterator[Advance]:
    """Show progress on the error stream: a bar where someone watches it, else a line now and then."""
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as bar:
        yield Advance(bar, bar.add_task(label, total=None), label)


class Advance:
    """Takes how far a command is, for whoever watches it here or as a job; `phase` names what it is at."""

    def __init__(self, bar: Progress, task: TaskID, phase: str) -> None:
        self._bar = bar
        self._task = task
        self.phase = phase
        self._last: tuple[int, int | None] = (0, None)
        self._next_line = monotonic() + FIRST_LINE_S

    def table_made(self, count: int) -> None:
        """So many tables of the likelihood were worked out; they are kept, and later audits are quick."""
        self.phase = f"Auditing circuits; tables of the likelihood made: {count}"
        self(*self._last)

    def __call__(self, done: int, total: int | None) -> None:
        """So much of the phase is done."""
        self._last = done, total
        self._bar.update(self._task, description=safe(self.phase), completed=done, total=total)
        if self._bar.disable and monotonic() >= self._next_line:
            self._next_line = monotonic() + LINE_S
            note(f"{self.phase}: {done:,}{f' of {total:,}' if total else ''}")
        jobs.advance(self.phase, done, total)


def safe(text: str) -> str:
    """A text without the control characters that a terminal would obey."""
    return text.translate(_CONTROLS)


def cell(text: str) -> str:
    """A text as one line of a table, in which nothing is markup."""
    return safe(text).replace("\n", " ").replace("[", r"\[")


def plain(text: str) -> None:
    """Print a line as it is: nothing in it is markup."""
    console.print(safe(text), markup=False, soft_wrap=True)


def tabular(table: Table) -> None:
    """Print a table with its cells whole: where the terminal is narrower, the terminal breaks the lines."""
    whole = console.measure(table, options=console.options.update(max_width=10_000)).maximum
    Console(highlight=False, width=max(whole, 1)).print(table)


def note(text: str) -> None:
    """Say something beside the output, on the error stream."""
    errors.print(safe(text), markup=False, soft_wrap=True)


def complain(text: str) -> None:
    """Say what went wrong, on the error stream."""
    note(f"auditor: {text}")


def counted(number: int, thing: str) -> str:
    """A count with its noun: "1 system", "1,433 circuits"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def listed(names: list[str], shown: int = SHOWN_COLUMNS) -> str:
    """The first names, and how many more there are."""
    more = f" and {len(names) - shown} more" if len(names) > shown else ""
    return ", ".join(names[:shown]) + more


def row(con: Connection, table: str) -> dict[str, Any]:
    """The one row of a table, by column."""
    found = con.execute(f"SELECT * FROM {quoted(table)}")
    return dict(zip([column[0] for column in found.description or ()], found.fetchall()[0], strict=True))
