"""Nested records as parts: a batch of systems walked, cast, and each refusal traced to its path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import KEYS, Binding
from auditor.records.casting import cast_frame
from auditor.records.fault import Fault, clean
from auditor.records.frames import FAULT_SCHEMA, ROW_NUMBER, SOURCE_ROW, Cast, rejects_frame
from auditor.records.json_reader import Json
from auditor.records.mapping import Mapping
from auditor.records.nested import Level, Refusal, Walk, Walker
from auditor.records.parts import (
    CIRCUIT_FACTS,
    CONTENT,
    HOME_RUN_COLUMNS,
    PART,
    ROW,
    RUN_TYPES,
    SHARED_RUN_COLUMNS,
    SYSTEM_FACTS,
    UNIT_TYPES,
    Parts,
    full_rows,
    runs_of_columns,
)
from auditor.records.schema import ROLES, simple_columns
from auditor.records.words import parse_choice

_OWNER = "owner"


@dataclass(frozen=True)
class NestedResult:
    """The parts of a batch's good rows, the rejects, whose the refused rows are, cells that count as missing with a
    warning, how many rows were refused and how many there were.
    """

    parts: Parts
    rejects: pl.DataFrame
    refused: pl.DataFrame
    warnings: pl.DataFrame
    rejected: int
    rows: int


class NestedReader:
    """Reads batches of nested systems. A row is a circuit; a system without circuits is one row.

    A fault in a system's own facts or shared runs refuses all its rows; one in a circuit, its units or its home runs
    refuses that circuit. Where the ids of what is refused can be read, they are told.
    """

    def __init__(self, mapping: Mapping, name: str) -> None:
        self.name = name
        self.beside_systems: list[str] = []
        self._mapping = mapping
        self._walker = Walker(mapping, name)

    def read(self, batch: Sequence[tuple[int, Json]]) -> NestedResult:
        """Return the parts and rejects of (number, system) pairs."""
        walker = self._walker
        walk = walker.walk(batch)
        levels = (walker.systems, walker.shared_runs, walker.circuits, walker.units, walker.home_runs)
        casts = [_owned(level) for level in levels]
        place_of_row = {row: place for row, place, _ in walk.rows}
        rejects, warnings = [_as_faults(walk.refusals)], [_as_faults(walk.lenient)]
        for cast, level in zip(casts, levels, strict=True):
            of_system = level in (walker.systems, walker.shared_runs)
            rejects.append(_traced(cast.rejects, level, walk, None if of_system else place_of_row))
            warnings.append(_traced(cast.warnings, level, walk, None if of_system else place_of_row))
            owners = {level.owner[index] for index in cast.rejects[ROW_NUMBER]}
            (walk.bad_systems if of_system else walk.bad_rows).update(owners)
        units, home_runs = _ordered(casts[3].rows, "unit_order"), _ordered(casts[4].rows, "run_order")
        rejects.append(_repeated_orders(units, "units", "unit_order", walk, place_of_row))
        rejects.append(_repeated_orders(home_runs, "runs", "run_order", walk, place_of_row))
        rows = _rows(walk)
        parts = _parts(rows, [cast.rows for cast in casts], walk)
        told = pl.concat(rejects).sort(ROW_NUMBER, maintain_order=True)
        missing = pl.concat(warnings).sort(ROW_NUMBER, maintain_order=True)
        refused = self._keys_of_refused(walk)
        return NestedResult(parts, told, refused, missing, rows.height - parts.rows.height, rows.height)

    def _keys_of_refused(self, walk: Walk) -> pl.DataFrame:
        """Return whose the refused rows are, where their system's id can be read."""
        bad = [row for row, place, _ in walk.rows if row in walk.bad_rows or place in walk.bad_systems]
        first = walk.rows[0][0] if walk.rows else 0
        found = pl.DataFrame(
            {
                ROW_NUMBER: bad,
                SOURCE_ROW: [walk.numbers[walk.rows[row - first][1]] for row in bad],
                "system_id": [walk.keys[row - first][0] for row in bad],
                "circuit_id": [walk.keys[row - first][1] for row in bad],
            },
            schema={ROW_NUMBER: pl.Int64, SOURCE_ROW: pl.Int64, "system_id": pl.String, "circuit_id": pl.String},
        )
        known = simple_columns()
        for key in KEYS:
            constant = self._mapping.constants.get(key)
            binding = Binding(
                key, known[key], key if constant is None else None, self._mapping.rules_for(key), constant
            )
            read = cast_frame(found.select(ROW_NUMBER, key), [binding], ()).rows
            found = found.drop(key).join(read, on=ROW_NUMBER, how="left", maintain_order="left")
        return found.filter(pl.col("system_id").is_not_null()).select("system_id", "circuit_id", SOURCE_ROW)

    def present(self) -> set[str]:
        """Return the canonical columns that any system, circuit or run has stated so far."""
        walker = self._walker
        names: set[str] = set(self._mapping.constants)
        for level in (walker.systems, walker.circuits):
            names |= {level.canonical[key] for key in level.seen}
        for role, facts in walker.run_facts.items():
            canonical = parse_choice(role, ROLES)
            if not isinstance(canonical, Fault):
                names |= {
                    f"{canonical.replace(' ', '_')}_{fact}" for fact in facts & set(RUN_TYPES) - {"role", "run_order"}
                }
        return names | ({"units"} if walker.has_units else set())

    def unmapped(self) -> tuple[str, ...]:
        """Return the keys that feed nothing, with their place, such as circuits[].notes."""
        return tuple(sorted({*self._walker.unmapped, *(f"(beside systems) {key}" for key in self.beside_systems)}))

    def ignored(self) -> tuple[str, ...]:
        """Return the keys that the mapping ignores and the file has."""
        return tuple(sorted(self._walker.ignored))

    def refuse_unseen(self) -> None:
        """Refuse a file in which a key that the mapping names never occurs."""
        seen = self._walker.systems.seen | self._walker.circuits.seen
        for canonical, rule in self._mapping.columns.items():
            if clean(rule.column) not in seen:
                raise AuditorError(
                    f"{self.name}: the mapping reads {canonical} from {rule.column!r}, which no system or circuit has"
                )


def _as_faults(refusals: Sequence[Refusal]) -> pl.DataFrame:
    return rejects_frame((r.number, r.path, r.canonical, r.raw, r.fault.code, r.fault.sentence) for r in refusals)


def _owned(level: Level) -> Cast:
    """Return the level cast, each row with its `owner`."""
    cast = level.cast()
    owners = pl.Series(_OWNER, level.owner, dtype=pl.Int64)
    rows = cast.rows.with_columns(owners.gather(cast.rows[ROW_NUMBER]).alias(_OWNER))
    return Cast(rows, cast.rejects, 0, cast.warnings)


def _traced(rejects: pl.DataFrame, level: Level, walk: Walk, place_of_row: dict[int, int] | None) -> pl.DataFrame:
    """Return a level's rejects with the system's number and the cell's path."""
    owners = [level.owner[index] for index in rejects[ROW_NUMBER]]
    places = owners if place_of_row is None else [place_of_row[owner] for owner in owners]
    return rejects.with_columns(
        (pl.Series([level.path[index] for index in rejects[ROW_NUMBER]], dtype=pl.String) + rejects["column"]).alias(
            "column"
        ),
        pl.Series(ROW_NUMBER, [walk.numbers[place] for place in places], dtype=pl.Int64),
    ).select(list(FAULT_SCHEMA))


def _rows(walk: Walk) -> pl.DataFrame:
    """Return every row of the batch: row, the system's place and number, whether it is a circuit."""
    return pl.DataFrame(
        [(row, place, walk.numbers[place], index is not None) for row, place, index in walk.rows],
        schema={ROW: pl.Int64, "place": pl.Int64, ROW_NUMBER: pl.Int64, "has_circuit": pl.Boolean},
        orient="row",
    )


def _ordered(frame: pl.DataFrame, order: str) -> pl.DataFrame:
    """Number the units or runs that state no order by their place among those of one owner (and combiner and role)."""
    group = [name for name in (_OWNER, "combiner_id", "role") if name in frame.columns]
    place = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over(group)
    stated = pl.col(order) if order in frame.columns else pl.lit(None, dtype=pl.Int64)
    return frame.with_columns(pl.coalesce(stated, place).alias(order))


def _repeated_orders(
    frame: pl.DataFrame, items: str, order: str, walk: Walk, place_of_row: dict[int, int]
) -> pl.DataFrame:
    """Refuse circuits of which two units, or two home runs, have one order."""
    repeated = frame.filter(pl.struct(_OWNER, order).is_duplicated()).unique(_OWNER, keep="first", maintain_order=True)
    walk.bad_rows.update(repeated[_OWNER])
    index_of = {row: index for row, _, index in walk.rows}
    return rejects_frame(
        (
            walk.numbers[place_of_row[owner]],
            f"circuits[{index_of[owner]}].{items}",
            order,
            str(value),
            "primary-key",
            f"two {items} of the circuit have the order {value}",
        )
        for owner, value in repeated.select(_OWNER, order).iter_rows()
    )


def _parts(rows: pl.DataFrame, typed: Sequence[pl.DataFrame], walk: Walk) -> Parts:
    systems, shared_runs, circuits, units, home_runs = typed
    good = rows.filter(
        ~pl.col("place").is_in(list(walk.bad_systems)) & ~pl.col(ROW).is_in(list(walk.bad_rows))
    ).with_columns(pl.col(ROW_NUMBER).cast(pl.UInt64).alias(PART))
    system = full_rows(systems.with_columns(systems[_OWNER].alias("place")), "place")
    circuit = full_rows(circuits.with_columns(circuits[_OWNER].alias(ROW)), ROW).drop("system_id", *SYSTEM_FACTS)
    whole = good.join(system.select("place", "system_id"), on="place").join(circuit, on=ROW, how="left")
    once = good.unique("place", keep="first", maintain_order=True).select("place", PART)
    system = once.join(system, on="place")
    owned_shared = (
        _ordered(shared_runs, "run_order")
        .join(once, left_on=_OWNER, right_on="place")
        .join(system.select(PART, "system_id"), on=PART)
    )
    keys = whole.select(ROW, "system_id", "circuit_id")
    owned_home = _ordered(home_runs, "run_order").join(keys, left_on=_OWNER, right_on=ROW).rename({_OWNER: ROW})
    owned_units = _ordered(units, "unit_order").join(keys, left_on=_OWNER, right_on=ROW).rename({_OWNER: ROW})
    parts = Parts(
        rows=whole,
        systems=system.select(PART, "system_id", *SYSTEM_FACTS),
        shared_runs=pl.concat([_columns(owned_shared, PART), runs_of_columns(system, SHARED_RUN_COLUMNS, PART)]),
        home_runs=pl.concat([_columns(owned_home, ROW), runs_of_columns(whole, HOME_RUN_COLUMNS, ROW)]),
        units=_columns(owned_units, ROW, UNIT_TYPES),
    )
    told = _with_content(parts, system, circuit)
    return Parts(
        rows=told.select(ROW, ROW_NUMBER, PART, CONTENT, "has_circuit", *CIRCUIT_FACTS),
        systems=parts.systems,
        shared_runs=parts.shared_runs,
        home_runs=parts.home_runs,
        units=parts.units,
    )


def _columns(frame: pl.DataFrame, link: str, types: dict[str, pl.DataType] = RUN_TYPES) -> pl.DataFrame:
    """Return the link and the table's columns, absent ones null."""
    return frame.select(
        link,
        *(pl.col(n) if n in frame.columns else pl.lit(None, dtype=t).alias(n) for n, t in types.items()),
    )


def _with_content(parts: Parts, system: pl.DataFrame, circuit: pl.DataFrame) -> pl.DataFrame:
    """Add the hash of all that a row states: its system's facts and shared runs, its own, its runs and units."""

    def hashed(frame: pl.DataFrame, link: str, name: str) -> pl.DataFrame:
        told = frame.select(link, frame.drop(link).hash_rows(seed=2).alias(name))
        return told.group_by(link).agg(pl.col(name).sum())

    rows = parts.rows
    by_part = {"s": system.drop("place"), "r": parts.shared_runs}
    by_row = {"c": circuit, "h": parts.home_runs, "u": parts.units}
    for name, frame in by_part.items():
        rows = rows.join(hashed(frame, PART, name), on=PART, how="left")
    for name, frame in by_row.items():
        rows = rows.join(hashed(frame, ROW, name), on=ROW, how="left")
    return rows.with_columns(rows.select("s", "r", "c", "h", "u").hash_rows(seed=2).alias(CONTENT))
