"""Equipment specs as a data file states them: inverters, trunk cables, modules, each with revisions.

A fact that a spec does not state is left out of the file and stays None: it is then missing, never guessed. The
descriptions below are the documentation that `equipment_template` prints; units stand in [brackets].
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from auditor.catalog.entries import Entry, Material, NotNegative, Positive, Service, Size, Text

_NUMBER = re.compile(r"[0-9]+(\.[0-9]+)?")
_Negative = Annotated[float, Field(lt=0)]
_Count = Annotated[int, Field(ge=1)]


def half_digit(printed: str) -> float:
    """Half of the last printed digit of a number written as text: "1.15" gives 0.005, "1" gives 0.5.

    ValueError when the text is not a plain decimal number.
    """
    if not _NUMBER.fullmatch(printed):
        raise ValueError(f"must be a plain decimal number written as text, such as '1.15'; got {printed!r}")
    return float(f"5e-{len(printed.partition('.')[2]) + 1}")


class Equipment(Entry):
    """One revision of one model."""

    model: Text = Field(description="Model name, as the project records spell it", examples=["Example 240"])
    revision: _Count = Field(description="Revision of this spec: 1, 2, ... with later effective dates", examples=[1])
    effective: date = Field(description="Date from which this revision holds", examples=[date(2020, 1, 1)])
    source: Text | None = Field(
        default=None,
        description="Document the figures come from; needed unless invented = true",
        examples=["Data sheet, rev. C"],
    )
    invented: bool = Field(
        default=False, description="true for made-up equipment that needs no source", examples=[False]
    )

    @model_validator(mode="after")
    def _has_source(self) -> Equipment:
        if self.source is None and not self.invented:
            raise ValueError("source is missing: name the document the figures come from (or state invented = true)")
        return self

    @property
    def shown_source(self) -> str:
        """The source, or "invented"."""
        return self.source or "invented"


class BranchLimit(Entry):
    """The most units the spec allows on one branch circuit of one service, wiring and breaker."""

    service: Service = Field(description="120/240, 208Y/120, 480Y/277, 230 or 400Y/230")
    wiring: Literal["single", "three-phase"] = Field(description="single: two conductors; or three-phase")
    breaker_a: Positive = Field(description="branch breaker [A]")
    units: _Count = Field(description="most units on that circuit")


class Inverter(Equipment):
    """An inverter that sits on an AC branch circuit."""

    rated_w: Positive | None = Field(default=None, description="Rated continuous output power [W]", examples=[240.0])
    connection: Literal["line-line", "line-neutral"] | None = Field(
        default=None,
        description="Conductors one unit sits across on a three-phase service: line-line or line-neutral",
        examples=["line-line"],
    )
    current_a: dict[str, str] = Field(
        default={},
        description="Rated output current [A] by the voltage across the unit [V]; both as text, digits as printed",
        examples=[{"240": "1.00", "208": "1.15"}],
    )
    branch_limits: tuple[BranchLimit, ...] = Field(
        default=(),
        description="Most units on a branch circuit, as the spec states it",
        examples=[
            (
                BranchLimit(service="120/240", wiring="single", breaker_a=20.0, units=16),
                BranchLimit(service="208Y/120", wiring="three-phase", breaker_a=20.0, units=24),
            )
        ],
    )
    max_input_v: Positive | None = Field(
        default=None, description="Absolute maximum DC input voltage [V]", examples=[60.0]
    )
    window_low_v: Positive | None = Field(
        default=None, description="Maximum-power window, low end [V]", examples=[27.0]
    )
    window_high_v: Positive | None = Field(
        default=None, description="Maximum-power window, high end [V]", examples=[45.0]
    )
    max_input_a: Positive | None = Field(
        default=None, description="Largest short-circuit current allowed at the DC input [A]", examples=[15.0]
    )
    module_min_w: Positive | None = Field(
        default=None, description="Smallest module power allowed [W]", examples=[200.0]
    )
    module_max_w: Positive | None = Field(
        default=None, description="Largest module power allowed [W]", examples=[350.0]
    )
    sensing: Literal["line-line", "line-neutral", "highest"] | None = Field(
        default=None,
        description="Voltage the grid protection watches: line-line, line-neutral or the highest of all",
        examples=["line-line"],
    )
    sensing_error_pct: NotNegative | None = Field(
        default=None, description="Stated accuracy of that voltage measurement [% of nominal]", examples=[1.0]
    )
    grid_profiles: tuple[Text, ...] = Field(
        default=(),
        description="Grid profiles the unit offers, by name or alias",
        examples=[("IEEE 1547-2018 Category II",)],
    )

    @field_validator("current_a", mode="before")
    @classmethod
    def _text(cls, value: object) -> object:
        if isinstance(value, dict):
            for volts, printed in value.items():
                if not isinstance(printed, str):
                    raise ValueError(
                        f"the current at {volts} V must be text in quotes with the digits as printed, such as '1.00'; "
                        f"got the number {printed!r}"
                    )
        return value

    @field_validator("current_a")
    @classmethod
    def _printed_numbers(cls, value: dict[str, str]) -> dict[str, str]:
        for volts, printed in value.items():
            if not _NUMBER.fullmatch(volts) or float(volts) <= 0:
                raise ValueError(f"the key {volts!r} must be the voltage across the unit, such as '240'")
            half_digit(printed)
            if float(printed) <= 0:
                raise ValueError(f"the current at {volts} V must be greater than 0, got {printed!r}")
        if len({float(volts) for volts in value}) < len(value):
            raise ValueError("the same voltage is given twice")
        return dict(sorted(value.items(), key=lambda item: float(item[0])))

    @field_validator("branch_limits")
    @classmethod
    def _sorted(cls, value: tuple[BranchLimit, ...]) -> tuple[BranchLimit, ...]:
        return tuple(sorted(value, key=lambda limit: (limit.service, limit.wiring, limit.breaker_a)))

    @model_validator(mode="after")
    def _in_order(self) -> Inverter:
        in_order("window_low_v", self.window_low_v, "window_high_v", self.window_high_v)
        in_order("window_high_v", self.window_high_v, "max_input_v", self.max_input_v)
        in_order("module_min_w", self.module_min_w, "module_max_w", self.module_max_w)
        keys = [(limit.service, limit.wiring, limit.breaker_a) for limit in self.branch_limits]
        for key in keys:
            if keys.count(key) > 1:
                raise ValueError(f"branch_limits gives {key[0]}, {key[1]}, {key[2]:g} A twice")
        return self


class SectionLength(Entry):
    """Cable from one connector to the next, by module orientation."""

    portrait: Positive | None = Field(default=None, description="modules upright [m]")
    landscape: Positive | None = Field(default=None, description="modules lying [m]")


class Trunk(Equipment):
    """A trunk cable with factory connectors that the inverters plug into."""

    conductor_material: Material | None = Field(default=None, description="copper or aluminium", examples=["copper"])
    conductor_size: Size | None = Field(default=None, description="Conductor size: 12 AWG, 4 mm2", examples=["12 AWG"])
    conductors: Annotated[int, Field(ge=2, le=5)] | None = Field(
        default=None, description="Conductors in the cable, 2 to 5", examples=[2]
    )
    rated_a: Positive | None = Field(default=None, description="Listed current [A]", examples=[20.0])
    max_breaker_a: Positive | None = Field(
        default=None, description="Largest breaker allowed ahead of it [A]", examples=[20.0]
    )
    section_length_m: SectionLength = Field(
        default=SectionLength(),
        description="Cable from one connector to the next [m], by module orientation",
        examples=[SectionLength(portrait=1.02, landscape=1.65)],
    )
    r_ohm_per_km: Positive | None = Field(
        default=None, description="Resistance of one conductor at r_temp_c [ohm/km]", examples=[6.5]
    )
    x_ohm_per_km: NotNegative | None = Field(
        default=None, description="Reactance of one conductor [ohm/km]", examples=[0.18]
    )
    r_temp_c: float | None = Field(
        default=None, description="Temperature at which r_ohm_per_km is stated [°C]", examples=[75.0]
    )
    connectors_included: bool | None = Field(
        default=None, description="true where r_ohm_per_km already holds the mated connectors", examples=[True]
    )
    connector_r_mohm: NotNegative | None = Field(
        default=None,
        description="Resistance of the mated connectors per section and conductor [mohm]; counts when not included",
        examples=[0.0],
    )


class Module(Equipment):
    """A photovoltaic module; electrical values at standard test conditions."""

    power_w: Positive | None = Field(default=None, description="Rated power [W]", examples=[300.0])
    voc_v: Positive | None = Field(default=None, description="Open-circuit voltage [V]", examples=[39.8])
    isc_a: Positive | None = Field(default=None, description="Short-circuit current [A]", examples=[9.8])
    vmp_v: Positive | None = Field(default=None, description="Voltage at maximum power [V]", examples=[32.5])
    imp_a: Positive | None = Field(default=None, description="Current at maximum power [A]", examples=[9.2])
    voc_pct_per_c: _Negative | None = Field(
        default=None, description="Temperature coefficient of voc_v, negative [%/°C]", examples=[-0.29]
    )
    vmp_pct_per_c: _Negative | None = Field(
        default=None, description="Temperature coefficient of vmp_v, negative [%/°C]", examples=[-0.38]
    )
    technology: Text | None = Field(default=None, description="Cell technology", examples=["crystalline silicon"])
    cells: _Count | None = Field(default=None, description="Cells in series", examples=[60])

    @model_validator(mode="after")
    def _in_order(self) -> Module:
        in_order("vmp_v", self.vmp_v, "voc_v", self.voc_v)
        in_order("imp_a", self.imp_a, "isc_a", self.isc_a)
        return self


def in_order(low_name: str, low: float | None, high_name: str, high: float | None) -> None:
    """Raise ValueError when both values are present and the low one lies above the high one."""
    if low is not None and high is not None and low > high:
        raise ValueError(f"{low_name} = {low:g} must not exceed {high_name} = {high:g}")
