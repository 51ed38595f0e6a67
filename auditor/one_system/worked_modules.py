"""The workings of the checks of modules on their inverters."""

from __future__ import annotations

from auditor.checks.module_cold_voltage import STANDARD_C
from auditor.one_system.case import Case
from auditor.one_system.sums import Row, Worked, compare, fig, over, signed, times


def _at(volts: float | None, per_c: float | None, temp_c: float | None) -> float | None:
    """A voltage at another cell temperature, by the linear coefficient [%/°C]."""
    if volts is None or per_c is None or temp_c is None:
        return None
    return volts * (1 + per_c / 100 * (temp_c - STANDARD_C))


def _sum(name: str, volts: float | None, per_c: float | None, temp_c: float | None) -> str:
    value = _at(volts, per_c, temp_c)
    factor = f"(1 {signed(per_c)} / 100 × ({fig(temp_c)} − {fig(STANDARD_C)}))"
    return f"{name}: {fig(volts, 'V')} × {factor} = {fig(value, 'V')}"


def cold_voltage(_case: Case, row: Row) -> Worked:
    """Open-circuit voltage at the lowest temperature against the highest the input takes."""
    volts, per_c = row.number("module_voc_v"), row.number("module_voc_pct_per_c")
    low_c, limit = row.number("low_design_temp_c"), row.number("max_input_v")
    value = _at(volts, per_c, low_c)
    lines = [_sum("In the cold, Voc", volts, per_c, low_c), f"Input: {compare(value, limit, 'V')}"]
    if low_c is None and volts is not None and per_c is not None and per_c < 0 and limit is not None:
        coldest = STANDARD_C + (limit / volts - 1) * 100 / per_c
        lines.append(f"It reaches {fig(limit, 'V')} at {fig(coldest, '°C')}.")
    return Worked(tuple(lines), value, limit)


def input_window(_case: Case, row: Row) -> Worked:
    """Operating voltage, hot and cold, against the two ends of the tracking window."""
    volts, per_c = row.number("module_vmp_v"), row.number("module_vmp_pct_per_c")
    hot_c, cold_c = row.number("cell_high_temp_c"), row.number("low_design_temp_c")
    low_end, high_end = row.number("window_low_v"), row.number("window_high_v")
    hot, cold = _at(volts, per_c, hot_c), _at(volts, per_c, cold_c)
    lines = (
        _sum("Hot, Vmp", volts, per_c, hot_c),
        f"Low end of the window: {compare(hot, low_end, 'V', at_least=True)}",
        _sum("Cold, Vmp", volts, per_c, cold_c),
        f"High end of the window: {compare(cold, high_end, 'V')}",
    )
    if over(low_end, hot):
        return Worked(lines, hot, low_end)
    everything = None not in (hot, cold, low_end, high_end)
    if over(cold, high_end) or everything:
        return Worked(lines, cold, high_end)
    return Worked(lines, None, None)


def input_current(_case: Case, row: Row) -> Worked:
    """Short-circuit current against what the input takes."""
    value, limit = row.number("module_isc_a"), row.number("max_input_a")
    return Worked((f"Isc: {compare(value, limit, 'A')}",), value, limit)


def power_ratio(case: Case, row: Row) -> Worked:
    """Module power against the maker's range, or the policy's share of the inverter's power."""
    power, unit_w = row.number("module_power_w"), row.number("unit_power_w")
    modules, units = row.number("module_count"), row.number("inverter_count")
    each = None if modules is None or not units else modules / units
    ratio_w = None if unit_w is None or not each else unit_w / each
    lines = []

    def end(name: str, stated: float | None, share: float) -> float | None:
        if stated is not None:
            lines.append(f"{name} end, stated in the inverter's spec: {fig(stated, 'W')}")
            return stated
        limit = times(share, ratio_w)
        lines.append(
            f"{name} end, by the policy: {fig(share)} × {fig(unit_w, 'W')} / {fig(each)} modules per inverter"
            f" = {fig(limit, 'W')}"
        )
        return limit

    low = end("Low", row.number("module_min_w"), case.policy.ratio.low)
    high = end("High", row.number("module_max_w"), case.policy.ratio.high)
    lines.append(f"Module: {compare(power, low, 'W', at_least=True)}; {compare(power, high, 'W')}")
    limit = low if over(low, power) else high if over(power, high) or low is not None else None
    return Worked(tuple(lines), power, limit)
