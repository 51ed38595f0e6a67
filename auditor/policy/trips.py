"""What the policy assumes of the supply, and of trips where neither records nor a grid profile say."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

MONTHS, HOURS = 12, 24

_Hours = Annotated[tuple[float, ...], Field(min_length=HOURS, max_length=HOURS)]
_Months = Annotated[tuple[float, ...], Field(min_length=MONTHS, max_length=MONTHS)]
_Clearness = Annotated[float, Field(ge=0.2, le=0.75)]
_Share = Annotated[float, Field(ge=0, le=1)]
_Spread = Annotated[float, Field(ge=0, le=10)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class SupplyAt(_Part):
    """What differs where all of the named utility, region and service fit; later entries count over earlier ones."""

    utility: str | None = None
    region: str | None = None
    service: str | None = None
    rests_on: str | None = None
    level_pct: float | None = Field(None, ge=80, le=120)
    site_pct: _Spread | None = None
    day_pct: _Spread | None = None
    sigma_pct: _Spread | None = None
    rho: float | None = Field(None, ge=0, le=0.99)
    peak_pct: _Spread | None = None
    hour_pct: _Hours | None = None
    month_pct: _Months | None = None
    feeder_beta_pct: _Spread | None = None
    beta_sd_pct: _Spread | None = None
    neighbour_share: _Share | None = None
    neighbour_kw: float | None = Field(None, ge=0)
    clearness: Annotated[tuple[_Clearness, ...], Field(min_length=MONTHS, max_length=MONTHS)] | None = None
    latitude_deg: float | None = Field(None, ge=-66, le=66)

    def own(self) -> dict[str, Any]:
        """The figures that this entry gives."""
        places = {"utility", "region", "service"}
        return {name: value for name, value in self if name not in places and value is not None}


class Supply(_Part):
    """The no-export voltage at the point of common coupling, in percent of the nominal voltage across a unit.

    level_pct        annual mean, and site_pct how far a site's mean may be from it (standard deviation)
    hour_pct, month_pct   what an hour of the day and a month add to it; their own means are taken off
    day_pct, sigma_pct    standard deviations from day to day and within a day; rho its correlation over five minutes
    peak_pct         scale of the peaks that last a second above the mean of five minutes
    feeder_beta_pct  what the sun of all others on the distribution feeder adds at full output; beta_sd_pct how far
                     that and the transformer's part may be off (standard deviation)
    neighbour_share, neighbour_kw   share of the other customers on the transformer with solar, and how much each
    clearness        mean share of the extraterrestrial irradiation that reaches the ground, by month
    latitude_deg     of systems that state none
    """

    rests_on: str
    level_pct: float = Field(ge=80, le=120)
    site_pct: _Spread
    day_pct: _Spread
    sigma_pct: _Spread
    rho: float = Field(ge=0, le=0.99)
    peak_pct: _Spread
    hour_pct: _Hours
    month_pct: _Months
    feeder_beta_pct: _Spread
    beta_sd_pct: _Spread
    neighbour_share: _Share
    neighbour_kw: float = Field(ge=0)
    clearness: Annotated[tuple[_Clearness, ...], Field(min_length=MONTHS, max_length=MONTHS)]
    latitude_deg: float | None = Field(None, ge=-66, le=66)
    at: tuple[SupplyAt, ...] = ()

    def here(self, utility: str | None, region: str | None, service: str | None) -> Supply:
        """The supply of a place: this one with what every fitting entry of `at` gives, the last one first."""
        found = {name: value for name, value in self if name != "at"}
        for entry in self.at:
            wanted = ((entry.utility, utility), (entry.region, region), (entry.service, service))
            if all(name is None or name == own for name, own in wanted):
                found |= entry.own()
        return Supply(**found)


class Band(_Part):
    """A band of trip-days a year: its name, and the figure below which it holds."""

    name: str
    below: float = Field(gt=0)


class AssumeOfTrips(_Part):
    """What is taken where nothing says; None leaves the fact missing."""

    above_first: Literal["runs on", "ceases"] | None = None
    delay_s: float | None = Field(None, ge=0, le=3_600)
    ramp_s: float | None = Field(None, ge=0, le=3_600)
    mean_slides: bool | None = None
    tilt_deg: float | None = Field(None, ge=0, le=90)
    faces_equator: bool = False
    dc_ac_ratio: float | None = Field(None, gt=0, le=4)
    service_entrance_pct: float | None = Field(None, ge=0)
    service_drop_pct: float | None = Field(None, ge=0)
    transformer_pct: float | None = Field(None, ge=0)
    sensing_error_pct: float | None = Field(None, ge=0)


class MayBeOff(_Part):
    """How far an assumed input may be off either way, in its own unit; the answer's most telling one is named."""

    level_pct: float = Field(ge=0)
    site_pct: float = Field(ge=0)
    beta_pct: float = Field(ge=0)
    service_pct: float = Field(ge=0)
    sensing_pct: float = Field(ge=0)
    sigma_pct: float = Field(ge=0)
    rho: float = Field(ge=0, lt=1)


class Trips(_Part):
    """How trips are reckoned and what their figures are called."""

    kinds_of_day: int = Field(ge=1, le=8)
    sensing_share: float = Field(gt=0, le=1)
    volt_var_x_over_r: float = Field(ge=0, le=5)
    prior_shape: float = Field(gt=0)
    band: Annotated[tuple[Band, ...], Field(min_length=1)]
    assume: AssumeOfTrips
    may_be_off: MayBeOff

    @model_validator(mode="after")
    def _rising(self) -> Trips:
        edges = [band.below for band in self.band]
        if edges != sorted(set(edges)):
            raise ValueError("the bands must rise: each below a larger figure than the one before")
        return self
