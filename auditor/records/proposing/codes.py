"""What an office's codes mean: choices, services, arm counts. What is not plain stays as it is."""

from __future__ import annotations

import re
from collections.abc import Sequence

from auditor.records.fault import Fault
from auditor.records.proposing.angles import azimuths_of, tilts_of
from auditor.records.proposing.cells import NO, YES
from auditor.records.proposing.phases import phases_of
from auditor.records.proposing.vocabulary import cut, folded, vocabulary
from auditor.records.schema import SERVICES, Column
from auditor.records.words import parse_choice, parse_service

_DELTA = re.compile(r"delta|δ|high.?leg|wild.?leg|\bd\s?\d{3}|\d{3}\s?d\b|corner|network|scott", re.IGNORECASE)
_THREE = re.compile(r"\b3\s?-?\s?(?:ph|p|[øφ]|phase)|three.?phase|\btri|dreiphas|3\s?[x×~n]", re.IGNORECASE)
_SINGLE = re.compile(r"\b1\s?-?\s?(?:ph|p|phase)\b|\b1\s?[øφ]|single|split|mono|einphas|1\s?[x×~]", re.IGNORECASE)
_BY_VOLTS = {
    frozenset({120, 240}): "120/240",
    frozenset({120, 208}): "208Y/120",
    frozenset({277, 480}): "480Y/277",
    frozenset({230}): "230",
    frozenset({230, 400}): "400Y/230",
}
#: A service told by the voltage between phases alone; it must be said to have three of them.
_THREE_PHASE = {208: "208Y/120", 480: "480Y/277", 400: "400Y/230"}


def service_of(text: str) -> str | None:
    """Return the canonical service that a text plainly states, or None.

    A delta has none, nor has 240 V alone, which a delta has too.
    """
    if parse_service(text) in SERVICES:
        return parse_service(text)
    if _DELTA.search(text):
        return None
    volts = frozenset(int(found) for found in re.findall(r"(?<!\d)\d{3}(?!\d)", text))
    three, single = _THREE.search(text) is not None, _SINGLE.search(text) is not None
    if three and single:
        return None
    service = _BY_VOLTS.get(volts)
    if service is not None:
        return None if (single and "Y" in service) or (three and "Y" not in service) else service
    if len(volts) == 1 and not single:
        (only,) = volts
        wye = re.search(r"\d\s?(?:wye|star|y)\b|\by\s?\d{3}|wye|star", text, re.IGNORECASE) is not None
        return _THREE_PHASE.get(only) if three or wye or only == 400 else None
    return "120/240" if volts == {240} and single else None


def like_a_service(text: str) -> bool:
    """Whether a cell speaks of a service, understood or not: a voltage that services have, or a number of phases."""
    return _VOLTS.search(text) is not None or (len(text) <= 20 and bool(_THREE.search(text) or _SINGLE.search(text)))


_VOLTS = re.compile(r"(?<!\d)(?:120|208|230|240|277|347|380|400|415|480|600)(?!\d)")


def choice_of(text: str, column: Column, code_table: str) -> str | None:
    """Return the canonical choice that a cell means, or None."""
    read = parse_choice(text, column.choices)
    if not isinstance(read, Fault):
        return read
    codes = vocabulary().codes.get(code_table, {})
    value = codes.get(folded(text)) or codes.get(" ".join(cut(text)))
    return value if value in column.choices else None


def choice_within(text: str, column: Column, code_table: str) -> str | None:
    """Return the one choice of which a longer cell holds a spelling of three letters or more, or None.

    "3/4 EMT" holds one, "load or line side" two. The longest spelling is taken out first: "center-fed, at end".
    """
    if column.name not in _LOOKED_INTO or (column.name == "material" and any(c.isdigit() for c in text)):
        return None
    codes = vocabulary().codes.get(code_table, {})
    spellings = codes | {folded(choice): choice for choice in column.choices}
    body, found = f" {' '.join(cut(text))} ", set[str]()
    for spelling in sorted(spellings, key=len, reverse=True):
        plain = " ".join(cut(spelling))
        if (len(plain) >= 3 or plain in ("cu", "al")) and f" {plain} " in body:
            found.add(spellings[spelling])
            body = body.replace(f" {plain} ", " ")
    value = found.pop() if len(found) == 1 else None
    return value if value in column.choices else None


def is_guessed(text: str, canonical: str, column: Column) -> bool:
    """Whether a cell is understood only from a part of it, or leaves a choice of three open."""
    if column.name not in _LOOKED_INTO or (text.lower() in YES | NO and len(column.choices) == 2):
        return False
    return choice_of(text, column, table_of(canonical, column)) is None


_LOOKED_INTO = frozenset({"connection_side", "backfeed_position", "material", "raceway", "feed"})


def table_of(canonical: str, column: Column) -> str:
    """Return the name of a column's code table."""
    return canonical if canonical in vocabulary().codes else column.name


def translations(texts: Sequence[str], canonical: str, column: Column, header: str) -> dict[str, str]:
    """Return cell -> canonical value, for every cell that is understood (those that need no translation included)."""
    if canonical == "service":
        return {text: service for text in texts if (service := service_of(text)) is not None}
    if canonical == "azimuth_deg":
        return azimuths_of(texts)
    if canonical == "tilt_deg":
        return tilts_of(texts, header)
    if column.kind == "arms":
        return {text: re.sub(r"\s*[+/|,;&]\s*", "+", text) for text in texts if re.fullmatch(_ARMS, text)}
    if column.kind == "current":
        return {text: found[1] or found[2] for text in texts if (found := _RATED.fullmatch(text)) is not None}
    if column.kind == "size":
        return {text: f"{found[1]} AWG" for text in texts if (found := _GAUGE.fullmatch(text)) is not None}
    if column.kind != "choice":
        return {}
    if canonical == "circuit_phases":
        return phases_of(texts)
    table = table_of(canonical, column)
    said = {text: value for text in texts if (value := choice_of(text, column, table)) is not None}
    if canonical == "connection_side" and not {"s", "ss"} & {folded(text) for text in texts}:
        # L and LS are load or line; beside S or SS, which are supply, they are load.
        said = {text: value for text, value in said.items() if folded(text) not in ("l", "ls")}
    if len(said) < len(texts):
        said |= _yes_or_no(texts, canonical, column, header)
    within = {text: choice_within(text, column, table) for text in texts if text not in said}
    return said | {text: value for text, value in within.items() if value is not None}


#: A breaker's rating with its trip curve or its poles beside it: B16, 20A/2P, 2P-20A, 20/2.
_RATED = re.compile(
    r"[BCDK]\s?-?(\d{1,3})\s?A?|(?:[1-4]\s?P\s?[-/ ]?\s?)?(\d{1,4})\s?A?[TF]?(?:\s?[-/ ]?\s?[1-4]\s?P|\s?/\s?[1-4])?",
    re.IGNORECASE,
)
_GAUGE = re.compile(r"#?\s?(\d{1,2}|[1-4]/0)\s?-?(?:ga|gauge)\.?", re.IGNORECASE)
_ARMS = r"\d{1,4}(?:\s*[+/|,;&]\s*\d{1,4})*"


def _yes_or_no(texts: Sequence[str], canonical: str, column: Column, header: str) -> dict[str, str]:
    """Read yes and no under a header that names one of two choices, such as "Supply side?".

    A home run that does not meet the middle of its trunk is taken to meet an end, and the other way.
    """
    choices = [choice for choice in column.choices if choice != "arms"]
    if len(choices) != 2 or not all(text.lower() in YES | NO for text in texts):
        return {}
    words = [word for word in cut(header) if len(word) > 1]
    named = {choice_of(word, column, table_of(canonical, column)) for word in words} - {None}
    if len(named) != 1:
        return {}
    yes = str(named.pop())
    if yes not in choices:
        return {}
    no = next(choice for choice in choices if choice != yes)
    return {text: yes if text.lower() in YES else no for text in texts}
