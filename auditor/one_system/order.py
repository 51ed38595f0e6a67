"""The order in which people expect ids: 2 before 10."""

from __future__ import annotations

import re

_DIGITS = re.compile(r"(\d+)", re.ASCII)


def natural(text: str | None) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts runs of digits by their number, and everything else as text."""
    parts = _DIGITS.split(text or "")
    return tuple((0, int(part[:18]), part) if part.isdigit() else (1, 0, part) for part in parts if part)
