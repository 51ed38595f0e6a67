"""What the triage of complaints assumes: how likely each cause is beforehand, and how large what it does is."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

_Pct = Annotated[float, Field(ge=0, le=20)]
_Spread = Annotated[float, Field(gt=0, le=20)]
_Chance = Annotated[float, Field(gt=0, lt=1)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Prior(_Part):
    """How often each is the cause of a complaint, before anything of the site is known; they add up to one."""

    design: _Chance
    workmanship: _Chance
    supply: _Chance
    service: _Chance
    settings: _Chance
    other: _Chance

    @model_validator(mode="after")
    def _whole(self) -> Prior:
        total = sum(value for _, value in self)
        if abs(total - 1) > 1e-6:
            raise ValueError(f"the chances add up to {total:g}; make that 1")
        return self


class RequiredProfile(_Part):
    """The grid profile that a utility requires."""

    utility: str
    grid_profile: str


class Triage(_Part):
    """How complaints are weighed; percentages are of the nominal voltage across a unit, at rated output.

    sure_from         a cause is named from this probability on
    two_causes        chance that two causes are at work at once, where it is overvoltage
    design_within     chance that the wiring meets its target although its design is the cause
    computed_share    how far a computed rise may be off, as a share of it (standard deviation)
    service_unknown_pct   the same where parts of the service are not recorded, besides
    excess_pct, excess_sd_pct     what faulty workmanship, or a weak service, adds to a rise
    supply_over_pct, supply_over_sd_pct   how far a supply that is the cause lies above the top of its range
    set_below_pct, set_below_sd_pct       how far below its threshold a unit with wrong settings trips
    at_threshold_sd_pct   how far from the threshold a unit with right settings is read when it trips
    told_rightly      chance that a trip's alarm word tells its kind
    meter_error_pct, meter_error_v   of a hand-held meter that states no error
    least_output      share of rated output below which a difference tells nothing
    within_s          readings so near each other are simultaneous [s]
    hot_ratio, hot_w  a connection is suspected from this multiple of the computed rise and this heat [W] on
    neutral_off_pct   a neutral is suspected that stands off the middle of the legs by more than this share of a leg
    service_most_pct  most that a sound service, transformer and drop, adds at rated output where it is not recorded
    proof_trip_days   trip-days that must have been expected, with none seen, before a repair is proved
    """

    sure_from: Annotated[float, Field(ge=0.5, lt=1)]
    two_causes: _Chance = 0.1
    design_within: _Chance
    computed_share: Annotated[float, Field(gt=0, le=1)]
    service_unknown_pct: _Spread
    excess_pct: _Pct
    excess_sd_pct: _Spread
    supply_over_pct: _Pct
    supply_over_sd_pct: _Spread
    set_below_pct: _Pct
    set_below_sd_pct: _Spread
    at_threshold_sd_pct: _Spread
    told_rightly: Annotated[float, Field(ge=0.5, lt=1)]
    meter_error_pct: _Pct
    meter_error_v: Annotated[float, Field(ge=0, le=20)]
    least_output: Annotated[float, Field(gt=0, le=1)]
    within_s: Annotated[float, Field(gt=0, le=3_600)]
    hot_ratio: Annotated[float, Field(gt=1, le=10)]
    hot_w: Annotated[float, Field(gt=0, le=1_000)]
    neutral_off_pct: _Spread = 4.0
    service_most_pct: _Spread = 4.0
    proof_trip_days: Annotated[float, Field(ge=3, le=100)]
    prior: Prior
    required_profile: tuple[RequiredProfile, ...] = ()

    def required(self, utility: str | None) -> str | None:
        """The profile that a utility requires, as the policy spells it; None where the policy names none."""
        return next((entry.grid_profile for entry in self.required_profile if entry.utility == utility), None)
