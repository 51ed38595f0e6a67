"""From a header to the canonical columns that its words may name, each with a score from 0 to 100."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from rapidfuzz import fuzz

from auditor.records.proposing.vocabulary import Phrase, Vocabulary, cut, folded, plain_words, vocabulary
from auditor.records.schema import simple_columns

#: Below this a name says nothing.
LEAST_SCORE = 60.0
_BARE_SCORE = 0.7
_SOMEWHAT, _STRONGLY = 25.0, 40.0
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
    tokens = cut(outside)
    if unit is None:
        tokens, unit = _trailing_unit(tokens, words)
    else:
        tokens = [token for token in tokens if words.units.get(token) != unit or len(token) < 2]
    return Name(header, plain_words(tokens, words.words, words.noise), unit, lengths)


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
        if token in words.units and (len(token) > 2 or token == "ft") and (len(tokens) > 1 or token == "awg"):
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
        match = _match(name, phrase, words)
        if match.score >= LEAST_SCORE * (_BARE_SCORE if phrase.bare else 1) and (
            phrase.canonical not in best or match.score > best[phrase.canonical].score
        ):
            best[phrase.canonical] = match
    return tuple(sorted(best.values(), key=lambda match: (-match.score, match.canonical)))


def _match(name: Name, phrase: Phrase, words: Vocabulary) -> Match:
    left = list(name.words)
    matched, fuzzy = 0.0, False
    for word in phrase.words:
        closest, how = _closest(word, left)
        if closest is not None:
            left.remove(closest)
            matched += how
            fuzzy = fuzzy or how < 1
    score = 200.0 * matched / max(1, len(name.words) + len(phrase.words))
    against = tuple(word for word in left if word in words.somewhat_against | words.strongly_against)
    score -= max((_STRONGLY if word in words.strongly_against else _SOMEWHAT for word in against), default=0)
    exact = not fuzzy and not left and matched == len(phrase.words)
    score *= _BARE_SCORE if phrase.bare else 1
    return Match(phrase.canonical, score, exact and not phrase.bare, phrase.bare, against)


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
