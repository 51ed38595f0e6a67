"""Where the header stands, what titles above it state, and the fingerprint by which a header is known again."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence

from auditor.records.fault import clean
from auditor.records.proposing.cells import is_date, is_plain_figure
from auditor.records.proposing.codes import service_of
from auditor.records.proposing.names import matches, read_name, way_of
from auditor.records.proposing.vocabulary import folded

LOOKED_AT = 30
_LENGTH_UNITS = (("ft", r"\bfeet\b|\bft\b|\bfoot\b"),
                 ("in", r"\binch(?:es)?\b|(?<=in )\bin\b"), ("mm", r"\bmm\b|millimet"),
                 ("cm", r"\bcm\b|centimet"), ("m", r"\bmet(?:er|re)s?\b|(?<=in )\bm\b"))  # fmt: skip
_NAMES_A_CODE = re.compile(r"\b(NEC|IEC 60364|BS 7671|AS/NZS 3000|CEC)\b[^\d]{0,3}((?:19|20)\d\d)?")


def find_header(rows: Sequence[Sequence[str]]) -> int:
    """Return the index of the header among the first rows of a table (row 0 where nothing looks like one).

    It is the first row about as wide as the widest, of texts that differ; titles are narrower, records hold figures.
    """
    looked = rows[:LOOKED_AT]
    widths = [sum(bool(clean(cell)) for cell in row) for row in looked]
    widest = max(widths, default=0)
    best, most = 0, 0.0
    for at, row in enumerate(looked):
        texts = [clean(cell) for cell in row if clean(cell)]
        if len(texts) < max(1, 0.5 * widest):
            continue
        words = sum(not is_plain_figure(text) and not is_date(text) for text in texts)
        known = sum(bool(found) and found[0].score >= 80 for found in (matches(read_name(text)) for text in texts))
        score = words / len(texts) + len(set(texts)) / len(texts) + 4.0 * known / len(texts)
        if score > most + 0.3:
            best, most = at, score
    return best


def fingerprint(headers: Sequence[str]) -> str:
    """Return what a header is known by: a hash of its cells, in order. Case and spaces make no difference."""
    plain = [" ".join(clean(header).casefold().split()) for header in headers]
    while plain and not plain[-1]:
        plain.pop()
    return hashlib.sha256("\x1f".join(plain).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def title_unit(titles: Sequence[str]) -> str | None:
    """Return the one unit of length that the titles name, or None."""
    text = " ".join(folded(title) for title in titles)
    found = [unit for unit, pattern in _LENGTH_UNITS if re.search(pattern, text)]
    return found[0] if len(found) == 1 else None


def title_lengths(titles: Sequence[str]) -> str | None:
    """Return whether the titles say that lengths are one-way or round-trip."""
    return way_of(" | ".join(titles))[0]


def title_constants(titles: Sequence[str], headers: Sequence[str]) -> dict[str, str]:
    """Return facts that a title or a header may state for every row: suggestions, never more."""
    found: dict[str, str] = {}
    for text in (*titles, *headers):
        code = _NAMES_A_CODE.search(text)
        if code is not None:
            found.setdefault("installation_code", code[1])
            if code[2]:
                found.setdefault("code_edition", code[2])
    for title in titles:
        for piece in re.split(r"[,;:|()]|\s-\s|\s{2,}", title):
            stated = re.search(r"\d{3}\s?Y?\s?/\s?\d{3}", piece)
            service = service_of(stated[0]) if stated else None
            if service is not None:
                found.setdefault("service", service)
        material = [name for name in ("copper", "aluminium", "aluminum") if name in title.lower()]
        if len(material) == 1:
            found.setdefault("home_run_material", "copper" if material == ["copper"] else "aluminium")
    return found
