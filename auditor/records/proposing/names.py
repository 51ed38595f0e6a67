"""From a header to the canonical columns that its words may name, each with a score from 0 to 100."""

from __future__ import annotations

import re
from collections.abc import Set
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

from rapidfuzz import fuzz

from auditor.records.proposing.vocabulary import Phrase, Vocabulary, cut, folded, plain_words, vocabulary
from auditor.records.schema import simple_columns

#: Below this a name says nothing.
LEAST_SCORE = 60.0
_BARE_SCORE, _VAGUE_SCORE = 0.7, 0.93
_SOMEWHAT, _STRONGLY, _GENERAL, _PLAIN = 25.0, 40.0, 20.0, 6.0
#: Words that may be left over without a loss: they say how a fact is written.
_SOFT = frozenset({"identifier", "initials", "final", "measured", "name", "detail", "number", "product", "display"})
_SOFT_WEIGHT = 0.3
_CLOSE = 84.0
_BRACKETS = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_LONGEST_SCAN = 500
#: What is told in inches; behind other words "in" is no unit ("run in").
_OF_INCHES = frozenset(
    {"height", "ht", "hgt", "clearance", "clr", "gap", "standoff", "above", "abv", "off", "roof", "length", "len", "lg",
     "spacing", "section", "first", "lead", "leader", "drop", "tail", "whip", "run", "raceway", "conduit"}
)  # fmt: skip
#: What follows "not" up to the next stop is not said: "one way, not there and back".
_DENIED = re.compile(r"\bnot\b[^,.;:)]*")
#: What stands between the two ends of a run, and the words that it leaves behind.
_LINKS = re.compile(r"\b(?:to|from|and|thru)\b|>|(?<=\w)\s*[-–—/]\s*(?=\w)")
#: CU is copper here, and a consumer unit elsewhere.
_CU_OR_AL = re.compile(r"\bcu\s*/\s*al\w*|\bal\w*\s*/\s*cu\b")
_TOLD_BY_HEAD = ("designer", "crew", "utility", "office")
_OF_RUNS = frozenset(
    {"length", "distance", "run", "route", "cable", "wire", "conductor", "size", "section", "material", "raceway"}
)
_LINKING = frozenset({"to", "from", "run", "line", "cable", "thru", "and"})


@dataclass(frozen=True)
class Name:
    """A header taken apart: its words, the unit and the way of measuring lengths that it states."""

    header: str
    words: tuple[str, ...]
    unit: str | None = None
    lengths: str | None = None


@dataclass(frozen=True)
class Match:
    """A canonical column that a header may name.

    `whole`: every word counts and none is left; `exact` is that, of a name that means nothing else. `vague`: the name
    may mean something else in another office. `against` are the words that speak against it.
    """

    canonical: str
    score: float
    exact: bool
    bare: bool
    against: tuple[str, ...] = ()
    vague: bool = False
    whole: bool = False


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
    tokens = [part for token in cut(outside) for part in _unglued(token)]
    # The meter is a place before it is a unit of length.
    tokens = _run_between(outside, tokens, unit or _trailing_unit(tokens, words)[1], words)
    if unit is None:
        tokens, unit = _trailing_unit(tokens, words)
    else:
        tokens = [token for token in tokens if words.units.get(token) != unit or len(token) < 2]
    return Name(header, plain_words(tokens, words.spelling), unit, lengths)


@cache
def _unglued(token: str) -> tuple[str, ...]:
    """Return the two words that were written as one, such as JOBNO, HRLEN or Kabellengte; else the token itself.

    Both must be known. Two letters are too few to be a word, but for those that count, and a few short forms.
    """
    words = vocabulary()
    known = words.known | words.spelling.words.keys()
    if len(token) >= 5 and token not in known and token not in words.spelling.noise:
        for at in range(len(token) - 2, 1, -1):
            left, right = token[:at], token[at:]
            told = (right in known and len(right) >= 3) or right in words.units or right in ("no", "nr", "id")
            if left in known and told and (len(left) >= 3 or left in ("hr", "az", "tx", "xf", "mi", "br", "pf")):
                return (*words.spelling.words.get(left, (left,)), right)
    return (token,)


def _run_between(header: str, tokens: list[str], unit: str | None, words: Vocabulary) -> list[str]:
    """Name the run between two places, or to one: roof to combiner is a home run. Other headers stay as they are."""
    plain = _CU_OR_AL.sub(" ", folded(header))
    if not _LINKS.search(plain) or unit not in (None, "ft", "m", "mm", "cm", "in", "yd", "AWG", "mm2"):
        return tokens
    found, rest, first = _places(tokens, words)
    run = words.between.get(frozenset(found)) if len(found) == 2 else None
    measured = unit is not None or bool({*plain_words(rest, words.spelling)} & _OF_RUNS)
    if len(found) == 1 and first > 0 and rest[first - 1] == "to" and measured:
        run = words.towards.get(found[0])
    if found == ["array"] and rest[first : first + 1] == ["to"]:
        run = ("home", "run")
    if run is None:
        return tokens
    # In feet or metres, the wire between two places is its length.
    idle = _LINKING | {"wire", "conductor"} if unit in ("ft", "m", "yd") else _LINKING
    before, after = ([word for word in some if word not in idle] for some in (rest[:first], rest[first:]))
    return [*before, *run, *after]


def _places(tokens: list[str], words: Vocabulary) -> tuple[list[str], list[str], int]:
    """Return the places that tokens name, the other tokens, and where among those the first place stands."""
    at, found, rest = 0, list[str](), list[str]()
    first = len(tokens)
    while at < len(tokens):
        for wide in (4, 3, 2, 1):
            place = _place(" ".join(tokens[at : at + wide]), words) if at + wide <= len(tokens) else None
            if place is not None:
                found += [place] if place not in found else []
                first = min(first, len(rest))
                at += wide
                break
        else:
            rest.append(tokens[at])
            at += 1
    return found, rest, first


def _place(text: str, words: Vocabulary) -> str | None:
    """Return the place that a word or several name, however they are spelt."""
    return words.places.get(text) or words.places.get(" ".join(words.spelling.words.get(text, ())))


def way_of(text: str) -> tuple[str | None, str]:
    """Return whether a text says one-way or round-trip (None where it says neither, or both), and the rest of it."""
    body = re.sub(r"[\s_]+", " ", text)
    plain = _DENIED.sub(" ", folded(body))
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
    """Return the tokens without the unit that stands last, and the unit; longer units count anywhere.

    Words that are one thing together hold no unit: what a cable is "run in" is no figure in inches.
    """
    if tokens[-1:] == ["in"] and not _OF_INCHES & {*tokens}:
        return tokens, None
    if len(tokens) > 1 and " ".join(tokens[-2:]) not in words.spelling.joined:
        if " ".join(tokens[-2:]) in words.units:
            return tokens[:-2], words.units[" ".join(tokens[-2:])]
        if tokens[-1] in words.units:
            return tokens[:-1], words.units[tokens[-1]]
    for at, pair in enumerate(pairwise(tokens)):
        if " ".join(pair) in ("sq mm", "mm sq"):
            return tokens[:at] + tokens[at + 2 :], "mm2"
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
    best = _best_of_phrases(name, words)
    for inner, exact in _inner(name, words):
        for match in matches(read_name(inner)):
            if match.canonical not in best or match.score > best[match.canonical].score:
                best[match.canonical] = replace(match, exact=match.exact and exact)
    return tuple(sorted(best.values(), key=lambda match: (-match.score, match.canonical)))


def _best_of_phrases(name: Name, words: Vocabulary) -> dict[str, Match]:
    """Return the best match of each canonical column of which the words say enough."""
    best: dict[str, Match] = {}
    least = _said_otherwise(name.words, words)
    for phrase in _near_phrases(name.words, words):
        match = _match(name.words, phrase, words)
        enough = match.score >= LEAST_SCORE * (_BARE_SCORE if phrase.bare else 1) and match.score > least
        if enough and (phrase.canonical not in best or match.score > best[phrase.canonical].score):
            best[phrase.canonical] = match
    if not best and not least:
        return _told_by_head(name, words)
    if any(match.whole and not match.bare for match in best.values()):
        # What a name says whole, it does not say in part.
        part = [replace(match, score=match.score - _GENERAL) for match in best.values() if not match.whole]
        best |= {match.canonical: match for match in part}
        best = {one: match for one, match in best.items() if match.score >= LEAST_SCORE or match.bare}
    return best


def _told_by_head(name: Name, words: Vocabulary) -> dict[str, Match]:
    """Return what a name is of by its last word, whatever stands before: any crew is a crew. It is never sure."""
    if not name.words or {*name.words} & (words.somewhat_against | words.strongly_against):
        return {}
    head = frozenset({name.words[-1]})
    named = [canonical for canonical in _TOLD_BY_HEAD if head in words.own[canonical]]
    return {one: Match(one, LEAST_SCORE, exact=False, bare=False, vague=True) for one in named}


def _inner(name: Name, words: Vocabulary) -> list[tuple[str, bool]]:
    """Return what else a header says with a part of it left out, and whether that may count as exact.

    "Project: Permit Date" is what a database calls the field of a table; the table's name is no part of it, and may be
    none in "people.designer". What stands in brackets explains, unless it speaks against what stands before.
    """
    found = []
    field = name.header.rpartition(": ")[2].strip()
    if field and field != name.header.strip():
        found.append((field, True))
    path = name.header.strip().rpartition(".")
    if path[0] and path[2] and " " not in name.header.strip():
        found.append((path[2], False))
    bare = _BRACKETS.sub(" ", name.header).strip()
    inside = plain_words([word for some in _BRACKETS.findall(name.header) for word in cut(some)], words.spelling)
    if bare and bare != name.header.strip() and not set(inside) & (words.somewhat_against | words.strongly_against):
        found.append((f"{bare} {name.unit}" if name.unit else bare, False))
    return found


def _near_phrases(header: tuple[str, ...], words: Vocabulary) -> list[Phrase]:
    """Return the phrases that share a word with a header, spelling mistakes allowed for."""
    near = dict.fromkeys(known for word in header for known in _known_like(word))
    found = dict.fromkeys(phrase for word in near for phrase in words.having[word])
    return [phrase for phrase in found if _may_reach(phrase, near.keys(), len(header))]


def _may_reach(phrase: Phrase, near: Set[str], wide: int) -> bool:
    """Whether a phrase can score enough: as many of its words are near, and of the header's others all are soft."""
    most = sum(word in near for word in phrase.words)
    counted = most + _SOFT_WEIGHT * max(0, wide - most)
    return most == len(phrase.words) or 200.0 * most / (counted + len(phrase.words)) >= LEAST_SCORE * _BARE_SCORE


@cache
def _known_like(word: str) -> tuple[str, ...]:
    known = vocabulary().having
    if word in known:
        return (word,)
    return tuple(other for other in known if _likeness(other, word) > 0)


def _said_otherwise(header: tuple[str, ...], words: Vocabulary) -> float:
    """Return the score of the best phrase that names what the records hold no column for; 0 where none is whole."""
    best = 0.0
    held = set(header)
    for phrase in words.nothing:
        if phrase <= held:
            left = sum(_SOFT_WEIGHT if _is_soft(word) else 1.0 for word in held - phrase)
            best = max(best, 65.0 + 35.0 * len(phrase) / (left + len(phrase)))
    return best


def names_nothing(name: Name) -> bool:
    """Whether a header holds the whole of a phrase for which the records have no column."""
    return _said_otherwise(name.words, vocabulary()) > 0


def _is_soft(word: str) -> bool:
    return word in _SOFT or word.rstrip("%").isdecimal()


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
    if not phrase.part <= {*matched}:
        return Match(phrase.canonical, 0.0, exact=False, bare=False)
    whole = weight == len(phrase.words)
    counted = sum(_SOFT_WEIGHT if _is_soft(word) else 1.0 for word in left) + len(matched)
    score = 200.0 * weight / max(1, counted + len(phrase.words))
    if whole and len(phrase.words) > 1:
        # A header that holds the whole of a long phrase says it, whatever else it says.
        score = max(score, 65.0 + 35.0 * weight / max(1, counted))
    if not whole and all(word in words.general for word in matched):
        score -= _GENERAL
    if len(phrase.words) == 1 and not phrase.part and not phrase.bare and phrase.words[0] in words.general:
        score -= _PLAIN
    against = tuple(word for word in left if word in words.somewhat_against | words.strongly_against)
    score -= max((_STRONGLY if word in words.strongly_against else _SOMEWHAT for word in against), default=0)
    said = not fuzzy and not left and whole
    exact = said and not phrase.bare and not phrase.vague
    weakened = _BARE_SCORE if phrase.bare else _VAGUE_SCORE if phrase.vague else 1.0
    return Match(phrase.canonical, score * weakened, exact, phrase.bare, against, phrase.vague, said)


def _closest(word: str, candidates: list[str]) -> tuple[str | None, float]:
    if word in candidates:
        return word, 1.0
    best, how = None, 0.0
    for candidate in candidates:
        value = _likeness(word, candidate)
        if value > how:
            best, how = candidate, value
    return best, how


def _abbreviates(short: str, word: str) -> bool:
    """Whether a word's first letter, its last consonant and most others in between, in their order, make the short."""
    consonants = word[0] + re.sub(r"[aeiouy]", "", word[1:])
    letters = iter(consonants)
    inside = all(letter in letters for letter in short)
    return inside and short[0] == word[0] and short[-1] == consonants[-1] and len(short) >= 0.6 * len(consonants)


@cache
def _likeness(word: str, other: str) -> float:
    """Return how far two words are spellings of one: 0, or up to 0.9."""
    if min(len(word), len(other)) < 3 or other in vocabulary().known or any(c.isdigit() for c in word + other):
        return 0.0
    if len(other) >= 3 and (word.startswith(other) or _abbreviates(other, word)):
        return 0.85
    if min(len(word), len(other)) < 5:
        return 0.0
    ratio = fuzz.ratio(word, other)
    return 0.9 * ratio / 100 if ratio >= _CLOSE else 0.0
