"""Names that may be one under two spellings. They are told and never joined: who somebody is, a person decides."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np
from rapidfuzz import process
from rapidfuzz.distance import OSA

#: Names that are looked at: beyond so many, almost any name lies near another.
MOST_NAMES = 3_000
#: Letters that a word needs for a slip of one letter to be told from another word.
LEAST_LETTERS = 5

Words = tuple[str, ...]


def alike(names: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of names that differ in case, accents, punctuation or the order of words alone, or by one slip.

    A slip is a letter more, less, changed or swapped with its neighbour (L. Damerau, Comm. ACM 7:171-176, 1964) in one
    word of five letters or more. Figures are no slips: `Crew 1` and `Crew 2` are two. Each pair, and all of them, in
    the order of `names`.
    """
    held = list(dict.fromkeys(names))[:MOST_NAMES]
    words = [_words(name) for name in held]
    found = _same_words(words) | _one_slip(words)
    return [(held[one], held[other]) for one, other in sorted(found)]


def _words(name: str) -> Words:
    """A name's words as they are compared."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))
    return tuple(re.findall(r"\w+", plain))


def _same_words(words: Iterable[Words]) -> set[tuple[int, int]]:
    places = defaultdict(list)
    for place, some in enumerate(words):
        places[tuple(sorted(some))].append(place)
    return {pair for held in places.values() for pair in combinations(held, 2)}


def _one_slip(words: Iterable[Words]) -> set[tuple[int, int]]:
    """Names whose words are the same but for one long word, which is one slip from the other's."""
    places = defaultdict(list)
    for place, some in enumerate(words):
        for at, word in enumerate(some):
            if len(word) >= LEAST_LETTERS and word.isalpha():
                places[some[:at], some[at + 1 :]].append((place, word))
    found: set[tuple[int, int]] = set()
    for held in places.values():
        if len(held) > 1:
            near = process.cdist([word for _, word in held], [word for _, word in held], scorer=OSA.distance,
                                 score_cutoff=1)  # fmt: skip
            found |= {(held[i][0], held[j][0]) for i, j in np.argwhere(near == 1) if held[i][0] < held[j][0]}
    return found
