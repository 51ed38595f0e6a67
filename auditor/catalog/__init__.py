"""Equipment specs, conductor tables and grid profiles: data files with their sources, and their loader."""

from auditor.catalog.catalog import Catalog
from auditor.catalog.frames import FRAME_SCHEMAS
from auditor.catalog.grid import alias_key
from auditor.catalog.loader import load_catalog
from auditor.catalog.template import equipment_template

__all__ = ["FRAME_SCHEMAS", "Catalog", "alias_key", "equipment_template", "load_catalog"]
