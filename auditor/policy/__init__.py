"""Targets, defaults and temperatures: what a verdict may rest on besides records and tables."""

from auditor.policy.model import DEFAULT, Policy, load_policy

__all__ = ["DEFAULT", "Policy", "load_policy"]
