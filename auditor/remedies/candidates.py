"""Candidates of many systems laid out as systems of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from auditor.prepare import Records
from auditor.remedies.base import EFFORTS, GROWS, PARENT, PART, WIRE, Proposal, Remedy

#: What is known of a candidate before it is judged. `clone` is its id as a system, `origin` the system it was laid out
#: from and `root` the recorded one; `steps` counts the remedies in it.
LAID: dict[str, pl.DataType] = {
    "clone": pl.String(), "origin": pl.String(), "root": pl.String(), "steps": pl.Int64(), "remedy": pl.String(),
    "last": pl.String(), "variant": pl.String(), "done": pl.String(), "effort": pl.Int64(), "settings": pl.Boolean(),
    "verify_first": pl.String(), "cannot_check": pl.String(),
}  # fmt: skip
#: Digits of a candidate's id.
DIGITS = 12


@dataclass(frozen=True)
class Laid:
    """Candidates (LAID), their records, and WIRE, PART, PARENT and GROWS rows by `clone`, not by system and variant."""

    candidate: pl.DataFrame
    records: Records
    wire: pl.DataFrame
    part: pl.DataFrame
    parent: pl.DataFrame
    grows: pl.DataFrame


def _by_clone(schema: Mapping[str, pl.DataType]) -> list[str]:
    return ["clone", *(name for name in schema if name not in ("system_id", "variant"))]


def first_laid(records: Records, proposals: Sequence[tuple[Remedy, Proposal]], start: int = 0) -> Laid:
    """Lay out candidates of recorded systems; ids are counted from `start`."""
    none = pl.DataFrame(schema=LAID)
    ids = records.system["system_id"]
    roots = pl.DataFrame({"origin": ids, "root": ids})
    return _laid(records, proposals, roots, Laid(none, records, *(pl.DataFrame(schema=dict.fromkeys(_by_clone(s),
                 pl.String())) for s in (WIRE, PART, PARENT, GROWS))), start)  # fmt: skip


def next_laid(base: Laid, proposals: Sequence[tuple[Remedy, Proposal]], start: int) -> Laid:
    """Lay out candidates of candidates; ids are counted from `start`."""
    return _laid(base.records, proposals, base.candidate.select(pl.col("clone").alias("origin"), "root"), base, start)


def _laid(
    records: Records, proposals: Sequence[tuple[Remedy, Proposal]], roots: pl.DataFrame, base: Laid, start: int
) -> Laid:
    parts: list[Records] = []
    candidates: list[pl.DataFrame] = []
    wires, made, parents, grows = [], [], [], []
    for remedy, found in proposals:
        rows = _numbered(remedy, found.candidate, roots, base, start + sum(c.height for c in candidates))
        ids = rows.select(pl.col("origin").alias("system_id"), "variant", "clone")
        keys = ["system_id", "variant"]
        wires.append(found.wire.join(ids, on=keys).select(_by_clone(WIRE)))
        made.append(rows.select("clone", pl.col("last").alias("remedy"), "circuits"))
        candidates.append(rows.select(list(LAID)))
        parents.append(found.parent.join(ids, on=keys).select(_by_clone(PARENT)))
        grows.append(found.grows.join(ids, on=keys).select(_by_clone(GROWS)))
        if remedy.apply is not None and rows.height:
            change = found.change.join(ids, on=keys).drop(keys).rename({"clone": "system_id"})
            parts.append(remedy.apply(cloned(records, ids), change))
    candidate = pl.concat([pl.DataFrame(schema=LAID), *candidates])
    origins = candidate.select("clone", pl.col("origin").alias("_base"))

    def with_base(
        new: list[pl.DataFrame], held: pl.DataFrame, schema: Mapping[str, pl.DataType], once: Sequence[str] = ()
    ) -> pl.DataFrame:
        """New rows with those that the candidates' bases bring along, unless new ones have the same keys `once`."""
        columns = _by_clone(schema)
        kinds = [pl.col(n).cast(schema.get(n, pl.String())) for n in columns]
        brought = origins.join(held.rename({"clone": "_base"}), on="_base").select(kinds)
        own = pl.concat([brought.clear(), *(part.select(kinds) for part in new)])
        if once:
            brought = brought.join(own, on=["clone", *once], how="anti", nulls_equal=True)
        return pl.concat([brought, own])

    empty = Records(*(table.clear() for table in (records.system, records.circuit, records.unit, records.run)))
    return Laid(
        candidate,
        _concat([empty, *parts]),
        with_base(wires, base.wire, WIRE, ("place", "run_of")),  # a run is laid once, at its last size
        with_base(made, base.part, PART),
        with_base(parents, base.parent, PARENT),
        with_base(grows, base.grows, GROWS),
    )


def _numbered(remedy: Remedy, found: pl.DataFrame, roots: pl.DataFrame, base: Laid, start: int) -> pl.DataFrame:
    """LAID rows of one remedy's candidates with `circuits`: what is done, to what, on top of what their bases do."""
    held = base.candidate.select(
        pl.col("clone").alias("origin"), *(pl.col(c).alias(f"_{c}") for c in LAID if c not in ("clone", "origin"))
    )
    rows = found.rename({"system_id": "origin"}).join(roots, on="origin", maintain_order="left")
    rows = rows.join(held, on="origin", how="left", maintain_order="left")

    def joined(held: str, own: pl.Expr, by: str) -> pl.Expr:
        return pl.concat_str(pl.col(held), own, separator=by, ignore_nulls=True)

    return rows.with_columns(
        (pl.int_range(pl.len()) + start).cast(pl.String).str.zfill(DIGITS).alias("clone"),
        (pl.col("_steps").fill_null(0) + 1).alias("steps"),
        joined("_remedy", pl.lit(remedy.name), " + ").alias("remedy"),
        pl.lit(remedy.name).alias("last"),
        joined("_done", pl.col("done"), "; then ").alias("done"),
        pl.max_horizontal(pl.col("_effort"), pl.lit(EFFORTS.index(remedy.effort), pl.Int64)).alias("effort"),
        (pl.col("_settings").fill_null(False) | pl.lit(remedy.settings)).alias("settings"),
        joined("_verify_first", pl.lit(remedy.verify), " ").alias("verify_first"),
        joined("_cannot_check", pl.lit(remedy.unchecked), " ").alias("cannot_check"),
    ).select(*(pl.col(name).cast(kind) for name, kind in LAID.items()), "circuits")


def cloned(records: Records, ids: pl.DataFrame) -> Records:
    """A copy of a system's records for each candidate (`system_id`, `clone`), under the candidate's id."""

    def copied(table: pl.DataFrame) -> pl.DataFrame:
        rows = table.join(ids.select("system_id", "clone"), on="system_id")
        return rows.with_columns(pl.col("clone").alias("system_id")).select(table.columns)

    return Records(*(copied(table) for table in (records.system, records.circuit, records.unit, records.run)))


def _concat(parts: list[Records]) -> Records:
    return Records(
        pl.concat([part.system for part in parts]),
        pl.concat([part.circuit for part in parts]),
        pl.concat([part.unit for part in parts]),
        pl.concat([part.run for part in parts]),
    )


def together(parts: Sequence[Laid]) -> Laid:
    """Several lots of candidates as one."""

    names = ("candidate", "wire", "part", "parent", "grows")
    candidate, *frames = (pl.concat([getattr(part, name) for part in parts]) for name in names)
    return Laid(candidate, _concat([part.records for part in parts]), *frames)


def chosen(laid: Laid, clones: pl.DataFrame) -> Laid:
    """The part of the candidates that `clones` names."""

    def those(frame: pl.DataFrame, column: str) -> pl.DataFrame:
        return frame.join(clones.select(pl.col("clone").alias(column)), on=column, how="semi", maintain_order="left")

    records = laid.records
    return Laid(
        those(laid.candidate, "clone"),
        Records(*(those(t, "system_id") for t in (records.system, records.circuit, records.unit, records.run))),
        *(those(frame, "clone") for frame in (laid.wire, laid.part, laid.parent, laid.grows)),
    )
