"""From a header to the canonical columns that its words may name, each with a score from 0 to 100."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache

from rapidfuzz import fuzz

from auditor.records.proposing.vocabulary import Phrase, Vocabulary, cut, folded, plain_words, vocabulary
from auditor.records.schema import simple_columns

#: Below this a name says nothing.
LEAST_SCORE = 60.0
_BARE_SCORE = 0.7
_SOMEWHAT, _STRONGLY, _GENERAL = 25.0, 40.0, 20.0
#: Words that may be left over without a loss: they say how a fact is written.
_SOFT = frozenset({"identifier", "name", "detail", "info", "number", "product", "display"})
_SOFT_WEIGHT = 0.3
_CLOSE = 84.0
_BRACKETS = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_LONGEST_SCAN = 500


@dataclass(frozen=True)
class Name:
    """A header taken apart: its words, the unit and the way of measuring lengths that it states."""

    header: str
    words: tuple[str, ...]
    unit: str | None = None
    lengths: str | None = None


@dataclass(frozen=True)
class Match:
    """A canonical column that a header may name. `exact`: every word counts and none is left; `against` are those
    words that speak against it."""

    canonical: str
    score: float
    exact: bool
    bare: bool
    against: tuple[str, ...] = ()


@cache
def read_name(header: str) -> Name:
    """Take a header apart."""
    words = vocabulary()
    text = header[:_LONGEST_SCAN]
    lengths, rest = way_of(text)
    unit = None
    for inside in _BRACKETS.findall(rest):
        unit = unit or _unit_among(inside, words)
    outside = _BRACKETS.sub(lambda found: " " if _all_units(found[1], words) else f" {found[1]} ", rest)
    tokens = _run_between(cut(outside), words)
    if unit is None:
        tokens, unit = _trailing_unit(tokens, words)
    else:
        tokens = [token for token in tokens if words.units.get(token) != unit or len(token) < 2]
    return Name(header, plain_words(tokens, words.words, words.noise), unit, lengths)


def _run_between(tokens: list[str], words: Vocabulary) -> list[str]:
    """Name the run between two places: roof to combiner is a home run. Other headers stay as they are."""
    at, found, rest = 0, list[str](), list[str]()
    first = len(tokens)
    while at < len(tokens):
        for wide in (3, 2, 1):
            place = words.places.get(" ".join(tokens[at : at + wide])) if at + wide <= len(tokens) else None
            if place is not None:
                found.append(place)
                first = min(first, len(rest))
                at += wide
                break
        else:
            rest.append(tokens[at])
            at += 1
    run = words.between.get(frozenset(found)) if len(found) == 2 else None
    between = {"to", "from", "run", "line", "cable"}
    return tokens if run is None else [*rest[:first], *run, *(word for word in rest[first:] if word not in between)]


def way_of(text: str) -> tuple[str | None, str]:
    """Return whether a text says one-way or round-trip (None where it says neither, or both), and the rest of it."""
    body = re.sub(r"[\s_]+", " ", text)
    plain = folded(body)
    found: set[str] = set()
    for phrase, way in sorted(vocabulary().lengths.items(), key=lambda item: -len(item[0])):
        pattern = r"(?<![a-z0-9])" + r"[\s\-_/+&.]*".join(map(re.escape, phrase.split())) + r"(?![a-z0-9])"
        if " " in phrase and len(phrase) <= 3:
            pattern = pattern.replace(r"[\s\-_/+&.]*", "/")
        if re.search(pattern, plain):
            found.add(way)
            plain = re.sub(pattern, " ", plain)
    return (found.pop(), plain) if len(found) == 1 else (None, text)


def _unit_among(text: str, words: Vocabulary) -> str | None:
    whole = folded(text)
    if whole in words.units:
        return words.units[whole]
    for part in re.split(r"[\s,;/]+", whole):
        if part.strip(".") in words.units:
            return words.units[part.strip(".")]
    return None


def _all_units(text: str, words: Vocabulary) -> bool:
    parts = [part.strip(".") for part in re.split(r"[\s,;/]+", folded(text)) if part]
    return folded(text) in words.units or all(part in words.units for part in parts)


def _trailing_unit(tokens: list[str], words: Vocabulary) -> tuple[list[str], str | None]:
    """Return the tokens without the unit that stands last, and the unit; longer units count anywhere."""
    if len(tokens) > 1:
        if " ".join(tokens[-2:]) in words.units:
            return tokens[:-2], words.units[" ".join(tokens[-2:])]
        if tokens[-1] in words.units:
            return tokens[:-1], words.units[tokens[-1]]
    for at, token in enumerate(tokens):
        longer = token in ("ft", "awg") or (len(token) > 2 and at > 0)
        if token in words.units and longer and (len(tokens) > 1 or token == "awg"):
            return tokens[:at] + tokens[at + 1 :], words.units[token]
    return tokens, None


@cache
def matches(name: Name) -> tuple[Match, ...]:
    """Return the canonical columns that a header's words may name, best first."""
    words = vocabulary()
    if any(word in words.never for word in name.words):
        return ()
    if name.header.strip() in simple_columns():
        return (Match(name.header.strip(), 100.0, exact=True, bare=False),)
    best: dict[str, Match] = {}
    for phrase in words.phrases:
        match = _match(name.words, phrase, words)
        if match.score >= LEAST_SCORE * (_BARE_SCORE if phrase.bare else 1) and (
            phrase.canonical not in best or match.score > best[phrase.canonical].score
        ):
            best[phrase.canonical] = match
    for inner, exact in _inner(name, words):
        for match in matches(read_name(inner)):
            if match.canonical not in best or match.score > best[match.canonical].score:
                best[match.canonical] = replace(match, exact=match.exact and exact)
    return tuple(sorted(best.values(), key=lambda match: (-match.score, match.canonical)))


def _inner(name: Name, words: Vocabulary) -> list[tuple[str, bool]]:
    """Return what else a header says with a part of it left out, and whether that may count as exact.

    "Project: Permit Date" is what a database calls the field of a table; the table's name is no part of it. What
    stands in brackets explains, unless it speaks against what stands before.
    """
    found = []
    field = name.header.rpartition(": ")[2].strip()
    if field and field != name.header.strip():
        found.append((field, True))
    bare = _BRACKETS.sub(" ", name.header).strip()
    inside = plain_words(
        [word for some in _BRACKETS.findall(name.header) for word in cut(some)], words.words, words.noise
    )
    if bare and bare != name.header.strip() and not set(inside) & (words.somewhat_against | words.strongly_against):
        found.append((bare, False))
    return found


def _match(header: tuple[str, ...], phrase: Phrase, words: Vocabulary) -> Match:
    left = list(header)
    matched: list[str] = []
    weight, fuzzy = 0.0, False
    for word in phrase.words:
        closest, how = _closest(word, left)
        if closest is not None:
            left.remove(closest)
            matched.append(word)
            weight += how
            fuzzy = fuzzy or how < 1
    whole = weight == len(phrase.words)
    counted = sum(_SOFT_WEIGHT if word in _SOFT else 1.0 for word in left) + len(matched)
    score = 200.0 * weight / max(1, counted + len(phrase.words))
    if whole and len(phrase.words) > 1:
        # A header that holds the whole of a long phrase says it, whatever else it says.
        score = max(score, 65.0 + 35.0 * weight / max(1, counted))
    if not whole and all(word in words.general for word in matched):
        score -= _GENERAL
    against = tuple(word for word in left if word in words.somewhat_against | words.strongly_against)
    score -= max((_STRONGLY if word in words.strongly_against else _SOMEWHAT for word in against), default=0)
    exact = not fuzzy and not left and whole and not phrase.bare
    return Match(phrase.canonical, score * (_BARE_SCORE if phrase.bare else 1), exact, phrase.bare, against)


def _closest(word: str, candidates: list[str]) -> tuple[str | None, float]:
    if word in candidates:
        return word, 1.0
    best, how = None, 0.0
    for candidate in candidates:
        value = _likeness(word, candidate)
        if value > how:
            best, how = candidate, value
    return best, how


@cache
def _likeness(word: str, other: str) -> float:
    """Return how far two words are spellings of one: 0, or up to 0.9."""
    if min(len(word), len(other)) < 3 or other in vocabulary().known or any(c.isdigit() for c in word + other):
        return 0.0
    if len(other) >= 3 and word.startswith(other):
        return 0.85
    if min(len(word), len(other)) < 5:
        return 0.0
    ratio = fuzz.ratio(word, other)
    return 0.9 * ratio / 100 if ratio >= _CLOSE else 0.0
