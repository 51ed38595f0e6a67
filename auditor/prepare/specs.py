"""Equipment specs beside the records: the revision in force, and what it says of units, trunk and modules."""

from __future__ import annotations

from datetime import date

import polars as pl

from auditor.catalog import alias_key
from auditor.policy import Policy
from auditor.prepare.bits import add_bits, fill

Frames = dict[str, pl.DataFrame]

#: A printed current whose half last digit is more than this share of it gives no tolerance.
COARSE_DIGIT = 0.01


def model_key(column: str) -> pl.Expr:
    """A model's name as it is compared: case, and space around and between words, do not count."""
    return pl.col(column).str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()


def specs_on(policy: Policy, as_of: date) -> pl.Expr:
    """The date whose spec revisions count for a system: the audit's, or its own design date where it has one."""
    return pl.col("design_date") if policy.specs_of == "design date" else pl.lit(as_of, pl.Date)


def as_written(table: pl.DataFrame, frame: pl.DataFrame, column: str) -> pl.DataFrame:
    """Return the table's rows for the models in a column of the frame, `model` replaced by the name as written there.

    Names are compared once each, not once a row.
    """
    names = frame.select(column).unique().drop_nulls().with_columns(model_key(column).alias("model_key"))
    keyed = table.with_columns(model_key("model").alias("model_key")).drop("model")
    return names.join(keyed, on="model_key").drop("model_key")


def in_force(spec: pl.DataFrame, frame: pl.DataFrame, column: str) -> pl.DataFrame:
    """The last revision of each model effective on each date of `specs_on` that stands beside it in the frame."""
    dates = frame.select(column, "specs_on").unique().drop_nulls()
    return (
        as_written(spec, frame, column)
        .join(dates, on=column)
        .filter(pl.col("effective") <= pl.col("specs_on"))
        .sort("effective", "revision")
        .unique([column, "specs_on"], keep="last", maintain_order=True)
    )


def join_spec(frame: pl.DataFrame, spec: pl.DataFrame, column: str, prefix: str) -> pl.DataFrame:
    """Join a spec on a model's name and the row's `specs_on`.

    `{prefix}_known` says whether there is one, `{prefix}_revision` which.
    """
    right = in_force(spec, frame, column).drop("effective", "source").rename({"revision": f"{prefix}_revision"})
    right = right.with_columns(pl.lit(True).alias(f"{prefix}_known"))
    frame = frame.join(right, on=[column, "specs_on"], how="left", maintain_order="left")
    return frame.with_columns(pl.col(f"{prefix}_known").fill_null(False))


def unit_figures(frame: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Add a unit's current [A] at its own voltage: the spec's, else its power over that voltage (never another's).

    Needs inverter_model, inverter_revision, unit_voltage_v, rated_w.
    """
    names = {"revision": "inverter_revision", "voltage_v": "unit_voltage_v", "current_a": "_a", "half_digit_a": "_half"}
    currents = as_written(catalog["inverter_current"].rename(names), frame, "inverter_model")
    keys = ["inverter_model", "inverter_revision", "unit_voltage_v"]
    frame = frame.join(currents, on=keys, how="left", maintain_order="left")
    derived = pl.col("rated_w") / pl.col("unit_voltage_v")
    # A figure printed in too few digits, such as "1" for 240 W at 240 V, says less than the power does.
    coarse = pl.col("_half") > COARSE_DIGIT * pl.col("_a")
    finer = pl.col("_a").is_null() | (coarse & ((derived - pl.col("_a")).abs() <= pl.col("_half")))
    return frame.with_columns(
        pl.when(finer).then(derived).otherwise("_a").alias("unit_current_a"),
        pl.when(finer | coarse).then(0.0).otherwise("_half").alias("unit_half_digit_a"),
        pl.col("rated_w").alias("unit_power_w"),
    ).drop("_a", "_half")


def _wiring(frame: pl.DataFrame) -> pl.DataFrame:
    """Add wiring, first pair and the voltage across a unit, from the service, the phases and the unit's connection."""
    phases, three = pl.col("circuit_phases"), pl.col("three_phase_service")
    to_neutral = pl.col("connection") == "line-neutral"
    rotated = three & (phases == "ABC")
    one_phase = three & phases.is_in(["A", "B", "C"])
    two_phases = three & phases.is_in(["AB", "BC", "CA"])
    wiring = (
        pl.when(pl.col("service_known").not_())
        .then(None)
        .when(three.not_())
        .then(pl.lit("single"))
        .when(rotated & to_neutral)
        .then(pl.lit("neutral"))
        .when(rotated & to_neutral.not_())
        .then(pl.lit("pairs"))
        .when((one_phase & to_neutral) | (two_phases & to_neutral.not_()))
        .then(pl.lit("single"))
    )
    first = phases.replace_strict(
        {"AB": 0, "BC": 1, "CA": 2, "A": 3, "B": 4, "C": 5}, default=None, return_dtype=pl.Int64
    )
    start = pl.when(to_neutral).then(3).otherwise(0)
    return frame.with_columns(
        wiring.alias("wiring"),
        pl.when(rotated).then(start).otherwise(first).fill_null(0).alias("first_pair"),
        pl.when(to_neutral).then("line_neutral_v").otherwise("line_line_v").alias("unit_voltage_v"),
    )


def add_inverters(circuit: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Join the inverter's spec and work out wiring, voltage and current of a unit."""
    frame = join_spec(circuit, catalog["inverter"], "inverter_model", "inverter")
    derived = (
        pl.col("circuit_phases").is_null()
        & pl.col("three_phase_service")
        & (pl.col("conductors") >= 3)
        & ((pl.col("conductors") >= 4) | (pl.col("connection") == "line-line"))
    )
    frame = frame.with_columns(pl.when(derived).then(pl.lit("ABC")).otherwise("circuit_phases").alias("circuit_phases"))
    frame = unit_figures(_wiring(frame), catalog)
    known = pl.col("inverter_known")
    to_neutral, rotated = pl.col("wiring") == "neutral", pl.col("wiring").is_in(["pairs", "neutral"])
    return add_bits(
        frame,
        {
            "inverter_model": pl.col("inverter_model").is_null(),
            "inverter_spec": pl.col("inverter_model").is_not_null() & known.not_(),
            "inverter_connection": known & pl.col("connection").is_null(),
            "inverter_current": known & pl.col("unit_current_a").is_null() & pl.col("unit_voltage_v").is_not_null(),
            "inverter_input": known
            & pl.any_horizontal(pl.col("max_input_v", "max_input_a", "window_low_v", "window_high_v").is_null()),
            "circuit_phases": pl.col("three_phase_service") & pl.col("wiring").is_null(),
            # Rotated units need a conductor for every phase, and the neutral where they sit on it.
            "trunk_spec": (pl.col("conductors") < pl.when(to_neutral).then(4).otherwise(3)) & rotated,
        },
        {},
    )


def _trunks(catalog: Frames, policy: Policy) -> pl.DataFrame:
    """The trunk specs with their impedance [ohm/m] at the policy's temperature, and a connector's [ohm]."""
    names = {"rated_a": "trunk_rated_a", "max_breaker_a": "trunk_max_breaker_a"}
    alpha = (
        catalog["conductor"].select("material", "reference_c", "alpha_per_c").unique().sort("material", "reference_c")
    )
    alpha = alpha.unique("material", keep="first", maintain_order=True).rename({"material": "conductor_material"})
    trunk = catalog["trunk"].rename(names)
    trunk = trunk.join(alpha, on="conductor_material", how="left", maintain_order="left")
    warm = 1 + pl.col("alpha_per_c") * (policy.rise.conductor_temp_c - pl.col("reference_c"))
    cold = 1 + pl.col("alpha_per_c") * (pl.col("r_temp_c") - pl.col("reference_c"))
    connector = pl.when(pl.col("connectors_included")).then(0.0).otherwise(pl.col("connector_r_mohm"))
    return trunk.with_columns(
        (pl.col("r_ohm_per_km") * warm / cold * 0.001).alias("trunk_r_ohm_per_m"),
        (pl.col("x_ohm_per_km") * 0.001).alias("trunk_x_ohm_per_m"),
        (connector * 0.001).alias("connector_r_ohm"),
    ).drop("alpha_per_c", "reference_c")


def add_trunks(circuit: pl.DataFrame, catalog: Frames, policy: Policy) -> pl.DataFrame:
    """Join the trunk's spec: section length [m] by orientation, and impedance [ohm/m] at the policy's temperature."""
    frame = join_spec(circuit, _trunks(catalog, policy), "trunk_model", "trunk")
    same = pl.col("portrait_m") == pl.col("landscape_m")
    either = pl.col("orientation").is_null() & same
    frame = frame.with_columns(pl.when(either).then(pl.lit("landscape")).otherwise("orientation").alias("orientation"))
    frame = fill(frame, {"orientation": policy.assume.orientation})
    section = (
        pl.when(pl.col("orientation") == "portrait")
        .then("portrait_m")
        .when(pl.col("orientation") == "landscape")
        .then("landscape_m")
    )
    frame = frame.with_columns(section.alias("section_m"))
    known = pl.col("trunk_known")
    return add_bits(
        frame,
        {
            "trunk_model": pl.col("trunk_model").is_null(),
            "trunk_spec": (pl.col("trunk_model").is_not_null() & known.not_())
            | (
                known & pl.any_horizontal(pl.col("trunk_r_ohm_per_m", "trunk_x_ohm_per_m", "connector_r_ohm").is_null())
            ),
            "trunk_section": known & pl.col("orientation").is_not_null() & pl.col("section_m").is_null(),
            "trunk_rating": known & pl.col("trunk_rated_a").is_null(),
            "trunk_max_breaker": known & pl.col("trunk_max_breaker_a").is_null(),
        },
        {},
    )


MODULE = {
    "power_w": "module_power_w",
    "voc_v": "module_voc_v",
    "vmp_v": "module_vmp_v",
    "isc_a": "module_isc_a",
    "voc_pct_per_c": "module_voc_pct_per_c",
    "vmp_pct_per_c": "module_vmp_pct_per_c",
}


def add_modules(circuit: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Join the module's spec."""
    module = catalog["module"].select("model", "revision", "effective", "source", *MODULE).rename(MODULE)
    frame = join_spec(circuit, module, "module_model", "module")
    gone = pl.col("module_model").is_not_null() & pl.col("module_known").not_()
    return add_bits(frame, {"module_spec": gone}, {})


def add_thresholds(circuit: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Add `terminal_limit_v`, the lowest overvoltage threshold of the grid profile, in volts across the unit.

    A threshold's level is in per unit of the nominal voltage across the unit.
    """
    levels = lowest_levels(catalog, circuit["grid_profile"])
    lowest_pu = pl.col("grid_profile").replace_strict(levels, default=None, return_dtype=pl.Float64)
    frame = circuit.with_columns((lowest_pu * pl.col("unit_voltage_v")).alias("terminal_limit_v"))
    return add_bits(frame, {"grid_profile": lowest_pu.is_null()}, {})


def lowest_levels(catalog: Frames, texts: pl.Series) -> dict[str, float]:
    """The lowest overvoltage threshold [per unit of the voltage across the unit] of each spelling of a grid profile."""
    levels = catalog["grid_profile_threshold"].filter(pl.col("level_pu").is_not_null())
    lowest = levels.group_by("profile").agg(pl.col("level_pu").min().alias("lowest_pu"))
    by_key = dict(catalog["grid_profile_alias"].join(lowest, on="profile").select("alias_key", "lowest_pu").iter_rows())
    keys = {text: alias_key(text) for text in texts.drop_nulls().unique().to_list()}
    return {text: by_key[key] for text, key in keys.items() if key in by_key}
