"""Whether a column's cells can be those of a canonical column."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from auditor.records.proposing.cells import (
    Cells,
    figure,
    has_letters,
    is_date,
    is_length,
    is_plain_figure,
    is_size,
    is_usual_size,
    size_unit,
)
from auditor.records.proposing.codes import like_a_service, translations
from auditor.records.proposing.vocabulary import folded, vocabulary
from auditor.records.quantities import UNITS
from auditor.records.schema import Column

AGREES, POSSIBLE, CONTRADICTS = 2, 1, 0
_MOST = 0.9
_MANY = 0.6
#: Ratings of breakers and boards [A]: NEC 240.6(A) and IEC 60898-1, 60947-2.
_STANDARD_A = frozenset(
    (6, 10, 13, 15, 16, 20, 25, 30, 32, 35, 40, 45, 50, 60, 63, 70, 80, 90, 100, 110, 125, 150, 160, 175, 200, 225, 250,
     300, 315, 320, 350, 400, 450, 500, 600, 630, 700, 800, 1000, 1200, 1250, 1600, 2000, 2500, 3000, 3200, 4000)
)  # fmt: skip
_FROM_SOUTH = re.compile(r"\b(?:s|south)\s*=\s*0|\b0\s*°?\s*=?\s*(?:s|south)\b|(?:from|of) (?:due )?south")
_STEPPED_ID = re.compile(r"[1-9]\d?[.][1-9]\d?")
_CODES = re.compile(r"\b(nec|nfpa ?70|iec|bs ?7671|as ?/? ?nzs|cec|csa|vde|din|nf ?c|sans|rebt|cei)\b", re.IGNORECASE)
#: Standards and rules of grid protection, which are no installation codes.
GRID_STANDARD = re.compile(
    r".*(?:(?<!\d)(?:1547|1741|4777|4105|50549)|\brule ?21|\bg9[89]\b|\bnrs ?097|\bcei 0-21).*", re.IGNORECASE
)
_EDITION = re.compile(
    r"(?:[a-z][a-z/ ]*[ -]?\d{0,5}[:\s-]*)?(?:19[89]|20[0-4])\d(?:\s*nec)?(?:[ :+-].*)?"
    r"|\d{2}(?:st|nd|rd|th)(?: ed.*)?|'?\d{2}",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Fit:
    """AGREES: the cells are such as this column has. POSSIBLE: nothing speaks against. CONTRADICTS: they cannot."""

    level: int
    reason: str


@dataclass(frozen=True)
class Setting:
    """What is known of the file as a whole, and of the column's header."""

    decimal_mark: str | None = None
    unit: str | None = None
    header: str = ""
    whole: bool = False


def fit(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    """Return how well cells fit a canonical column, with the reason in words."""
    if not cells.filled:
        return Fit(POSSIBLE, "no cell says anything")
    return _FITS[column.kind](canonical, column, cells, setting)


def unit_fits(canonical: str, column: Column, unit: str | None) -> bool:
    """Whether a header's unit can be this column's."""
    if unit is None:
        return True
    if column.kind == "size":
        return unit in ("AWG", "mm2")
    if unit == "V":
        return canonical == "service"
    if column.kind == "integer" and unit == "A":
        return False
    return unit.lower() in UNITS[column.unit] if column.kind in ("length", "number", "current") else False


def scaled(value: float, unit: str, column: Column) -> float | None:
    """Return a figure of that unit in the column's own unit; None where the unit cannot become it."""
    if not unit:
        return value
    found = UNITS[column.unit].get(unit.rstrip("."))
    return None if found is None else value * found[0] + found[1]


def _figures(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    if column.unit == "°C" and setting.unit is None:
        told = [_figures(canonical, column, cells, replace(setting, unit=one)) for one in ("degc", "degf")]
        return max(told, key=lambda one: one.level)
    said = translations(cells.distinct, canonical, column, setting.header)
    if canonical in ("azimuth_deg", "tilt_deg") and said and cells.share(lambda text: text in said) >= _MANY:
        kind = "compass points" if canonical == "azimuth_deg" else "roof pitches"
        most = cells.share(lambda text: text in said) >= _MOST
        return Fit(AGREES if most else POSSIBLE, f"{kind} such as {next(iter(said))!r}")
    if canonical == "azimuth_deg" and _FROM_SOUTH.search(folded(setting.header)):
        return Fit(CONTRADICTS, "the header counts from south")
    renamed = said if column.kind == "current" else {}
    unit = (setting.unit or column.unit).lower()
    values: list[float] = []
    for text in cells.filled:
        read = figure(renamed.get(text, text), setting.decimal_mark)
        value = None if read is None else scaled(read[0], read[1] or unit, column)
        if read is not None and not read[1] and column.unit in ("", "1"):
            value = read[0]
        if value is not None:
            values.append(value)
    if len(values) < _MANY * len(cells.filled):
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no figures of it")
    if column.kind == "integer" and any(value != int(value) for value in values):
        return Fit(CONTRADICTS, "its figures are not whole")
    return _within(canonical, column, values, len(values) >= _MOST * len(cells.filled))


def _within(canonical: str, column: Column, values: list[float], most: bool) -> Fit:
    low, high = vocabulary().plausible.get(canonical, (column.minimum or 0.0, column.maximum or 1e9))
    hard_low = column.minimum if column.minimum is not None else -1e12
    hard_high = column.maximum if column.maximum is not None else 1e12
    if sum(hard_low <= value <= hard_high for value in values) < _MANY * len(values):
        return Fit(CONTRADICTS, f"figures from {min(values):g} to {max(values):g} cannot be it")
    inside = sum(low <= value <= high for value in values) / len(values)
    told = f"figures from {min(values):g} to {max(values):g}"
    if canonical == "azimuth_deg" and min(values) < 0:
        return Fit(CONTRADICTS, "negative figures are not counted from north")
    if canonical in ("latitude_deg", "longitude_deg") and all(value == int(value) for value in values):
        return Fit(POSSIBLE, f"{told} without decimals")
    if inside < 0.5:
        return Fit(CONTRADICTS, f"{told} are mostly outside what is plausible")
    if canonical in ("breaker_a", "main_breaker_a", "busbar_a"):
        standard = sum(value in _STANDARD_A for value in values) / len(values)
        if standard < _MANY:
            return Fit(CONTRADICTS if canonical == "breaker_a" else POSSIBLE, f"{told} are mostly no standard ratings")
    return Fit(AGREES, told) if most and inside >= _MOST else Fit(POSSIBLE, f"{told}, not all plausible")


def _length(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    if cells.share(lambda text: is_length(text, setting.decimal_mark)) < _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no lengths")
    own = cells.share(lambda text: not is_plain_figure(text))
    if own >= _MOST:
        return Fit(AGREES, "its cells are lengths with a unit")
    bare = Cells(tuple(text for text in cells.filled if is_plain_figure(text)))
    unit = setting.unit
    if unit is None:
        # Feet or metres, whichever: a plausible figure in one of them is enough to be possible.
        told = [_figures(canonical, column, bare, Setting(setting.decimal_mark, one)) for one in ("m", "ft")]
        return max(told, key=lambda one: one.level)
    return _figures(canonical, column, bare, setting)


def _size(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    renamed = translations(cells.distinct, canonical, column, "")
    if cells.share(lambda text: text in renamed or is_size(text, setting.decimal_mark)) < _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no conductor sizes")
    if cells.share(lambda text: is_plain_figure(text) and not is_usual_size(text, setting.unit)) > 1 - _MOST:
        return Fit(CONTRADICTS, "conductors are not made in such sizes")
    settled = size_unit(cells, setting.decimal_mark)[1]
    bare = cells.share(is_plain_figure)
    if bare > 0.5 and not settled and setting.unit is None:
        return Fit(POSSIBLE, "figures that may be sizes")
    most = cells.share(lambda text: text in renamed or is_size(text, setting.decimal_mark)) >= _MOST
    return Fit(AGREES if most else POSSIBLE, f"sizes such as {cells.distinct[0]!r}")


def _date(_: str, __: Column, cells: Cells, ___: Setting) -> Fit:
    share = cells.share(is_date)
    if share < _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no dates")
    return Fit(AGREES if share >= _MOST else POSSIBLE, f"dates such as {cells.distinct[0]!r}")


def _choice(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    said = translations(cells.distinct, canonical, column, setting.header)
    share = cells.share(lambda text: text in said)
    if share < 0.5:
        # There are more ways to lay a cable than the records know of.
        named = column.name == "raceway" and setting.whole and cells.share(has_letters) >= _MOST
        told = f"cells such as {cells.distinct[0]!r} are not understood as {column.name}"
        return Fit(POSSIBLE if named else CONTRADICTS, told)
    told = f"{len(said)} of {len(cells.distinct)} codes are understood"
    return Fit(AGREES if share >= _MOST else POSSIBLE, told)


def _sections(_: str, __: Column, cells: Cells, ___: Setting) -> Fit:
    if cells.share(lambda text: "@" in text and text[0].isdigit()) >= _MOST:
        return Fit(AGREES, f"lists such as {cells.distinct[0]!r}")
    return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no unit@length")


def _arms(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    said = translations(cells.distinct, canonical, column, setting.header)
    if cells.share(lambda text: text in said) < _MOST:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no counts such as 8+8")
    if any("+" in value for value in said.values()):
        return Fit(AGREES, f"counts such as {next(v for v in said.values() if '+' in v)!r}")
    return Fit(POSSIBLE, "single counts, no 8+8 among them")


def _text(canonical: str, column: Column, cells: Cells, setting: Setting) -> Fit:
    if canonical == "service":
        share = cells.share(lambda text: text in translations(cells.distinct, canonical, column, setting.header))
        if share < 0.3 and cells.share(like_a_service) >= _MANY:
            return Fit(POSSIBLE, f"voltages or phases such as {cells.distinct[0]!r}")
        if share < 0.3:
            return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no services")
        return Fit(AGREES if share >= _MOST else POSSIBLE, f"services such as {cells.distinct[0]!r}")
    for name, pattern in (("installation_code", _CODES), ("code_edition", _EDITION)):
        if canonical == name and cells.share(GRID_STANDARD.fullmatch) >= _MANY:
            return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are rules of the grid")
        if canonical == name:
            found = cells.share(pattern.search if name == "installation_code" else pattern.fullmatch) >= _MOST
            return Fit(AGREES if found else CONTRADICTS, f"cells such as {cells.distinct[0]!r}")
    if cells.share(is_date) >= _MANY or cells.share(has_letters) < _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no names")
    if cells.share(lambda text: is_size(text, setting.decimal_mark) or _is_quantity(text)) >= _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are sizes or figures")
    if canonical.endswith("_model"):
        return _model(cells)
    return _name(canonical, cells)


_KNOWN_UNITS: tuple[frozenset[str], ...] = (*(frozenset(units) for units in UNITS.values()), frozenset({"v"}))


def _is_quantity(text: str) -> bool:
    read = figure(text, None)
    return read is not None and any(read[1].rstrip(".") in units for units in _KNOWN_UNITS)


def _model(cells: Cells) -> Fit:
    if cells.share(lambda text: "@" in text) > 0.5:
        return Fit(CONTRADICTS, "its cells are addresses")
    named = cells.share(lambda text: any(c.isdigit() for c in text) and has_letters(text))
    if named >= _MANY and sum(map(len, cells.filled)) >= 5 * len(cells.filled):
        return Fit(AGREES, f"models such as {cells.distinct[0]!r}")
    return Fit(POSSIBLE, f"texts such as {cells.distinct[0]!r}")


def _is_code(text: str) -> bool:
    """Whether a text is an id rather than a name: figures and at most three letters together, in one word."""
    return " " not in text and any(c.isdigit() for c in text) and not re.search(r"[^\W\d_]{4}", text)


def _name(canonical: str, cells: Cells) -> Fit:
    told = f"texts such as {cells.distinct[0]!r}"
    short = cells.share(lambda text: len(text) <= 2)
    if short >= _MANY and canonical not in ("region", "designer", "crew", "office", "contact", "grid_profile"):
        return Fit(CONTRADICTS, told)
    if cells.share(lambda text: text.lower() in ("y", "n", "yes", "no", "true", "false")) >= _MANY:
        return Fit(CONTRADICTS, "its cells are yes and no")
    if canonical in ("site_label", "designer", "crew", "utility") and cells.share(_is_code) >= _MANY:
        return Fit(CONTRADICTS, f"codes such as {cells.distinct[0]!r} are no names")
    services = cells.share(lambda text: like_a_service(text) and any(c.isdigit() for c in text)) >= _MANY
    if services and canonical not in ("grid_profile", "site_label"):
        return Fit(CONTRADICTS, f"{told} are services")
    if cells.share(lambda text: "@" in text) >= _MANY and canonical != "contact":
        return Fit(CONTRADICTS, "its cells are mail addresses")
    return Fit(AGREES, told)


def _id(canonical: str, _: Column, cells: Cells, setting: Setting) -> Fit:
    told = f"ids such as {cells.distinct[0]!r}"
    if cells.share(is_date) >= _MANY or cells.share(_is_quantity_with_unit) >= _MANY:
        return Fit(CONTRADICTS, f"cells such as {cells.distinct[0]!r} are no ids")
    stepped = canonical == "circuit_id" and cells.share(_STEPPED_ID.fullmatch) >= _MOST
    if not stepped and cells.share(lambda text: re.fullmatch(r"-?\d+\.\d+", text)) >= 0.3:
        return Fit(CONTRADICTS, "figures with decimals are no ids")
    digits = cells.share(lambda text: any(c.isdigit() for c in text))
    longest = max(map(len, cells.filled))
    if canonical == "system_id":
        repeated = len(cells.distinct) < 0.1 * len(cells.filled)
        if longest > 40 or digits < _MANY or repeated:
            return Fit(CONTRADICTS if digits < _MANY else POSSIBLE, told)
        return Fit(AGREES if cells.share(lambda text: len(text) >= 3) >= _MOST else POSSIBLE, told)
    words = cells.share(lambda text: re.fullmatch(r"[^\W\d]{4,}(?:[ -][^\W\d]+)*", text))
    if canonical in ("circuit_id", "combiner_id"):
        if words >= _MANY:
            return Fit(CONTRADICTS, f"{told} are words")
        short = longest <= (16 if canonical == "circuit_id" else 8)
        if canonical == "combiner_id" and not cells.share(has_letters):
            return Fit(POSSIBLE, f"{told}, figures alone")
        return Fit(AGREES if short else POSSIBLE, told)
    both = cells.share(lambda text: any(c.isdigit() for c in text) and has_letters(text))
    if cells.share(lambda text: is_size(text, setting.decimal_mark)) >= _MANY and both < _MANY:
        return Fit(CONTRADICTS if longest < 4 else POSSIBLE, f"{told} may be figures")
    return Fit(AGREES if both >= _MANY else POSSIBLE, told)


def _is_quantity_with_unit(text: str) -> bool:
    read = figure(text, None)
    return read is not None and bool(read[1]) and _is_quantity(text)


_FITS: dict[str, Callable[[str, Column, Cells, Setting], Fit]] = {
    "id": _id,
    "text": _text,
    "integer": _figures,
    "number": _figures,
    "length": _length,
    "size": _size,
    "current": _figures,
    "date": _date,
    "choice": _choice,
    "arms": _arms,
    "sections": _sections,
}
