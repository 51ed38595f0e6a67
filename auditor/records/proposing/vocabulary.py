"""The synonym table, `auditor/records/data/synonyms.toml`, ready for use; it is read once."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from auditor.records.schema import RUN_COLUMNS, simple_columns

_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_CUT = re.compile(r"[^a-z0-9%°'\"^+]+|\+|(?<![a-z0-9])['\"]")


@dataclass(frozen=True)
class Phrase:
    """Words that name a canonical column.

    `bare` says that they name a run's attribute without the run, `vague` that they are never sure. `part` are the words
    that name the run: without all of them the phrase says nothing.
    """

    words: tuple[str, ...]
    canonical: str
    bare: bool = False
    vague: bool = False
    part: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Spelling:
    """How words become those of the phrases: several words that are one thing first, then word by word."""

    words: dict[str, tuple[str, ...]]
    joined: dict[str, str]
    noise: frozenset[str]


@dataclass(frozen=True)
class Vocabulary:
    """The synonym table with its phrases in plain words. `units` maps a spelling to the unit a mapping declares.

    `own` gives the words of each column of which a name must hold a set to be sure.
    """

    spelling: Spelling
    somewhat_against: frozenset[str]
    strongly_against: frozenset[str]
    versions: frozenset[str]
    never: frozenset[str]
    general: frozenset[str]
    places: dict[str, str]
    between: dict[frozenset[str], tuple[str, ...]]
    towards: dict[str, tuple[str, ...]]
    units: dict[str, str]
    lengths: dict[str, str]
    phrases: tuple[Phrase, ...]
    having: dict[str, tuple[Phrase, ...]]
    nothing: tuple[frozenset[str], ...]
    codes: dict[str, dict[str, str]]
    plausible: dict[str, tuple[float, float]]
    own: dict[str, tuple[frozenset[str], ...]]
    known: frozenset[str]


#: Signs that stand for a word: primes, the phase sign, the phase angle, micro.
_SIGNS = str.maketrans(
    {"’": "'", "″": '"', "′": "'", "φ": "phi", "ϕ": "phi", "Φ": "phi", "Ø": " phase ", "⌀": " phase ",
     "µ": "micro", "μ": "micro", "→": " to ", "×": "x"}
)  # fmt: skip


def folded(text: str) -> str:
    """Return a text in lower case without accents; line breaks and underscores are spaces."""
    plain = unicodedata.normalize("NFKD", text.translate(_SIGNS))
    return re.sub(r"[\s_]+", " ", "".join(c for c in plain if not unicodedata.combining(c)).lower()).strip()


def cut(text: str) -> list[str]:
    """Return the bare words of a header, in lower case: InvQty and inv_qty are both inv, qty."""
    if " " not in text.strip() and len(text) > 4 and not text.isupper():
        text = _CAMEL.sub(" ", text)
    body = re.sub(r"#(?=\s|$|\W)", " number ", folded(text).replace("&", " and "))
    body = re.sub(r"(?<=[a-z])'(?=[a-z])", "", re.sub(r"\bp/n\b", "part number", body))
    body = re.sub(r'(?<=[a-z])\s*"\s*$', " in", re.sub(r"(?<=[a-z])\s*'\s*$", " ft", body))
    return [word for word in _CUT.split(body) if word]


@cache
def vocabulary() -> Vocabulary:
    """Return the synonym table."""
    text = resources.files("auditor.records.data").joinpath("synonyms.toml").read_text("utf-8")
    data = tomllib.loads(text)
    spelling = Spelling(
        {short: tuple(word.split()) for word, shorts in data["words"].items() for short in shorts},
        {several: word for word, all_of in data["joined"].items() for several in all_of},
        frozenset(data["noise"]["words"]),
    )
    phrases = _phrases(data, spelling)
    having: dict[str, list[Phrase]] = {}
    for phrase in phrases:
        for word in phrase.words:
            having.setdefault(word, []).append(phrase)
    return Vocabulary(
        spelling=spelling,
        somewhat_against=frozenset(data["against"]["somewhat"]),
        strongly_against=frozenset(data["against"]["strongly"]),
        versions=frozenset(data["against"]["versions"]),
        never=frozenset(data["against"]["never"]),
        general=frozenset(data["general"]["words"]),
        places={text: place for place, texts in data["places"].items() for text in texts},
        between={
            frozenset(pair.split()): tuple(run.split()) for run, pairs in data["between"].items() for pair in pairs
        },
        towards={place: tuple(run.split()) for place, run in data["towards"].items()},
        units={text: unit for unit, texts in data["units"].items() for text in texts},
        lengths={phrase: way for way, phrases in data["lengths"].items() for phrase in phrases},
        phrases=phrases,
        having={word: tuple(found) for word, found in having.items()},
        nothing=tuple(
            {frozenset(plain_words(cut(text), spelling)) for text in data["nothing"]["phrases"]} - {frozenset()}
        ),
        codes={
            column: {text: value for value, texts in codes.items() for text in texts}
            for column, codes in data["codes"].items()
        },
        plausible={name: (float(low), float(high)) for name, (low, high) in data["plausible"].items()},
        own={canonical: _own(canonical, data["own"].get(canonical, []), spelling) for canonical in simple_columns()},
        known=frozenset(word for phrase in phrases for word in phrase.words),
    )


def _own(canonical: str, named: list[str], spelling: Spelling) -> tuple[frozenset[str], ...]:
    if canonical in RUN_COLUMNS:
        return (frozenset(RUN_COLUMNS[canonical][0].split()),)
    return tuple(frozenset({word}) for word in named or plain_words(cut(canonical), spelling))


def plain_words(tokens: list[str], spelling: Spelling) -> tuple[str, ...]:
    """Return words in the spelling of the phrases, in order and each once, without those that say nothing."""
    found: list[str] = []
    for token in _with_joined(tokens, spelling.joined):
        if token in spelling.noise:
            continue
        plural = len(token) > 3 and token.endswith("s") and not token.endswith(("ss", "us", "is"))
        single = token[:-1] if plural else token
        found += spelling.words.get(token) or spelling.words.get(single) or (single,)
    return tuple(dict.fromkeys(found))


def _with_joined(tokens: list[str], joined: dict[str, str]) -> list[str]:
    """Return the tokens with those that are one thing together put into its words: "drawn by" is a designer."""
    found: list[str] = []
    at = 0
    while at < len(tokens):
        for wide in (4, 3, 2):
            word = joined.get(" ".join(tokens[at : at + wide])) if at + wide <= len(tokens) else None
            if word is not None:
                found += word.split()
                at += wide
                break
        else:
            found.append(tokens[at])
            at += 1
    return found


def _phrases(data: dict[str, dict[str, list[str]]], spelling: Spelling) -> tuple[Phrase, ...]:
    def plain(text: str) -> tuple[str, ...]:
        words = cut(text)
        found = plain_words(words, spelling)
        # What is one word only because the others say nothing would name too much: "solar on transformer".
        return found if len(found) > 1 or not spelling.noise & {*words} else ()

    said_of_runs = {word for named in data["attributes"].values() for text in named for word in plain(text)}
    found: dict[Phrase, None] = {}
    for vague, section in ((False, "columns"), (True, "also")):
        for canonical, phrases in data[section].items():
            itself = canonical.rsplit("_", 1)[0] if canonical.endswith(_UNIT_ENDS) else canonical
            for text in (*phrases, *(() if vague else (itself,))):
                words = plain(text)
                part = frozenset(words) - said_of_runs if canonical in RUN_COLUMNS else frozenset()
                found[Phrase(words, canonical, vague=vague, part=part)] = None
    found |= dict.fromkeys(_run_phrases(data, plain, said_of_runs))
    return tuple(phrase for phrase in found if phrase.words)


def _run_phrases(
    data: dict[str, dict[str, list[str]]], plain: Callable[[str], tuple[str, ...]], said_of_runs: set[str]
) -> list[Phrase]:
    """Return each run's names with each name of an attribute, and the attributes alone."""
    found = []
    for canonical, (role, column) in RUN_COLUMNS.items():
        attribute = column.removesuffix("_m")
        for part in data["parts"][role.replace(" ", "_")]:
            naming = frozenset(plain(f"{part} length")) - said_of_runs
            found += [Phrase(plain(f"{part} {said}"), canonical, part=naming) for said in data["attributes"][attribute]]
        found += [Phrase(plain(said), canonical, bare=True) for said in data["bare"][attribute]]
    return found


_UNIT_ENDS = ("_m", "_mm", "_a", "_c", "_kva", "_kw", "_deg", "_pct")
