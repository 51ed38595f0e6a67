"""Grid profiles: the trip, return and volt-watt settings that a standard or a utility asks for.

Levels are stated as the standard states them: in per unit of the nominal voltage across the unit, or in volts with
the nominal volts (`base_v`) they belong to.
"""

from __future__ import annotations

import unicodedata
from typing import Annotated, Literal

from pydantic import Field, model_validator

from auditor.catalog.entries import Entry, Mark, NotNegative, Positive, Text

_MARK = "seen in two texts, seen in one text, derived or from memory"
_Fraction = Annotated[float, Field(ge=0, le=1)]


def alias_key(text: str) -> str:
    """The key that spellings of one name share: letters and digits only, in lower case.

    "IEEE 1547-2018 Cat. II" gives "ieee15472018catii". Pure; two profiles never share a key in one catalog.
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(c for c in folded if c.isalnum())


def _one_level(name: str, pu: float | None, volts: float | None, base_v: float | None) -> None:
    if pu is not None and volts is not None:
        raise ValueError(f"give either {name}_pu or {name}_v, not both")
    if volts is not None and base_v is None:
        raise ValueError(f"base_v is missing: {name}_v needs the nominal volts it belongs to")


def _per_unit(pu: float | None, volts: float | None, base_v: float | None) -> float | None:
    if volts is not None and base_v is not None:
        return volts / base_v
    return pu


class Threshold(Entry):
    """One overvoltage threshold.

    clearing_s [s] is the longest time from crossing the level (of the mean, for a ten-minute threshold) to the end of
    output; delay_s [s] is the shortest where the standard sets one. The range fields hold what may be set instead.
    mean_slides tells a ten-minute mean that is renewed all the time from one taken over fixed intervals.
    """

    threshold: Text = Field(description="the standard's name for it, such as OV1")
    kind: Literal["instant", "ten-minute"] = Field(description="instant, or ten-minute for a mean over ten minutes")
    level_pu: Positive | None = Field(
        default=None, description="level [per unit of the nominal voltage across the unit]"
    )
    level_v: Positive | None = Field(default=None, description="level [V], instead of level_pu; needs base_v")
    base_v: Positive | None = Field(default=None, description="nominal voltage that the level belongs to [V]")
    delay_s: NotNegative | None = Field(default=None, description="shortest time before it may act [s]")
    clearing_s: Positive = Field(description="longest time from crossing the level to the end of output [s]")
    mean_slides: bool | None = Field(default=None, description="true where a ten-minute mean is renewed all the time")
    level_range_pu: tuple[Positive, Positive] | None = Field(
        default=None, description="levels that may be set [per unit]"
    )
    clearing_range_s: tuple[Positive, Positive] | None = Field(default=None, description="times that may be set [s]")
    mark: Mark = Field(description="confirmation: " + _MARK)

    @model_validator(mode="after")
    def _complete(self) -> Threshold:
        _one_level("level", self.level_pu, self.level_v, self.base_v)
        if self.pu is None:
            raise ValueError("give level_pu, or level_v with base_v")
        if self.mean_slides is not None and self.kind == "instant":
            raise ValueError("mean_slides belongs to a ten-minute threshold only")
        if self.delay_s is not None and self.delay_s > self.clearing_s:
            raise ValueError("delay_s must not exceed clearing_s")
        for name, limits in (("level_range_pu", self.level_range_pu), ("clearing_range_s", self.clearing_range_s)):
            if limits is not None and limits[0] > limits[1]:
                raise ValueError(f"{name} must hold the lower limit first")
        return self

    @property
    def pu(self) -> float | None:
        """The level in per unit of base_v, or of the nominal voltage across the unit when there is no base."""
        return _per_unit(self.level_pu, self.level_v, self.base_v)


class VoltWatt(Entry):
    """The volt-watt line: full power up to v1, down to the fraction p2 of rated power at v2."""

    v1_pu: Positive | None = Field(default=None, description="voltage up to which full power is allowed [per unit]")
    v2_pu: Positive | None = Field(default=None, description="voltage at which only p2 is allowed [per unit]")
    v1_v: Positive | None = Field(default=None, description="the same [V], instead of v1_pu; needs base_v")
    v2_v: Positive | None = Field(default=None, description="the same [V], instead of v2_pu; needs base_v")
    base_v: Positive | None = Field(default=None, description="nominal voltage that v1_v and v2_v belong to [V]")
    p2: _Fraction = Field(description="fraction of rated power at v2, 0 to 1")
    on_by_default: bool = Field(description="true where the function is on unless someone turned it off")
    mark: Mark = Field(description="confirmation: " + _MARK)

    @model_validator(mode="after")
    def _falls(self) -> VoltWatt:
        _one_level("v1", self.v1_pu, self.v1_v, self.base_v)
        _one_level("v2", self.v2_pu, self.v2_v, self.base_v)
        low, high = self.pu
        if low is None or high is None or low >= high:
            raise ValueError("give v1 and v2 in per unit, or in volts with base_v; v1 must be below v2")
        return self

    @property
    def pu(self) -> tuple[float | None, float | None]:
        """v1 and v2 in per unit."""
        return _per_unit(self.v1_pu, self.v1_v, self.base_v), _per_unit(self.v2_pu, self.v2_v, self.base_v)


class VoltVar(Entry):
    """The absorbing side of the volt-var line: none up to v3, q_max [share of rated power] at v4 and above."""

    v3_pu: Positive | None = Field(default=None, description="voltage from which reactive power is absorbed [per unit]")
    v3_v: Positive | None = Field(default=None, description="that voltage [V], instead of v3_pu; needs base_v")
    v4_pu: Positive | None = Field(default=None, description="voltage at which q_max is absorbed [per unit]")
    v4_v: Positive | None = Field(default=None, description="that voltage [V], instead of v4_pu; needs base_v")
    base_v: Positive | None = Field(default=None, description="nominal voltage that v3_v and v4_v belong to [V]")
    q_max: _Fraction = Field(description="reactive power absorbed at v4, as a fraction of rated power")
    on_by_default: bool = Field(description="whether units come with it turned on")
    mark: Mark = Field(description="confirmation: " + _MARK)

    @model_validator(mode="after")
    def _complete(self) -> VoltVar:
        _one_level("v3", self.v3_pu, self.v3_v, self.base_v)
        _one_level("v4", self.v4_pu, self.v4_v, self.base_v)
        low, high = self.pu
        if low is None or high is None or low >= high:
            raise ValueError("give v3 and v4 in per unit, or in volts with base_v; v3 must be below v4")
        return self

    @property
    def pu(self) -> tuple[float | None, float | None]:
        """v3 and v4 in per unit."""
        return _per_unit(self.v3_pu, self.v3_v, self.base_v), _per_unit(self.v4_pu, self.v4_v, self.base_v)


class Return(Entry):
    """What a unit waits for after a trip: voltage between low and high for delay_s [s], then a ramp of ramp_s [s]."""

    low_pu: Positive | None = Field(default=None, description="lowest voltage for return [per unit]")
    high_pu: Positive | None = Field(default=None, description="highest voltage for return [per unit]")
    delay_s: NotNegative | None = Field(default=None, description="how long the voltage must stay between them [s]")
    ramp_s: NotNegative | None = Field(default=None, description="time from zero to full output [s]")
    mark: Mark = Field(description="confirmation: " + _MARK)


class GridProfile(Entry):
    """One named set of grid settings.

    above_first_threshold says what a unit does between its first threshold and the trip: "runs on", or "ceases"
    (output stops, the unit stays connected and the timer resets when the voltage falls back).
    """

    name: Text = Field(description="The standard's own name", examples=["Example utility sheet 2024"])
    standard: Text = Field(description="The standard or sheet", examples=["Example utility interconnection sheet"])
    edition: Text = Field(description="Its edition", examples=["2024"])
    source: Text = Field(description="Document the settings come from", examples=["Utility sheet of May 2024"])
    mark: Mark = Field(description="Confirmation of the profile as a whole: " + _MARK, examples=["seen in one text"])
    alias: tuple[Text, ...] = Field(
        default=(), description="Other spellings; case and punctuation do not count", examples=[("example sheet",)]
    )
    note: Text | None = Field(
        default=None, description="What a reader should know", examples=["Agreed for one feeder only"]
    )
    above_first_threshold: Literal["runs on", "ceases"] | None = Field(
        default=None,
        description="Between the first threshold and the trip a unit runs on, or ceases (and stays connected)",
        examples=["runs on"],
    )
    above_first_mark: Mark | None = Field(
        default=None, description="Confirmation of that: " + _MARK, examples=["seen in one text"]
    )
    after_trip: Return | None = Field(
        default=None,
        description="What a unit waits for after a trip",
        examples=[Return(low_pu=0.917, high_pu=1.05, delay_s=300.0, ramp_s=300.0, mark="seen in one text")],
    )
    volt_watt: VoltWatt | None = Field(
        default=None,
        description="The volt-watt line",
        examples=[VoltWatt(v1_pu=1.06, v2_pu=1.1, p2=0.2, on_by_default=False, mark="seen in one text")],
    )
    volt_var: VoltVar | None = Field(
        default=None,
        description="The absorbing side of the volt-var line",
        examples=[VoltVar(v3_pu=1.02, v4_pu=1.08, q_max=0.44, on_by_default=False, mark="seen in one text")],
    )
    thresholds: Annotated[tuple[Threshold, ...], Field(min_length=1)] = Field(
        description="Overvoltage thresholds",
        examples=[
            (
                Threshold(threshold="OV1", kind="instant", level_pu=1.1, clearing_s=2.0, mark="seen in one text"),
                Threshold(threshold="OV2", kind="instant", level_pu=1.2, clearing_s=0.16, mark="seen in one text"),
            )
        ],
    )

    @model_validator(mode="after")
    def _distinct(self) -> GridProfile:
        names = [t.threshold for t in self.thresholds]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"thresholds gives {name!r} twice")
        return self

    @property
    def alias_keys(self) -> frozenset[str]:
        """Keys of the name and of every alias."""
        return frozenset(alias_key(text) for text in (self.name, *self.alias))
