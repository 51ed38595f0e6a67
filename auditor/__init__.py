"""Portfolio auditor: rechecks installed solar systems whose inverters sit on AC branch circuits."""

__version__ = "0.1.0"
