"""Nested records (systems with their circuits, units and runs) walked into text frames, every cell with its path."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import Binding, bind
from auditor.records.casting import cast_frame
from auditor.records.fault import Fault, clean
from auditor.records.frames import ROW_NUMBER, Cast
from auditor.records.json_reader import REPEATED, Json, NotJson
from auditor.records.mapping import Mapping
from auditor.records.parts import HOME_RUN_COLUMNS, SHARED_RUN_COLUMNS
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Column, Kind, simple_columns

_SHOWN_RAW = 2_000


@dataclass
class Level:
    """One level of the nesting, gathered: its bindings by key, and its rows as text by key.

    `owner` and `path` hold, for each row, what it belongs to and where it stands in its system. `seen` are the keys
    that any row so far has given.
    """

    bindings: tuple[Binding, ...]
    required: tuple[str, ...]
    rows: list[dict[str, str]] = field(default_factory=list)
    owner: list[int] = field(default_factory=list)
    path: list[str] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.keys = {b.header for b in self.bindings if b.header is not None}
        self.kinds = {b.header: b.column.kind for b in self.bindings if b.header is not None}
        self.canonical = {b.header: b.canonical for b in self.bindings if b.header is not None}
        self.lenient = {b.header for b in self.bindings if b.rules.lenient}

    def clear(self) -> None:
        """Forget the rows; what was seen stays."""
        self.rows, self.owner, self.path = [], [], []

    def cast(self) -> Cast:
        """Return the gathered rows cast; `row_number` is the row's place in this level."""
        numbers = pl.int_range(len(self.owner), dtype=pl.Int64, eager=True).alias(ROW_NUMBER)
        used = [b for b in self.bindings if b.header is None or b.header in self.seen or b.canonical in self.required]
        cells = {b.header: [row.get(b.header, "") for row in self.rows] for b in used if b.header is not None}
        frame = pl.DataFrame(cells, schema=dict.fromkeys(cells, pl.String())).insert_column(0, numbers)
        return cast_frame(frame, used, self.required)


@dataclass(frozen=True)
class Refusal:
    """A reject as the walk finds it: the system's number, the path, and the rest of a rejects row."""

    number: int
    path: str
    canonical: str | None
    raw: str
    fault: Fault


@dataclass
class Walk:
    """What one batch of systems holds, before casting.

    rows: (row, system's place in the batch, place in `circuits` or None) for each row; numbers: each system's own
    number; keys: the ids of each row as text, empty where there is none to read; bad_systems and bad_rows: what the
    walk itself refused; lenient: cells that are no cells, of columns where such a cell counts as missing.
    """

    rows: list[tuple[int, int, int | None]] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    keys: list[tuple[str, str]] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    lenient: list[Refusal] = field(default_factory=list)
    bad_systems: set[int] = field(default_factory=set)
    bad_rows: set[int] = field(default_factory=set)


class Walker:
    """Walks systems into levels; knows which keys it has met, mapped or not."""

    def __init__(self, mapping: Mapping, name: str) -> None:
        known = simple_columns()
        shared = {c.name: c for c in SYSTEM.columns} | {n: known[n] for n in SHARED_RUN_COLUMNS}
        circuit = {c.name: c for c in CIRCUIT.columns if c.name != "system_id"} | {
            n: known[n] for n in HOME_RUN_COLUMNS
        }
        self.name = name
        self.mapping = mapping
        self.systems = Level(_mapped(mapping, shared), ("system_id",))
        self.circuits = Level(_mapped(mapping, circuit), ("circuit_id",))
        self.units = Level(_unmapped(mapping, UNIT.columns, ("system_id", "circuit_id")), ())
        self.home_runs = Level(
            _unmapped(mapping, _with_roles(True), ("system_id", "circuit_id", "combiner_id")), ("role",)
        )
        self.shared_runs = Level(_unmapped(mapping, _with_roles(False), ("system_id", "circuit_id")), ("role",))
        self.ignored_names = {clean(name) for name in mapping.ignore.columns}
        self.unmapped: set[str] = set()
        self.ignored: set[str] = set()
        self.run_facts: dict[str, set[str]] = {}
        self.has_units = False
        self._row = 0

    def walk(self, batch: Sequence[tuple[int, Json]]) -> Walk:
        """Gather a batch of (number, system) into the levels, cleared first."""
        for level in (self.systems, self.circuits, self.units, self.home_runs, self.shared_runs):
            level.clear()
        walk = Walk()
        for number, system in batch:
            self._system(walk, number, system)
        return walk

    def _system(self, walk: Walk, number: int, system: Json) -> None:
        place = len(walk.numbers)
        walk.numbers.append(number)
        circuits = system.get("circuits") if isinstance(system, dict) else None
        if isinstance(system, dict) and circuits is None and self._key("circuit_id") in system:
            raise AuditorError(
                f"{self.name}: system {number} holds circuit_id itself; circuits belong in the system's list 'circuits'"
            )
        sound = self._sound(walk, place, "", system) and self._list(walk, place, "circuits", circuits) is not None
        listed = circuits if isinstance(circuits, list) else []
        system_key = self._key_text(system, "system_id")
        for index in range(len(listed)) if listed else (None,):
            walk.rows.append((self._row, place, index))
            circuit_key = "" if index is None else self._key_text(listed[index], "circuit_id")
            walk.keys.append((system_key, circuit_key))
            self._row += 1
        if not sound:
            walk.bad_systems.add(place)
            return
        bad = self._fill(walk, self.systems, place, place, "", system, ("circuits", "runs"))
        for path, run in self._items(walk, place, "runs", system.get("runs"), walk.bad_systems, place):
            bad |= self._run(walk, self.shared_runs, place, place, path, run)
        if bad:
            walk.bad_systems.add(place)
        first = self._row - len(listed)
        for index, circuit in enumerate(listed):
            if self._circuit(walk, place, first + index, f"circuits[{index}]", circuit):
                walk.bad_rows.add(first + index)

    def _circuit(self, walk: Walk, place: int, row: int, path: str, circuit: Json) -> bool:
        if not self._sound(walk, place, path, circuit):
            return True
        bad = self._fill(walk, self.circuits, place, row, path, circuit, ("units", "runs"))
        self.has_units = self.has_units or "units" in circuit
        for unit_path, unit in self._items(walk, place, f"{path}.units", circuit.get("units"), walk.bad_rows, row):
            bad |= not self._sound(walk, place, unit_path, unit) or self._fill(
                walk, self.units, place, row, unit_path, unit, ()
            )
        for run_path, run in self._items(walk, place, f"{path}.runs", circuit.get("runs"), walk.bad_rows, row):
            bad |= self._run(walk, self.home_runs, place, row, run_path, run)
        return bad

    def _run(self, walk: Walk, level: Level, place: int, owner: int, path: str, run: Json) -> bool:
        if not self._sound(walk, place, path, run):
            return True
        self.run_facts.setdefault(str(run.get("role")), set()).update(key for key in run if key in level.keys)
        return self._fill(walk, level, place, owner, path, run, ())

    def _fill(
        self, walk: Walk, level: Level, place: int, owner: int, path: str, item: dict[str, Json], lists: tuple[str, ...]
    ) -> bool:
        """Add one object to its level; return whether one of its cells is no cell."""
        bad = False
        row: dict[str, str] = {}
        for written, value in item.items():
            key = written if written in level.keys else clean(written)
            if key not in level.keys:
                if key not in lists:
                    self._note_unknown(key, path)
                continue
            cell = cell_text(value, level.kinds[key])
            if isinstance(cell, Fault):
                where = f"{path}.{key}" if path else key
                told = Refusal(walk.numbers[place], where, level.canonical[key], raw_text(value), cell)
                strict = key not in level.lenient
                (walk.refusals if strict else walk.lenient).append(told)
                bad, cell = bad or strict, ""
            row[key] = cell
        level.rows.append(row)
        level.owner.append(owner)
        level.path.append(f"{path}." if path else "")
        level.seen.update(row)
        return bad

    def _note_unknown(self, key: str, path: str) -> None:
        places = "".join(part.split("[")[0] + "[]." for part in path.split(".") if part)
        shown = f"{places}{key}".encode("utf-8", "replace").decode()
        (self.ignored if key in self.ignored_names else self.unmapped).add(shown)

    def _sound(self, walk: Walk, place: int, path: str, item: Json) -> bool:
        fault = None
        where = path
        if isinstance(item, NotJson):
            fault = Fault("format-error", item.sentence)
        elif not isinstance(item, dict):
            fault = Fault("type-error", "an object with named values belongs here")
        elif REPEATED in item:
            where = f"{path}.{item[REPEATED][0]}" if path else item[REPEATED][0]
            fault = Fault("duplicate-label", f"the object gives {', '.join(item[REPEATED])} more than once")
        if fault is not None:
            walk.refusals.append(Refusal(walk.numbers[place], where, None, raw_text(item), fault))
        return fault is None

    def _list(self, walk: Walk, place: int, path: str, value: Json) -> list[Json] | None:
        if value is None:
            return []
        if isinstance(value, list):
            return value
        fault = Fault("type-error", "a list belongs here")
        walk.refusals.append(Refusal(walk.numbers[place], path, None, raw_text(value), fault))
        return None

    def _items(
        self, walk: Walk, place: int, path: str, value: Json, bad: set[int], owner: int
    ) -> list[tuple[str, Json]]:
        items = self._list(walk, place, path, value)
        if items is None:
            bad.add(owner)
        return [(f"{path}[{index}]", item) for index, item in enumerate(items or [])]

    def _key(self, canonical: str) -> str:
        return self.mapping.header_of(canonical)

    def _key_text(self, item: Json, canonical: str) -> str:
        """Return the text of an object's id, empty where it has none, none that is text, or several."""
        key = self._key(canonical)
        if not isinstance(item, dict) or key in item.get(REPEATED, ()):
            return ""
        cell = next((value for written, value in item.items() if key in (written, clean(written))), "")
        return cell if isinstance(cell, str) and not isinstance(cell_text(cell, "id"), Fault) else ""


def _mapped(mapping: Mapping, columns: dict[str, Column]) -> tuple[Binding, ...]:
    taken = {clean(rule.column) for rule in mapping.columns.values()} | {clean(n) for n in mapping.ignore.columns}
    bound = bind(mapping, columns)
    return tuple(b for b in bound if b.canonical in mapping.columns or b.header is None or b.header not in taken)


def _unmapped(mapping: Mapping, columns: Sequence[Column], without: tuple[str, ...]) -> tuple[Binding, ...]:
    """Return bindings for units and runs, whose keys are canonical; only spellings of values carry over to them."""
    return tuple(
        Binding(c.name, c, c.name, replace(mapping.rules_for(c.name), unit=None))
        for c in columns
        if c.name not in without
    )


def _with_roles(home: bool) -> tuple[Column, ...]:
    """Return the columns of a run with the roles that may stand at its place."""
    roles = tuple(role for role in RUN.column("role").choices if (role == "home run") == home)
    return tuple(replace(c, choices=roles) if c.name == "role" else c for c in RUN.columns)


def cell_text(value: Json, kind: Kind) -> str | Fault:
    """Return a JSON value as a cell: text as it stands, null as empty; lists of arms and of extra trunk in short form.

    The cell of a list is read by the same grammar as the short form, such as 8+8.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        if value.isascii() or not any("\ud800" <= c <= "\udfff" for c in value):
            return value
        return Fault("type-error", "holds half a character (a lone surrogate)")
    if isinstance(value, NotJson):
        return Fault("type-error", value.sentence)
    if isinstance(value, list):
        if kind == "arms" and all(isinstance(item, str) for item in value):
            return "+".join(value)
        if kind == "sections" and all(_is_section(item) for item in value):
            return " + ".join(f"{item['after_unit']}@{item['length_m']}" for item in value)
    return Fault("type-error", f"{raw_text(value)} is not a single value")


def _is_section(item: Any) -> bool:
    return (
        isinstance(item, dict)
        and item.keys() == {"after_unit", "length_m"}
        and all(isinstance(figure, str) for figure in item.values())
    )


def raw_text(value: Json) -> str:
    """Return a value as the rejects show it, shortened."""
    if isinstance(value, NotJson):
        text = value.raw
    elif isinstance(value, str):
        text = value
    else:
        text = json.dumps(value, default=lambda other: getattr(other, "raw", ""), ensure_ascii=False)
    text = text.encode("utf-8", "replace").decode()
    return text if len(text) <= _SHOWN_RAW else text[:_SHOWN_RAW] + "…"
