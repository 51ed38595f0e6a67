"""The synonym table, `auditor/records/data/synonyms.toml`, ready for use; it is read once."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib import resources

from auditor.records.schema import RUN_COLUMNS

_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_CUT = re.compile(r"[^a-z0-9%°'\"^+]+|\+|(?<![a-z0-9])['\"]")


@dataclass(frozen=True)
class Phrase:
    """Words that name a canonical column. `bare` says that they name a part's attribute without the part."""

    words: tuple[str, ...]
    canonical: str
    bare: bool = False


@dataclass(frozen=True)
class Vocabulary:
    """The synonym table with its phrases in plain words. `units` maps a spelling to the unit a mapping declares."""

    words: dict[str, tuple[str, ...]]
    noise: frozenset[str]
    somewhat_against: frozenset[str]
    strongly_against: frozenset[str]
    never: frozenset[str]
    general: frozenset[str]
    places: dict[str, str]
    between: dict[frozenset[str], tuple[str, ...]]
    units: dict[str, str]
    lengths: dict[str, str]
    phrases: tuple[Phrase, ...]
    codes: dict[str, dict[str, str]]
    plausible: dict[str, tuple[float, float]]
    known: frozenset[str]


def folded(text: str) -> str:
    """Return a text in lower case without accents; line breaks and underscores are spaces."""
    plain = unicodedata.normalize("NFKD", text.replace("’", "'").replace("″", '"').replace("′", "'"))
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
    words = {short: tuple(word.split()) for word, shorts in data["words"].items() for short in shorts}
    noise = frozenset(data["noise"]["words"])
    phrases = _phrases(data, words, noise)
    return Vocabulary(
        words=words,
        noise=noise,
        somewhat_against=frozenset(data["against"]["somewhat"]),
        strongly_against=frozenset(data["against"]["strongly"]),
        never=frozenset(data["against"]["never"]),
        general=frozenset(data["general"]["words"]),
        places={spelling: place for place, spellings in data["places"].items() for spelling in spellings},
        between={
            frozenset(pair.split()): tuple(run.split()) for run, pairs in data["between"].items() for pair in pairs
        },
        units={spelling: unit for unit, spellings in data["units"].items() for spelling in spellings},
        lengths={phrase: way for way, phrases in data["lengths"].items() for phrase in phrases},
        phrases=phrases,
        codes={
            column: {spelling: value for value, spellings in codes.items() for spelling in spellings}
            for column, codes in data["codes"].items()
        },
        plausible={name: (float(low), float(high)) for name, (low, high) in data["plausible"].items()},
        known=frozenset(word for phrase in phrases for word in phrase.words),
    )


def plain_words(tokens: list[str], words: dict[str, tuple[str, ...]], noise: frozenset[str]) -> tuple[str, ...]:
    """Return words in the spelling of the phrases, in order and each once, without those that say nothing."""
    found: list[str] = []
    for token in tokens:
        if token in noise:
            continue
        single = token[:-1] if len(token) > 3 and token.endswith("s") and not token.endswith("ss") else token
        found += words.get(token) or words.get(single) or (single,)
    return tuple(dict.fromkeys(found))


def _phrases(
    data: dict[str, dict[str, list[str]]], words: dict[str, tuple[str, ...]], noise: frozenset[str]
) -> tuple[Phrase, ...]:
    def plain(text: str) -> tuple[str, ...]:
        return plain_words(cut(text), words, noise)

    found: dict[Phrase, None] = {}
    for canonical, phrases in data["columns"].items():
        for text in (*phrases, canonical.rsplit("_", 1)[0] if canonical.endswith(_UNIT_ENDS) else canonical):
            found[Phrase(plain(text), canonical)] = None
    for canonical, (role, column) in RUN_COLUMNS.items():
        attribute = column.removesuffix("_m")
        for named in data["attributes"][attribute]:
            for part in data["parts"][role.replace(" ", "_")]:
                found[Phrase(plain(f"{part} {named}"), canonical)] = None
        for named in data["bare"][attribute]:
            found[Phrase(plain(named), canonical, bare=True)] = None
    return tuple(phrase for phrase in found if phrase.words)


_UNIT_ENDS = ("_m", "_mm", "_a", "_c", "_kva", "_kw", "_deg", "_pct")
