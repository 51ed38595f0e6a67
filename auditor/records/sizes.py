"""The grammar of conductor sizes, which keeps gauges, cables and mangled dates apart."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from auditor.records.fault import Fault, clean, foreign_digits, shown

#: Words for the conductor's material that a size text may end with.
MATERIAL_WORDS = {"cu": "copper", "copper": "copper", "al": "aluminium", "alum": "aluminium"} | dict.fromkeys(
    ("aluminum", "aluminium"), "aluminium"
)

_FLAGS = re.ASCII | re.IGNORECASE
#: What may stand beside a wire's size: its insulation (types of the NEC and CSA C22.1, from memory) and its strands.
_INSULATION = r"(?:thhn|thwn|thw|tw|xhhw|rhh|rhw|use|rw90|rwu90|t90)(?:-2)?"
_BESIDE = re.compile(rf"{_INSULATION}(?:/{_INSULATION})*|stranded|solid|wires?|conductors?", _FLAGS)
_RACEWAY_AFTER = re.compile(r"\s+in\s+\S.*", _FLAGS)
_GAUGE = r"(?P<gauge>[1-4]/0|0{1,4}|[1-9]\d?)"
_SIZE = re.compile(
    rf"(?:(?P<mark>\#|no\.?\s*)\s*{_GAUGE}(?:\s*awg)?|awg\s*\#?{_GAUGE.replace('gauge', 'after')}"
    rf"|{_GAUGE.replace('gauge', 'before')}\s*awg|(?P<aught>[1-4]/0|0{{2,4}})"
    r"|(?P<kcmil>\d{2,4})\s*(?:kcmil|mcm)|(?P<mm2>\d+(?:\.\d+)?)\s*(?:mm2|mm\^2|sq\.?\s*mm)"
    r"|(?P<bare>\d+(?:\.\d+)?))",
    _FLAGS,
)
_CABLE = re.compile(
    r"\#?\d{1,3}(?:/0)?\s*[/-]\s*(?:[2-9]|\d{1,3}/0)\b.*|\d{1,3}(?:-\d{1,3}){2,}.*|\d\s*[x×cg#]\s*\#?\d.*", _FLAGS
)
_ISO_DATE = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[ T]\d{1,2}:\d{2}.*)?", re.ASCII)
_SLASH_DATE = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-]\d{2,4}", re.ASCII)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAMED_DATE = re.compile(
    r"(?:(\d{1,2})[ /-])?([a-z]{3,9})[ /-](\d{1,4})(?:,?[ /-]\d{2,4})?|(\d{1,2})[ -]([a-z]{3,9})", _FLAGS
)
#: Days that a spreadsheet counts from 1899-12-30; these serials are the years 1990 to 2099.
_SERIALS = range(32_874, 73_051)
_AUGHTS = {"0": "1/0", "00": "2/0", "000": "3/0", "0000": "4/0"}


@dataclass(frozen=True)
class Size:
    """A canonical size such as 10 AWG, 4/0 AWG, 250 kcmil or 6 mm2, with the material if the text states one."""

    size: str
    material: str | None = None


def parse_size(text: str, default_unit: str | None = None, decimal_mark: str | None = None) -> Size | Fault:
    """Return the canonical size.

    default_unit, "AWG" or "mm2", is what the mapping says of a bare figure; without it 6 may be either and is refused.
    10/2 is a cable of two 10 AWG conductors and not a size; 2026-10-02 is what a spreadsheet makes of it.
    Insulation and raceway may stand behind the size ("#10 Cu THWN-2 in 3/4 PVC") and are left out.
    """
    body = clean(text).replace("²", "2")
    if decimal_mark == ",":
        body = re.sub(r"(\d),(\d)", r"\1.\2", body)
    if foreign_digits(body):
        return Fault("type-error", f"{shown(body)} has non-ASCII digits")
    stem, material = _bare_size(body)
    match = _SIZE.fullmatch(stem)
    if match is not None and match["bare"] is None:
        return _canonical(match, material, body)
    date_fault = _looks_like_date(stem)
    if date_fault is not None:
        return date_fault
    if match is not None:
        return _with_default_unit(match["bare"], default_unit, material, body)
    if _CABLE.fullmatch(body):
        return Fault("cable-not-size", f"{shown(body)} names a cable; write the size of one conductor, such as 10 AWG")
    return Fault("type-error", f"{shown(body)} is not a conductor size such as 10 AWG, 4/0, 250 kcmil or 6 mm2")


def _bare_size(body: str) -> tuple[str, str | None]:
    """Return a text without the material, insulation and raceway that stand behind the size, and the material."""
    words = _RACEWAY_AFTER.sub("", body).split()
    plain = [word.rstrip(",").lower() for word in words]
    materials = [word for word in plain[1:] if word in MATERIAL_WORDS]
    kept = [
        word
        for at, word in enumerate(words)
        if not at or not (plain[at] in MATERIAL_WORDS or _BESIDE.fullmatch(plain[at]))
    ]
    if len(materials) > 1 or not kept:
        return body, None
    return " ".join(kept).rstrip(" ,-"), MATERIAL_WORDS[materials[0]] if materials else None


def _canonical(match: re.Match[str], material: str | None, body: str) -> Size | Fault:
    gauge = match["gauge"] or match["after"] or match["before"] or match["aught"]
    if gauge is not None:
        gauge = _AUGHTS.get(gauge, gauge)
        if not gauge.endswith("/0") and int(gauge) > 40:
            return Fault("constraint-error", f"{shown(body)}: no wire gauge is beyond 40 AWG")
        return Size(f"{gauge} AWG", material)
    if match["kcmil"] is not None:
        return _kcmil(int(match["kcmil"]), material, body)
    return _square_millimetres(match["mm2"], material, body)


def _kcmil(area: int, material: str | None, body: str) -> Size | Fault:
    if not 200 <= area <= 3000:
        return Fault("constraint-error", f"{shown(body)}: a size in kcmil lies between 200 and 3000")
    return Size(f"{area} kcmil", material)


def _square_millimetres(figure: str, material: str | None, body: str) -> Size | Fault:
    area = float(figure)
    if not 0.1 <= area <= 3000:
        return Fault("constraint-error", f"{shown(body)}: a size in mm2 lies between 0.1 and 3000")
    return Size(f"{area:.10g} mm2", material)


def _with_default_unit(figure: str, unit: str | None, material: str | None, body: str) -> Size | Fault:
    if unit is None:
        return Fault(
            "ambiguous-unit",
            f'{shown(body)} has no unit: AWG or mm2? Write unit = "AWG" or "mm2" for this column in the mapping',
        )
    parsed = parse_size(f"{figure} {unit}")
    return Size(parsed.size, material) if isinstance(parsed, Size) else parsed


def _looks_like_date(text: str) -> Fault | None:
    """Return the fault of a size that a spreadsheet has turned into a date, naming what was likely typed."""
    month_day = _month_and_day(text)
    if month_day is None:
        return None
    return Fault(
        "looks-like-date",
        f"{shown(text)} looks like a date made from {month_day[0]}/{month_day[1]}; write the size of one conductor, "
        "such as 10 AWG, in a cell formatted as text",
    )


def _month_and_day(text: str) -> tuple[int, int] | None:
    iso = _ISO_DATE.fullmatch(text)
    if iso is not None:
        return int(iso[2]), int(iso[3])
    slashed = _SLASH_DATE.fullmatch(text)
    if slashed is not None:
        return int(slashed[1]), int(slashed[2])
    if text.isdecimal() and len(text) == 5 and int(text) in _SERIALS:
        day = date(1899, 12, 30) + timedelta(days=int(text))
        return day.month, day.day
    named = _NAMED_DATE.fullmatch(text)
    if named is None:
        return None
    month = (named[2] or named[5]).lower()[:3]
    if month not in _MONTHS:
        return None
    return _MONTHS.index(month) + 1, int(named[1] or named[3] or named[4])
