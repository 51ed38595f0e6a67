"""One system in full: its facts, path, voltages, findings worked out with its own numbers, and what-if."""

from auditor.one_system.case import Case, NoSuchSystemError, load

__all__ = ["Case", "NoSuchSystemError", "load"]
