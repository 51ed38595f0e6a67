"""Which canonical columns each of a file's columns may be, and which it is when all are looked at together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from auditor.records.fault import clean
from auditor.records.frames import ROW_NUMBER
from auditor.records.proposing.cells import Cells
from auditor.records.proposing.fits import AGREES, CONTRADICTS, Fit, Setting, fit, unit_fits
from auditor.records.proposing.names import LEAST_SCORE, Match, Name, matches, read_name
from auditor.records.schema import RUN_COLUMNS, simple_columns

_AGREES_BONUS, _POSSIBLE_MALUS = 4.0, 4.0
#: What a neighbour that names a part, or the usual part, adds to an attribute that names none.
_SAME_PART, _NEXT_PART, _USUAL_PART = 22.0, 18.0, 14.0
_STRONG_NAME = 90.0
_REACH = 4


@dataclass(frozen=True)
class Candidate:
    """One thing a column may be."""

    at: int
    match: Match
    fit: Fit
    score: float

    @property
    def canonical(self) -> str:
        """The canonical column."""
        return self.match.canonical


@dataclass(frozen=True)
class Chosen:
    """What a column is taken for, and what else it, or another column, might have been."""

    candidate: Candidate
    rival_column: Candidate | None
    rival_header: Candidate | None
    ambiguous: bool

    @property
    def margin(self) -> float:
        """How far the nearest rival is behind."""
        rivals = [rival.score for rival in (self.rival_column, self.rival_header) if rival is not None]
        return self.candidate.score - max(rivals, default=0.0)


def candidates_of(names: Sequence[Name], cells: Sequence[Cells], mark: str | None) -> list[list[Candidate]]:
    """Return the candidates of every column, best first; none for a header that is empty or stands there twice."""
    counts = Counter(clean(name.header) for name in names)
    known = simple_columns()
    every: list[list[Candidate]] = []
    for at, (name, column_cells) in enumerate(zip(names, cells, strict=True)):
        header = clean(name.header)
        found: list[Candidate] = []
        if header and counts[header] == 1 and header != ROW_NUMBER:
            for match in matches(name):
                column = known[match.canonical]
                if not unit_fits(match.canonical, column, name.unit):
                    continue
                fitted = fit(match.canonical, column, column_cells, Setting(mark, name.unit, header))
                if fitted.level != CONTRADICTS:
                    score = match.score + (_AGREES_BONUS if fitted.level == AGREES else -_POSSIBLE_MALUS)
                    found.append(Candidate(at, match, fitted, score))
        every.append(sorted(found, key=lambda one: (-one.score, one.canonical)))
    return [_with_parts(at, found, every) for at, found in enumerate(every)]


def _part(canonical: str) -> str | None:
    return RUN_COLUMNS[canonical][0] if canonical in RUN_COLUMNS else None


def _with_parts(at: int, found: list[Candidate], every: list[list[Candidate]]) -> list[Candidate]:
    """Let the neighbours decide of which part a bare attribute is: first the columns to the left, then the right."""
    if not any(one.match.bare for one in found):
        return found
    parts = [_strong_part(some) for some in every]
    left = next((parts[i] for i in range(at - 1, max(-1, at - 1 - _REACH), -1) if parts[i]), None)
    right = next((parts[i] for i in range(at + 1, min(len(parts), at + 1 + _REACH)) if parts[i]), None)

    def moved(one: Candidate) -> Candidate:
        part = _part(one.canonical)
        if not one.match.bare:
            return one
        bonus = _SAME_PART if part == left else 0.0
        bonus = max(bonus, _NEXT_PART if part == right else 0.0, _USUAL_PART if part == "home run" else 0.0)
        return replace(one, score=one.score + bonus)

    return sorted(map(moved, found), key=lambda one: (-one.score, one.canonical))


def _strong_part(found: list[Candidate]) -> str | None:
    strong = [one for one in found if one.score >= _STRONG_NAME and not one.match.bare]
    return _part(strong[0].canonical) if strong else None


def choose(every: Sequence[Sequence[Candidate]]) -> dict[int, Chosen]:
    """Assign columns, the best score first: no two canonical columns take one column of the file, nor the other way."""
    ranked = sorted(
        (one for found in every for one in found if one.score >= LEAST_SCORE),
        key=lambda one: (-one.score, one.at, one.canonical),
    )
    taken: dict[int, Candidate] = {}
    used: set[str] = set()
    for one in ranked:
        if one.at not in taken and one.canonical not in used:
            taken[one.at] = one
            used.add(one.canonical)
    return {at: _chosen(one, every) for at, one in taken.items()}


def _chosen(one: Candidate, every: Sequence[Sequence[Candidate]]) -> Chosen:
    own = [other for other in every[one.at] if other.canonical != one.canonical]
    others = [other for found in every for other in found if other.at != one.at and other.canonical == one.canonical]
    exact = sum(match.exact for match in matches_of(every[one.at]))
    return Chosen(
        one,
        max(own, key=lambda other: other.score, default=None),
        max(others, key=lambda other: other.score, default=None),
        ambiguous=exact > 1,
    )


def matches_of(found: Sequence[Candidate]) -> list[Match]:
    """Return the matches of some candidates."""
    return [one.match for one in found]


def names_of(headers: Sequence[str]) -> list[Name]:
    """Take every header apart."""
    return [read_name(header) for header in headers]
