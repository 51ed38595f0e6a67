"""The checks: one module each, gathered in `CHECKS` in the order in which they are shown."""

from auditor.checks import (
    branch_unit_limit,
    breaker_size,
    busbar,
    current_coordination,
    feeder_ampacity,
    home_run_ampacity,
    module_cold_voltage,
    module_input_current,
    module_input_window,
    part_rise,
    phase_imbalance,
    power_ratio,
    terminal_voltage,
    trunk_current,
    voltage_rise,
)
from auditor.checks.base import Check

CHECKS: tuple[Check, ...] = (
    branch_unit_limit.CHECK,
    breaker_size.CHECK,
    trunk_current.CHECK,
    home_run_ampacity.CHECK,
    feeder_ampacity.CHECK,
    current_coordination.CHECK,
    voltage_rise.CHECK,
    part_rise.CHECK,
    terminal_voltage.CHECK,
    busbar.CHECK,
    phase_imbalance.CHECK,
    module_cold_voltage.CHECK,
    module_input_window.CHECK,
    module_input_current.CHECK,
    power_ratio.CHECK,
)
BY_NAME = {check.name: check for check in CHECKS}

__all__ = ["BY_NAME", "CHECKS", "Check"]
