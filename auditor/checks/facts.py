"""The facts that verdicts rest on, each one bit: a row's `missing_bits` and `assumed_bits` are sums of them.

Frames hold masks of 128 bits. A check whose facts all lie among the first 64 stores masks of 64, see `Judgement.wide`;
wider ones are stored as whole numbers of 38 decimal digits, which hold 126 bits.
"""

from __future__ import annotations

import polars as pl

#: Order is the bit's number and must not change between runs that are compared: append only, at most 126.
FACTS = (
    "service",
    "inverter_model",
    "inverter_spec",
    "inverter_count",
    "inverter_current",
    "inverter_connection",
    "inverter_input",
    "trunk_model",
    "trunk_spec",
    "trunk_section",
    "trunk_rating",
    "orientation",
    "feed",
    "arm_counts",
    "first_section_m",
    "breaker_a",
    "circuit_phases",
    "combiner_id",
    "home_run_length_m",
    "home_run_size",
    "home_run_material",
    "home_run_raceway",
    "home_run_terminal_rating_c",
    "home_run_insulation",
    "feeder_length_m",
    "feeder_size",
    "feeder_material",
    "feeder_raceway",
    "feeder_terminal_rating_c",
    "feeder_insulation",
    "service_entrance_length_m",
    "service_entrance_size",
    "service_entrance_material",
    "service_drop_length_m",
    "service_drop_size",
    "service_drop_material",
    "transformer_kva",
    "transformer_r_pct",
    "power_factor",
    "power_factor_mode",
    "ambient_c",
    "raceway_conductors",
    "roof_clearance_mm",
    "busbar_a",
    "main_breaker_a",
    "connection_side",
    "backfeed_position",
    "busbar_breakers_a",
    "other_sources_a",
    "installation_code",
    "code_edition",
    "module_model",
    "module_spec",
    "low_design_temp_c",
    "grid_profile",
    "home_run_rated_a",
    "feeder_load",
    "module_count",
    "cell_high_temp_c",
    "other_circuits",
    "ampacity_table",
    "trunk_max_breaker",
    "backfed_breaker",
    "feeder_rated_a",
)
#: A mask as a column of a frame.
MASK = pl.UInt128
BIT = {fact: 1 << number for number, fact in enumerate(FACTS)}


def mask(*facts: str) -> int:
    """Return the bits of these facts; KeyError names one that is not declared."""
    return sum(BIT[fact] for fact in set(facts))


def bits(*facts: str) -> pl.Expr:
    """Return the bits of these facts as a literal expression."""
    return pl.lit(mask(*facts), MASK)


def names(value: int) -> tuple[str, ...]:
    """Return the facts whose bits are set, in declared order."""
    return tuple(fact for fact in FACTS if value & BIT[fact])
