"""The dashboard: a published snapshot, read-only, in a browser."""
