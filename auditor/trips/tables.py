"""The tables of the likelihood, each made once and kept: in memory, and as files where a folder is given."""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import NamedTuple
from zipfile import BadZipFile

import numpy as np

import auditor.likelihood
from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.grid import Nodes, nodes_for
from auditor.likelihood.inputs import MONTHS, DayShapes, Profile, Supply
from auditor.likelihood.output import ClassInputs
from auditor.likelihood.ratios import some_days
from auditor.likelihood.table import Table, looking_ahead, make_table
from auditor.trips.planes import shapes_of

#: Tables in memory at a time, and short ones.
HELD, HELD_SHORT = 96, 480
#: Day shapes of a short table.
SHORT_DAYS = 4
#: The slowest a supply is taken to change.
MOST_RHO = 0.99
#: Age from which an unfinished file is one that nobody writes any more [s].
LEFT_AFTER_S = 3600.0
#: Names a folder in which several stores keep their tables together.
SHARED_FOLDER = "AUDITOR_TABLES"


@cache
def _code() -> str:
    """SHA-256 over the likelihood's own source and this file, which shapes the short ones: others are made anew."""
    digest = hashlib.sha256()
    for path in (*sorted(Path(auditor.likelihood.__file__).parent.glob("*.py")), Path(__file__)):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


class Wanted(NamedTuple):
    """What a table is made of; everything it depends on but the days ahead.

    Measured days count over the plane's. A short table holds the trip-days alone, on few days and nodes: enough to tell
    how far they move with a supply.
    """

    profile: Profile
    supply: Supply
    plane: ClassInputs
    clearness: tuple[float, ...]
    kinds: int
    measured: DayShapes | None = None
    short: bool = False

    def key(self) -> str:
        """A name made of all of it."""
        text = repr((_code(), self.profile, self.plane, self.clearness, self.kinds, self.short))
        supply = vars(self.supply) | {"dev_pct": self.supply.dev_pct.round(12).tolist()}
        digest = hashlib.sha256((text + repr(sorted(supply.items()))).encode())
        if self.measured is not None:
            for values in (self.measured.output, self.measured.month, self.measured.days):
                digest.update(values.tobytes())
        return digest.hexdigest()[:32]

    def shapes(self) -> DayShapes:
        """The days that the table is made of."""
        return self.measured or shapes_of(self.plane, self.clearness, self.kinds)

    def made(self) -> Table:
        """The table, worked out; without chances of days ahead."""
        none = np.zeros(MONTHS)
        if not self.short:
            return make_table(self.profile, self.supply, self.shapes(), none)
        few = some_days(self.shapes(), SHORT_DAYS)
        nodes = _few(nodes_for(self.profile, self.supply))
        return make_table(self.profile, self.supply, few, none, nodes, headline_only=True)


def _few(nodes: Nodes) -> Nodes:
    """Some of the nodes, the ends among them."""

    def some(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(sorted({*values[::2], values[-1]}))

    return replace(
        nodes, own_pct=some(nodes.own_pct), beta_pct=some(nodes.beta_pct), spreads_pct=some(nodes.spreads_pct)
    )


@dataclass
class _Memory:
    """Tables that this process holds, newest last, with the days ahead they look; and a lock for each."""

    most: int
    tables: OrderedDict[str, tuple[FloatArray, Table]] = field(default_factory=OrderedDict)
    locks: dict[str, threading.Lock] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


_MEMORY, _SHORT = _Memory(HELD), _Memory(HELD_SHORT)


class Tables:
    """Tables by what they are made of: what one store has made serves every other in the process.

    `folder` keeps them, unless a SHARED_FOLDER does; `made` is told how many had to be worked out.
    """

    def __init__(self, folder: Path | None = None, made: Callable[[int], None] | None = None) -> None:
        self.folder, self.made, self.count = folder, made, 0

    def get(self, wanted: Wanted, window_days: FloatArray) -> Table:
        """The table for these days ahead, from memory or its file, else made by one thread while others wait."""
        key = wanted.key()
        memory = _SHORT if wanted.short else _MEMORY
        with memory.lock:
            own = memory.locks.setdefault(key, threading.Lock())
        with own:
            with memory.lock:
                held = memory.tables.get(key)
            if held is None or not (wanted.short or np.array_equal(held[0], window_days)):
                table = held[1] if held else self._read(key) or self._made(key, wanted)
                if not wanted.short:
                    table = looking_ahead(table, wanted.profile, wanted.supply, window_days)
                held = window_days, table
            with memory.lock:
                memory.tables[key] = held
                memory.tables.move_to_end(key)
                while len(memory.tables) > memory.most:
                    memory.tables.popitem(last=False)
            return held[1]

    def variants(self, wanted: Wanted, half_range: Mapping[str, float]) -> dict[str, tuple[Table, Table]]:
        """Short tables with a figure of the supply (`sigma_pct`, `rho`) at the low and the high end of its range."""
        found = {}
        for name, off in half_range.items():
            here = getattr(wanted.supply, name)
            ends = (max(here - off, 0.0), min(here + off, MOST_RHO) if name == "rho" else here + off)
            low, high = (
                self.get(wanted._replace(supply=replace(wanted.supply, **{name: end}), short=True), np.zeros(MONTHS))
                for end in ends
            )
            found[name] = low, high
        return found

    def _made(self, key: str, wanted: Wanted) -> Table:
        """The table, worked out and kept."""
        table = wanted.made()
        self._write(key, table)
        if wanted.short:
            return table
        with _MEMORY.lock:
            self.count += 1
        if self.made:
            self.made(self.count)
        return table

    def _place(self) -> Path | None:
        """Where tables are kept; a SHARED_FOLDER counts before the own one."""
        shared = os.environ.get(SHARED_FOLDER)
        return Path(shared) if shared else self.folder

    def _read(self, key: str) -> Table | None:
        """A kept table; None where there is none or it cannot be read, for it can always be made again."""
        folder = self._place()
        if folder is None:
            return None
        try:
            with np.load(folder / f"{key}.npz", allow_pickle=False) as arrays:
                return Table.from_arrays(dict(arrays))
        except (OSError, ValueError, KeyError, EOFError, BadZipFile):
            return None

    def _write(self, key: str, table: Table) -> None:
        """Keep a table under a name of its own until it is whole; a disk that is full or shut costs time only."""
        folder = self._place()
        if folder is None:
            return
        part = folder / f".{key}.{os.getpid()}.{threading.get_ident()}.npz"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            _sweep(folder)
            np.savez(part, **table.as_arrays())  # type: ignore[arg-type]
            part.replace(folder / f"{key}.npz")
        except OSError:
            part.unlink(missing_ok=True)


def _sweep(folder: Path) -> None:
    """Remove what processes that were killed left half written."""
    for left in folder.glob(".*.npz"):
        with suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime > LEFT_AFTER_S:
                left.unlink()


#: The tables of a process that has no store of its own.
MEMORY = Tables()
