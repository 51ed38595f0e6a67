"""What a project record is, and how a file becomes one."""

from auditor.records.frames import Reading, Tables
from auditor.records.mapping import Mapping, identity_mapping, load_mapping
from auditor.records.reading import read_records

__all__ = ["Mapping", "Reading", "Tables", "identity_mapping", "load_mapping", "read_records"]
