"""What a customer says that may be a hot connection or an open neutral, found by the stems of words.

A negation ("no smell") cannot be read this way: it calls all the same, and the sentence names the words.
"""

from __future__ import annotations

import re

from auditor.triage.safety import WORDS, Alarm

#: Stems of words, each from the beginning of a word on; what follows is its ending. Heat of the weather, and of water
#: and tubs, is not meant.
_WEATHER = (
    "day|weather|summer|season|afternoon|noon|climate|spell|sun|month|water|tub|tag|sommer|wetter|mittag|nachmittag"
)
_NOT_WEATHER = rf"\b(?!\W+(?:and\W+)?(?:{_WEATHER}))"
_DEVICE = r"(?:tv|television|fridge|freezer|appliance|bulb|lamp|light|electronic|charger|computer)\w*"
_FAILED = r"(?:broke|fail|die[sd]\b|dead\b|blew|blown|fried|damag|destroy)\w*"
_NEAR = r"\W+(?:\w+\W+){0,3}?"
STEMS = (
    "burn", "smell", "odou?r", "smok", "scorch", "singe", "char(?:red|ring)", f"hot(?:ter)?{_NOT_WEATHER}", "overheat",
    "melt", "buzz", "crackl", "sizzl", "spark", r"arc(?:s|ed|ing)?\b", "fire", "flame", "flicker",
    rf"bright\w*{_NOT_WEATHER}", r"dim(?:s|med|mer|ming)?\b", "shock", "tingl", r"zap(?:s|ped)?\b",
    f"{_DEVICE}{_NEAR}{_FAILED}", f"{_FAILED}{_NEAR}{_DEVICE}",
    # Spanish and Portuguese
    "quema", "queim", "olor", "huele", "cheiro", "humo", "fumaç", "recalent", "superaquec", "derret", "zumb", "chisp",
    "faísc", "faisc", "parpade", "calambr", "choque", "formigament", "hormigue",
    # French and Italian
    "brûl", "brul", "odeur", "fumée", "fumee", "surchauff", "fond(?:u|re)", "bourdonn", "étincel", "etincel", "clignot",
    "scintill", "bruci", "odore", "puzza", "fumo", "surriscald", "scossa", "sfarfall", "ronz",
    # German and Dutch
    "verbrann", "verschmor", "schmor", "brenn", "geruch", "riech", "rauch", rf"hei(?:ß|ss)\w*{_NOT_WEATHER}",
    "überhitz", "geschmolz", "schmilz", "brumm", r"summ(?:t|en)\b", "funke", "lichtbogen", "flacker", "flimmer",
    "kribbel", "stromschlag", "verbrand", "geur", "ruik", "rook", "oververhit", "gesmolt", "zoem", "vonk", "knipper",
    "flikker", "tintel",
)  # fmt: skip
_ANY = re.compile(rf"\b(?:{'|'.join(STEMS)})\w*", re.IGNORECASE)
#: Words that are named at most, and their length.
MOST, LONGEST = 6, 40


def said(text: str | None) -> list[Alarm]:
    """A call for what a complaint's text says; none where it holds no such word."""
    words = dict.fromkeys(" ".join(match.lower().split())[:LONGEST] for match in _ANY.findall(text or ""))
    if not words:
        return []
    named = ", ".join(f"\u201c{word}\u201d" for word in list(words)[:MOST])
    return [
        Alarm(
            WORDS,
            f"The customer's words {named} may mean a hot connection or an open neutral; whether something is denied"
            " is not read.",
        )
    ]
