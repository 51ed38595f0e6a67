"""A change of a sheet in the sample portfolio: it flips the circuits that the records say, and no other."""

from __future__ import annotations
