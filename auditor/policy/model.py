"""The policy's model: every figure a verdict may rest on that neither a record nor a table gives."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from auditor.errors import AuditorError
from auditor.policy.triage import Triage
from auditor.policy.trips import Supply, Trips
from auditor.toml_file import checked, read_toml

DEFAULT = Path(__file__).with_name("policy.toml")
StartsAt = Literal["main panel", "point of supply"]
SpecsOf = Literal["as-of date", "design date"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class CodeRise(_Part):
    """A target that a code or a standard beside it sets."""

    installation_code: str
    target_pct: float = Field(gt=0, le=20)
    starts_at: StartsAt
    source: str


class Rise(_Part):
    """The voltage-rise target and how the rise is counted."""

    target_pct: float = Field(gt=0, le=20)
    starts_at: StartsAt
    trunk_pct: float | None = Field(None, gt=0)
    home_run_pct: float | None = Field(None, gt=0)
    feeder_pct: float | None = Field(None, gt=0)
    conductor_temp_c: float = Field(ge=-20, le=110)
    by_code: tuple[CodeRise, ...] = ()


class Branch(_Part):
    """How much of a branch breaker continuous current may use."""

    continuous_fraction: float = Field(gt=0, le=1)


class Terminal(_Part):
    """Top of the service range by service, in per unit of nominal."""

    top_pu: dict[str, float]


class Ratio(_Part):
    """Bounds of module power over inverter power."""

    low: float = Field(gt=0)
    high: float = Field(gt=0)


class Imbalance(_Part):
    """A limit on phase imbalance and who sets it."""

    installation_code: str
    limit_kva: float = Field(gt=0)
    source: str


class Transformer(_Part):
    """Impedance assumed for transformers up to a rating."""

    up_to_kva: float = Field(gt=0)
    r_pct: float = Field(gt=0)
    x_pct: float = Field(gt=0)


class Assume(_Part):
    """Defaults for missing facts; None leaves the fact missing."""

    power_factor: float | None = Field(None, gt=0, le=1)
    first_section: Literal["full", "zero"] | None = None
    one_feeder: bool = False
    parallel_sets: int | None = Field(None, ge=1)
    terminal_rating_c: Literal[60, 75, 90] | None = None
    raceway: Literal["pvc", "aluminium", "steel", "cable", "free air"] | None = None
    feed: Literal["end", "centre"] | None = None
    material: Literal["copper", "aluminium"] | None = None
    ambient_c: float | None = None
    raceway_conductors: int | None = Field(None, ge=1)
    insulation_rating_c: Literal[60, 75, 90] | None = None
    orientation: Literal["portrait", "landscape"] | None = None
    low_design_temp_c: float | None = None
    cell_high_temp_c: float | None = None
    other_sources_a: float | None = Field(None, ge=0)
    off_roof: bool = False
    service: str | None = None
    installation_code: str | None = None
    code_edition: str | None = None


class Region(_Part):
    """Figures that hold in one region."""

    target_pct: float | None = Field(None, gt=0)
    starts_at: StartsAt | None = None
    service_top_pu: float | None = Field(None, gt=1, le=1.2)
    ambient_c: float | None = None
    low_design_temp_c: float | None = None
    installation_code: str | None = None
    code_edition: str | None = None


class Policy(_Part):
    """A whole policy file."""

    name: str
    specs_of: SpecsOf = "as-of date"
    units_ceiling: int = Field(ge=1, le=5_000)
    rise: Rise
    branch: Branch
    terminal: Terminal
    ratio: Ratio
    imbalance: tuple[Imbalance, ...] = ()
    assume: Assume
    transformer: tuple[Transformer, ...] = ()
    supply: Supply
    trips: Trips
    triage: Triage
    region: dict[str, Region] = {}

    def region_top(self, region: str | None, service: str | None) -> float | None:
        """Top of the service range [per unit], the region's own where it has one; None where neither is known."""
        entry = self.region.get(region or "")
        own = entry.service_top_pu if entry else None
        return own if own is not None else self.terminal.top_pu.get(service or "")

    def content_hash(self) -> str:
        """SHA-256 over the policy's values; comments and layout do not count."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()


def load_policy(path: Path | None = None) -> Policy:
    """Read a policy file, or the default one; AuditorError names the file, the entry and what is wrong with it."""
    path = path or DEFAULT
    policy, faults = checked(Policy, read_toml(path))
    if policy is None:
        told = "\n".join(f"{path}: {fault}" for fault in faults)
        raise AuditorError(
            f"{told}\nThe default has every entry with its meaning, to copy what is missing: auditor policy --default"
        )
    return policy
