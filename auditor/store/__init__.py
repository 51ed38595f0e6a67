"""The store: imported files and decisions are the source of truth; the records database is rebuilt from them."""

from auditor.store.folder import Store

__all__ = ["Store"]
