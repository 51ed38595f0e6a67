"""The catalog: every spec, table and grid profile an audit may rest on, with its content hash."""

from __future__ import annotations

import hashlib
import json

import polars as pl

from auditor.catalog.entries import Entry
from auditor.catalog.equipment import Inverter, Module, Trunk
from auditor.catalog.frames import build_frames
from auditor.catalog.grid import GridProfile, alias_key
from auditor.catalog.tables import (
    AmbientFactor,
    Ampacity,
    AmpacityIec,
    Conductor,
    FillFactor,
    Reactance,
    ServiceRange,
    SmallConductor,
    StandardBreaker,
)


class Catalog(Entry):
    """All entries, each table in a canonical order that does not depend on the files they came from."""

    inverter: tuple[Inverter, ...] = ()
    trunk: tuple[Trunk, ...] = ()
    module: tuple[Module, ...] = ()
    grid_profile: tuple[GridProfile, ...] = ()
    conductor: tuple[Conductor, ...] = ()
    reactance: tuple[Reactance, ...] = ()
    ampacity: tuple[Ampacity, ...] = ()
    ampacity_iec: tuple[AmpacityIec, ...] = ()
    small_conductor: tuple[SmallConductor, ...] = ()
    ambient_factor: tuple[AmbientFactor, ...] = ()
    fill_factor: tuple[FillFactor, ...] = ()
    standard_breaker: tuple[StandardBreaker, ...] = ()
    service_range: tuple[ServiceRange, ...] = ()

    def frames(self) -> dict[str, pl.DataFrame]:
        """Polars frames by table name; columns and types are those of `auditor.catalog.frames.FRAME_SCHEMAS`."""
        return build_frames(self)

    def profile_name(self, spelling: str) -> str | None:
        """The name of the grid profile that a spelling means, or None when no profile has it."""
        key = alias_key(spelling)
        for profile in self.grid_profile:
            if key in profile.alias_keys:
                return profile.name
        return None

    def as_json(self) -> str:
        """Canonical JSON of all entries: sorted keys, canonical row order, no spaces; `from_json` reads it back."""
        return json.dumps(
            self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
        )

    @classmethod
    def from_json(cls, text: str) -> Catalog:
        """Read what `as_json` wrote; pydantic.ValidationError when it is anything else."""
        return cls.model_validate_json(text)

    def content_hash(self) -> str:
        """SHA-256 over `as_json`: equal entries give an equal hash, however they are spread over files."""
        return hashlib.sha256(self.as_json().encode()).hexdigest()
