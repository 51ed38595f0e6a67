"""The canonical record tables, declared once: what a project record is, with the unit of every figure in its name.

A *fact* is one cell of these tables. A column may be absent from a file and a cell may be empty: the fact is then
missing, which is kept as null and never guessed. Lengths are one-way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "id", "text", "integer", "number", "length", "size", "current", "date", "choice", "arms", "sections", "instant"
]  # fmt: skip

SERVICES = ("120/240", "208Y/120", "480Y/277", "230", "400Y/230")
ROLES = ("home run", "feeder", "service entrance", "service drop")


@dataclass(frozen=True)
class Column:
    """One column: its kind says which grammar reads it; bounds are inclusive and reject what lies outside."""

    name: str
    kind: Kind
    about: str
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A canonical table; the key columns are never null."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError when there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


_SYSTEM_ID = Column("system_id", "id", "The system's own id, kept as text")
_CIRCUIT_ID = Column("circuit_id", "id", "The branch circuit's id within the system")
_COMBINER_ID = Column("combiner_id", "id", "The AC combiner or subpanel that gathers circuits onto one feeder")

SYSTEM = Table(
    "system",
    ("system_id",),
    (
        _SYSTEM_ID,
        Column("site_label", "text", "What people call the site"),
        Column("region", "text", "Region; the policy may hold rules and defaults for it"),
        Column("utility", "text", "The utility that serves the site"),
        Column("distribution_feeder_id", "id", "The utility's distribution feeder"),
        Column("latitude_deg", "number", "Latitude, north positive", "deg", -90, 90),
        Column("longitude_deg", "number", "Longitude, east positive", "deg", -180, 180),
        Column("designer", "text", "Who designed the system"),
        Column("office", "text", "The designer's office"),
        Column("crew", "text", "Who installed it"),
        Column("contact", "text", "Whom to tell"),
        Column("design_date", "date", "Date of the design"),
        Column("permit_date", "date", "Date of the permit; fixes the edition of the code"),
        Column("energized_date", "date", "Date of first operation"),
        Column("installation_code", "text", "Installation code in force, such as NEC"),
        Column("code_edition", "text", "Its edition, such as 2020"),
        Column("service", "text", "Service at the site: " + ", ".join(SERVICES)),
        Column("grid_profile", "text", "The grid profile set in the inverters"),
        Column("power_factor", "number", "Displacement power factor at rated power", "1", 0.1, 1),
        Column("power_factor_mode", "choice", "Whether the inverters inject or absorb", choices=("injects", "absorbs")),
        Column("transformer_kva", "number", "Rating of the service transformer", "kVA", 0.1, 100_000),
        Column("transformer_r_pct", "number", "Its resistance on its own rating", "%", 0, 20),
        Column("transformer_x_pct", "number", "Its reactance on its own rating", "%", 0, 30),
        Column("customers_on_transformer", "integer", "Customers that share it", "1", 1, 10_000),
        Column("shared_solar_kw", "number", "Other solar on that transformer", "kW", 0, 100_000),
        Column("busbar_a", "current", "Rating of the panel's busbar", "A", 1, 10_000),
        Column("main_breaker_a", "current", "Device that protects that busbar", "A", 1, 10_000),
        Column("connection_side", "choice", "Side of the main device", choices=("load", "supply")),
        Column(
            "backfeed_position",
            "choice",
            "Where the solar breaker sits on the busbar",
            choices=("opposite end", "main end", "centre-fed end", "elsewhere"),
        ),
        Column("other_sources_a", "current", "Rated output current of other sources on the busbar", "A", 0, 10_000),
        Column(
            "busbar_breakers_a",
            "current",
            "Sum of all breakers on the busbar, load and supply, without the main",
            "A",
            0,
            100_000,
        ),
        Column("module_model", "text", "Module model"),
        Column("tilt_deg", "number", "Tilt of the modules from horizontal", "deg", 0, 90),
        Column("azimuth_deg", "number", "Azimuth of the modules, clockwise from north", "deg", 0, 360),
        Column("low_design_temp_c", "number", "Lowest expected ambient temperature", "°C", -60, 40),
    ),
)

CIRCUIT = Table(
    "circuit",
    ("system_id", "circuit_id"),
    (
        _SYSTEM_ID,
        _CIRCUIT_ID,
        Column("inverter_model", "text", "Inverter model"),
        Column("inverter_count", "integer", "Inverters on the circuit", "1", 1, 100_000),
        Column("trunk_model", "text", "Trunk cable model"),
        Column("orientation", "choice", "Module orientation along the cable", choices=("portrait", "landscape")),
        Column("feed", "choice", "Where the home run meets the trunk", choices=("end", "centre", "arms")),
        Column("arm_counts", "arms", "Units on each arm from the feed point, such as 8+8"),
        Column("first_section_m", "length", "Trunk from the feed point to the first unit of an arm", "m", 0, 200),
        Column("extra_trunk", "sections", "Extra trunk after a unit: unit@metres, such as 8@3.5 + 12@2"),
        Column("breaker_a", "current", "Branch breaker", "A", 1, 2_000),
        _COMBINER_ID,
        Column(
            "circuit_phases",
            "choice",
            "Phases the circuit uses on a three-phase service",
            choices=("ABC", "AB", "BC", "CA", "A", "B", "C"),
        ),
        Column("ambient_c", "number", "Design-high ambient temperature of the wires", "°C", -30, 90),
        Column("raceway_conductors", "integer", "Current-carrying conductors in the raceway", "1", 1, 200),
        Column("roof_clearance_mm", "number", "Clearance of a raceway above the roof", "mm", 0, 5_000),
        Column("module_count", "integer", "Modules on the circuit", "1", 1, 200_000),
        Column("stated_rise_pct", "number", "Total voltage rise that the design documents state", "%", 0, 100),
    ),
)

UNIT = Table(
    "unit",
    ("system_id", "circuit_id", "unit_order"),
    (
        _SYSTEM_ID,
        _CIRCUIT_ID,
        Column("unit_order", "integer", "Order of the entry within the circuit", "1", 1, 10_000),
        Column("inverter_model", "text", "Inverter model of these units"),
        Column("inverter_count", "integer", "How many", "1", 1, 100_000),
        Column("position", "integer", "Place on the cable, counted from its start, where one unit differs", "1", 1),
        Column("grid_profile", "text", "Grid profile of these units where it differs"),
    ),
)

RUN = Table(
    "run",
    ("system_id", "circuit_id", "combiner_id", "role", "run_order"),
    (
        _SYSTEM_ID,
        Column("circuit_id", "id", "The circuit a home run belongs to; empty for shared runs"),
        Column("combiner_id", "id", "The combiner a feeder serves; empty when there is one feeder"),
        Column("role", "choice", "What the run is", choices=ROLES),
        Column("run_order", "integer", "Order from the source outwards", "1", 1, 1_000),
        Column("length_m", "length", "One-way length", "m", 0, 5_000),
        Column("material", "choice", "Conductor material", choices=("copper", "aluminium")),
        Column("size", "size", "Conductor size, such as 10 AWG or 6 mm2"),
        Column("insulation", "text", "Insulation type"),
        Column("conductor_rating_c", "number", "Temperature rating of the insulation", "°C", 60, 110),
        Column("terminal_rating_c", "number", "Temperature rating of the terminals", "°C", 60, 90),
        Column("raceway", "choice", "Raceway", choices=("pvc", "aluminium", "steel", "cable", "free air")),
        Column("parallel_sets", "integer", "Parallel sets of conductors", "1", 1, 20),
        Column("rated_a", "current", "Current rating of the conductor as installed, stated by the designer", "A", 1),
    ),
)

TABLES = (SYSTEM, CIRCUIT, UNIT, RUN)

#: The simple file holds one row per branch circuit. These of its columns describe runs, one run of each role.
RUN_COLUMNS: dict[str, tuple[str, str]] = {
    "home_run_length_m": ("home run", "length_m"),
    "home_run_size": ("home run", "size"),
    "home_run_material": ("home run", "material"),
    "home_run_raceway": ("home run", "raceway"),
    "feeder_length_m": ("feeder", "length_m"),
    "feeder_size": ("feeder", "size"),
    "feeder_material": ("feeder", "material"),
    "service_entrance_length_m": ("service entrance", "length_m"),
    "service_entrance_size": ("service entrance", "size"),
    "service_entrance_material": ("service entrance", "material"),
    "service_drop_length_m": ("service drop", "length_m"),
    "service_drop_size": ("service drop", "size"),
    "service_drop_material": ("service drop", "material"),
}


def simple_columns() -> dict[str, Column]:
    """Return the simple file's columns by header name, each with the canonical column that reads it."""
    columns = {c.name: c for table in (SYSTEM, CIRCUIT) for c in table.columns}
    for name, (_, column) in RUN_COLUMNS.items():
        columns[name] = RUN.column(column)
    return columns
