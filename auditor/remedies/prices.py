"""What candidates cost, from the user's own price file; without one there is no price."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, model_validator

from auditor.catalog.entries import Material, NotNegative, Size, Text
from auditor.errors import AuditorError
from auditor.remedies import BY_NAME
from auditor.remedies.mending import Candidates
from auditor.toml_file import checked, did_you_mean, read_toml

#: The columns of costs, in order. `not_priced` says what a cost lacks: without a price, a candidate has none.
COLUMNS: dict[str, pl.DataType] = {
    "cost": pl.Float64(), "currency": pl.String(), "crew_days": pl.Float64(), "not_priced": pl.String(),
}  # fmt: skip
#: Efforts for which nobody goes to the site.
REMOTE = ("letter", "settings")


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Visit(_Part):
    """What going to a site costs, whatever is done there."""

    cost: NotNegative = Field(description="cost of a visit")
    crew_days: NotNegative = Field(description="crew days of a visit, the way included")


class Work(_Part):
    """What a remedy costs beside the visit and the wire."""

    remedy: Text = Field(description="the remedy's name")
    per_system: NotNegative = Field(description="cost a system")
    per_circuit: NotNegative = Field(0.0, description="cost a circuit or feeder")
    crew_days_per_system: NotNegative = Field(description="crew days a system")
    crew_days_per_circuit: NotNegative = Field(0.0, description="crew days a circuit or feeder")


class Wire(_Part):
    """What a metre of run costs, all its conductors and the ground in place."""

    place: Literal["home run", "feeder"] = Field(description="home run or feeder")
    size: Size = Field(description="conductor size")
    material: Material = Field(description="conductor material")
    per_m: NotNegative = Field(description="cost a metre of run")


class Prices(_Part):
    """A whole price file."""

    name: Text
    currency: Text
    rests_on: Text
    visit: Visit
    work: tuple[Work, ...] = ()
    wire: tuple[Wire, ...] = ()

    @model_validator(mode="after")
    def _known(self) -> Prices:
        names = [entry.remedy for entry in self.work]
        for name in names:
            if name not in BY_NAME:
                raise ValueError(
                    f"there is no remedy {name!r}.{did_you_mean(name, BY_NAME)} `auditor explain` lists them"
                )
            if names.count(name) > 1:
                raise ValueError(f"the remedy {name!r} is priced twice")
        wires = [(entry.place, entry.size, entry.material) for entry in self.wire]
        for place, size, material in wires:
            if wires.count((place, size, material)) > 1:
                raise ValueError(f"{size} {material} in a {place} is priced twice")
        return self


def load_prices(path: Path) -> Prices:
    """Read a price file; AuditorError names the file, the entry and what is wrong with it."""
    prices, faults = checked(Prices, read_toml(path))
    if prices is None:
        told = "\n".join(f"{path}: {fault}" for fault in faults)
        raise AuditorError(f"{told}\nHow a price file is written stands in the README under What would mend it.")
    return prices


def changes(old: Prices, new: Prices) -> list[str]:
    """What two price files say otherwise, in words; empty where costs and crew days are the same under both."""

    def entries(prices: Prices) -> dict[str, object]:
        work = {f"the remedy {entry.remedy}": entry for entry in prices.work}
        wire = {f"{entry.size} {entry.material} in a {entry.place}": entry for entry in prices.wire}
        return {"the currency": prices.currency, "the visit": prices.visit, **work, **wire}

    before, after = entries(old), entries(new)
    return [name for name in {**before, **after} if before.get(name) != after.get(name)]


def _of_parts(part: pl.DataFrame, prices: Prices) -> pl.DataFrame:
    """By clone, what the remedies cost: `parts`, `days` and, in words, those without a price: `lacking`."""
    names = ("remedy", "per_system", "per_circuit", "crew_days_per_system", "crew_days_per_circuit")
    work = pl.DataFrame(
        [tuple(getattr(entry, name) for name in names) for entry in prices.work],
        schema={name: pl.Float64 if name != "remedy" else pl.String for name in names},
        orient="row",
    )
    rows = part.join(work, on="remedy", how="left")
    return rows.group_by("clone").agg(
        pl.when(pl.col("per_system").is_not_null().all())
        .then((pl.col("per_system") + pl.col("per_circuit") * pl.col("circuits")).sum())
        .alias("parts"),
        pl.when(pl.col("crew_days_per_system").is_not_null().all())
        .then((pl.col("crew_days_per_system") + pl.col("crew_days_per_circuit") * pl.col("circuits")).sum())
        .alias("days"),
        pl.col("remedy").filter(pl.col("per_system").is_null()).sort().alias("lacking"),
    )


def _of_wire(wire: pl.DataFrame, prices: Prices) -> pl.DataFrame:
    """By clone, what the wire costs: `wires`, and what of it has no price or no length: `bare`."""
    keys = ("place", "size", "material")
    listed = pl.DataFrame(
        [(entry.place, entry.size, entry.material, entry.per_m) for entry in prices.wire],
        schema={**dict.fromkeys(keys, pl.String), "per_m": pl.Float64},
        orient="row",
    )
    cost = pl.col("per_m") * pl.col("length_m")
    told = pl.concat_str("size", "material", "place", separator=" ", ignore_nulls=True)
    return (
        wire.join(listed, on=keys, how="left")
        .group_by("clone")
        .agg(
            pl.when(cost.is_not_null().all()).then(cost.sum()).alias("wires"),
            told.filter(cost.is_null()).unique().sort().alias("bare"),
        )
    )


def priced(candidates: Candidates, prices: Prices | None) -> pl.DataFrame:
    """Return the table of candidates with COLUMNS: the visit, the remedies and the wire; null where a price lacks.

    Two remedies need one visit. What a home run grows by is in a cost with the way that was told, or along the cable.
    """
    table = candidates.table
    if prices is None:
        return table.with_columns(pl.lit(None, kind).alias(name) for name, kind in COLUMNS.items())
    frame = table.join(_of_parts(candidates.part, prices), on="clone", how="left", maintain_order="left")
    frame = frame.join(_of_wire(candidates.wire, prices), on="clone", how="left", maintain_order="left")
    col = pl.col
    on_site = col("effort").is_in(REMOTE).not_()
    wires = pl.when(col("bare").is_null()).then(0.0).otherwise("wires")
    lacking = pl.concat_list(
        col("lacking").fill_null(pl.lit([], pl.List(pl.String))),
        col("bare").fill_null(pl.lit([], pl.List(pl.String))),
    ).list.join("; ")
    return frame.with_columns(
        (pl.when(on_site).then(prices.visit.cost).otherwise(0.0) + col("parts") + wires).alias("cost"),
        pl.lit(prices.currency).alias("currency"),
        (pl.when(on_site).then(prices.visit.crew_days).otherwise(0.0) + col("days")).alias("crew_days"),
        pl.when(lacking != "").then(lacking).alias("not_priced"),
    ).select(*table.columns, *COLUMNS)
