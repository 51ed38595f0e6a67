"""Which canonical columns each of a file's columns may be, and which it is when all are looked at together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from auditor.records.fault import clean
from auditor.records.frames import ROW_NUMBER
from auditor.records.proposing.cells import Cells, is_date
from auditor.records.proposing.codes import translations
from auditor.records.proposing.fits import AGREES, CONTRADICTS, GRID_STANDARD, Fit, Setting, fit, unit_fits
from auditor.records.proposing.names import LEAST_SCORE, Match, Name, matches, names_nothing, read_name
from auditor.records.proposing.vocabulary import folded, vocabulary
from auditor.records.schema import RUN_COLUMNS, simple_columns

_AGREES_BONUS, _POSSIBLE_MALUS = 4.0, 4.0
#: What a neighbour that names a part, or the usual part, adds to an attribute that names none.
_SAME_PART, _NEXT_PART, _USUAL_PART = 22.0, 12.0, 14.0
_STRONG_NAME = 90.0
_REACH = 4
#: "Panels", "Inverters" and what is said per circuit are counts; "Panel" and "Inverter" name.
_COUNT_BONUS = 6.0
_COUNTS = re.compile(
    r"\b(?:panels|modules|mods|inverters|micros|mis|units|microinverters|invs|drops)\b"
    r"|(?:\bper|/)\s*(?:branch|br|ckt|cct|circuit|string|arm)\b"
)
_FIRST_COLUMNS = 3
_FEWEST_CELLS = 3
#: Where no column says what the system is, its building may be.
_OF_BUILDINGS = frozenset({"building", "roof"})
_CELLS_ALONE, _KEY_BONUS = 66.0, 8.0
#: Columns that cells alone may suggest, with the length of a cell from which on it is no mere letter.
_SPEAKING = {
    "service": 5, "arm_counts": 3, "orientation": 4, "circuit_phases": 2, "backfeed_position": 3, "connection_side": 4,
    "power_factor_mode": 3, "home_run_raceway": 3, "home_run_material": 2, "azimuth_deg": 2, "tilt_deg": 4,
}  # fmt: skip
#: What cells of other columns look like, where nothing else does: mail addresses, standards of grid protection, and
#: conductors whose size states its unit.
_LOOKS = {
    "contact": re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+"),
    "grid_profile": GRID_STANDARD,
    "home_run_size": re.compile(r"(?:#\s?\d|\d.*\b(?:awg|kcmil|mm2|mm²|sq\.? ?mm)\b|[1-4]/0\b).*", re.IGNORECASE),
}


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
    """What a column is taken for, and what else it, or another column, might have been.

    `version` is a column that is taken for nothing and says another version of the fact, such as an estimate.
    """

    candidate: Candidate
    rival_column: Candidate | None
    rival_header: Candidate | None
    ambiguous: bool
    version: str | None = None

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
                fitted = fit(match.canonical, column, column_cells, Setting(mark, name.unit, header, match.whole))
                if fitted.level != CONTRADICTS:
                    score = match.score + (_AGREES_BONUS if fitted.level == AGREES else -_POSSIBLE_MALUS)
                    if _COUNTS.search(folded(header)):
                        score += _COUNT_BONUS * ((column.kind == "integer") - (column.kind == "id"))
                    found.append(Candidate(at, match, fitted, score))
        every.append(found)
    _by_cells(names, cells, every)
    _by_blocks(names, cells, every)
    _by_keys(cells, every)
    every = [sorted(found, key=lambda one: (-one.score, one.canonical)) for found in every]
    return [_with_parts(at, found, every) for at, found in enumerate(every)]


def _by_cells(names: Sequence[Name], cells: Sequence[Cells], every: list[list[Candidate]]) -> None:
    """Add what the cells alone suggest, where no name does: services, arms, codes that belong to one column only."""
    named = {one.canonical for found in every for one in found if one.score >= LEAST_SCORE}
    for at, found in enumerate(every):
        shut = any(one.score >= LEAST_SCORE for one in found) or _is_shut(names, at)
        if shut or len(cells[at].filled) < _FEWEST_CELLS:
            continue
        said = [canonical for canonical in _SPEAKING if canonical not in named and _speaks(canonical, cells[at])]
        said += [name for name, look in _LOOKS.items() if name not in named and cells[at].share(look.fullmatch) >= 0.9]
        told = Fit(AGREES, f"the cells alone, such as {cells[at].distinct[0]!r}, say so")
        found += [
            Candidate(at, Match(canonical, _CELLS_ALONE, exact=False, bare=False), told, _CELLS_ALONE)
            for canonical in said
        ]
    days = [at for at, some in enumerate(cells) if some.share(is_date) >= 0.9 and len(some.filled) >= _FEWEST_CELLS]
    if len(days) == 1 and not every[days[0]] and not _is_shut(names, days[0]):
        match = Match("energized_date", _CELLS_ALONE, exact=False, bare=False)
        every[days[0]].append(Candidate(days[0], match, Fit(AGREES, "the only dates in the file"), _CELLS_ALONE))


def _speaks(canonical: str, cells: Cells) -> bool:
    """Whether nearly all cells are understood as this column's, and half of them are no mere letters."""
    said = translations(cells.distinct, canonical, simple_columns()[canonical], "")
    long = sum(len(text) >= _SPEAKING[canonical] for text in cells.filled) >= 0.5 * len(cells.filled)
    plus = canonical != "arm_counts" or any("+" in text for text in cells.distinct)
    return long and plus and cells.share(lambda text: text in said) >= 0.9


def _is_shut(names: Sequence[Name], at: int, but: frozenset[str] = frozenset()) -> bool:
    """Whether a header says of itself that it is something else, or cannot be mapped."""
    words = vocabulary()
    header = clean(names[at].header)
    counted = sum(clean(name.header) == header for name in names)
    spoken = bool(set(names[at].words) & (words.never | words.strongly_against - but)) or names_nothing(names[at])
    return not header or counted > 1 or header == ROW_NUMBER or spoken


def _by_blocks(names: Sequence[Name], cells: Sequence[Cells], every: list[list[Candidate]]) -> None:
    """Where no name says so, take the first column of ids whose rows stand together for the system's id."""
    if any(one.canonical == "system_id" and one.score >= LEAST_SCORE for found in every for one in found):
        return
    column = simple_columns()["system_id"]
    for at in range(min(_FIRST_COLUMNS, len(every))):
        taken = any(one.score >= _STRONG_NAME for one in every[at])
        if taken or _is_shut(names, at, _OF_BUILDINGS) or not _in_blocks(cells[at]):
            continue
        if fit("system_id", column, cells[at], Setting()).level == AGREES:
            match = Match("system_id", _CELLS_ALONE, exact=False, bare=False)
            told = f"ids such as {cells[at].distinct[0]!r}, and rows of one id stand together"
            every[at].append(Candidate(at, match, Fit(AGREES, told), _CELLS_ALONE))
            return


def _in_blocks(cells: Cells) -> bool:
    """Whether every row has a value, some values have several rows, and the rows of each stand together."""
    keys = [clean(text) for text in cells.every]
    starts = sum(at == 0 or key != keys[at - 1] for at, key in enumerate(keys))
    return all(keys) and 1 < starts == len(set(keys)) < len(keys)


def _by_keys(cells: Sequence[Cells], every: list[list[Candidate]]) -> None:
    """Let the keys tell the circuit's id: no two rows of a system share it, though systems have several rows."""
    systems = [one for found in every for one in found if one.canonical == "system_id" and one.score >= LEAST_SCORE]
    if not systems:
        return
    system = max(systems, key=lambda one: one.score).at
    keys = [clean(text) for text in cells[system].every]
    if len(set(keys)) > 0.9 * len(keys):
        return
    for at, found in enumerate(every):
        tells = at != system and _is_key_with(keys, cells[at])
        found[:] = [
            replace(one, score=one.score + _KEY_BONUS) if one.canonical == "circuit_id" else one
            for one in found
            if tells or one.canonical != "circuit_id"
        ]
        short = all(len(text) <= 8 for text in cells[at].distinct) and not cells[at].share(has_point)
        repeats = len(cells[at].distinct) <= max(2.0, 0.5 * len(cells[at].filled))
        if tells and short and repeats and not any(one.score >= LEAST_SCORE for one in found):
            match = Match("circuit_id", _CELLS_ALONE, exact=False, bare=False)
            found.append(Candidate(at, match, Fit(AGREES, "it tells the rows of a system apart"), _CELLS_ALONE))


def has_point(text: str) -> bool:
    """Whether a cell is a figure with decimals."""
    return "." in text and text.replace(".", "", 1).lstrip("+-").isdecimal()


def _is_key_with(keys: Sequence[str], cells: Cells) -> bool:
    pairs = [(key, clean(text)) for key, text in zip(keys, cells.every, strict=True) if key and clean(text)]
    return len(pairs) >= 0.9 * len(keys) and len(set(pairs)) >= 0.97 * len(pairs)


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
    return {at: _chosen(one, every, taken) for at, one in taken.items()}


def with_versions(
    chosen: dict[int, Chosen], names: Sequence[Name], cells: Sequence[Cells], mark: str | None
) -> dict[int, Chosen]:
    """Name beside each column that is chosen another of which its name is another version: as built, and estimated."""
    places = {one.candidate.canonical: at for at, one in chosen.items()}
    found = dict(chosen)
    for at, name in enumerate(names):
        plain = tuple(word for word in name.words if word not in vocabulary().versions)
        if at in chosen or not plain or plain == name.words:
            continue
        for match in matches(replace(name, words=plain, header="")):
            column = simple_columns()[match.canonical]
            setting = Setting(mark, name.unit, clean(name.header))
            mine = places.get(match.canonical)
            if mine is not None and fit(match.canonical, column, cells[at], setting).level != CONTRADICTS:
                found[mine] = replace(chosen[mine], version=clean(name.header))
    return found


def _chosen(one: Candidate, every: Sequence[Sequence[Candidate]], taken: dict[int, Candidate]) -> Chosen:
    own = [other for other in every[one.at] if other.canonical != one.canonical]
    # A column whose name says exactly what it is taken for is no rival.
    free = [found for at, found in enumerate(every) if at not in taken or not taken[at].match.exact]
    others = [other for found in free for other in found if other.at != one.at and other.canonical == one.canonical]
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
