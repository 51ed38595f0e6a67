"""In which unit a column's bare figures are: the header, the cells, a title or the other columns say so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from auditor.records.proposing.cells import Cells, bare_sizes_fit, figure, is_plain_figure, size_unit
from auditor.records.proposing.names import Name
from auditor.records.proposing.proposal import Sureness
from auditor.records.quantities import UNITS
from auditor.records.schema import Column

_HOT_C = 60.0
_METRIC = frozenset({"m", "cm", "mm"})
_Unit = tuple[str | None, Sureness, str]


@dataclass(frozen=True)
class FileUnits:
    """The units that the file's columns state, where they agree; `metric` is None where nothing tells."""

    title: str | None
    length: str | None
    temperature: str | None
    size: str | None
    metric: bool | None
    mark: str | None


def file_units(
    names: Sequence[Name],
    cells: Sequence[Cells],
    columns: dict[int, Column],
    title: str | None,
    mark: str | None,
) -> FileUnits:
    """Gather the units that columns state in their header or cells."""
    lengths, temperatures, sizes = set[str](), set[str](), set[str]()
    for at, column in columns.items():
        if column.kind == "size":
            unit = names[at].unit or _stated_size(cells[at], mark)
            sizes |= {unit} if unit else set()
            continue
        stated = {names[at].unit} if names[at].unit else _in_cells(cells[at], column)
        lengths |= {unit for unit in stated if unit and column.kind == "length"}
        temperatures |= {unit for unit in stated if unit and column.unit == "°C"}
    length = lengths.pop() if len(lengths) == 1 else None
    size = sizes.pop() if len(sizes) == 1 else None
    metric = None
    if (length or title) is not None:
        metric = (length or title) in _METRIC
    elif size is not None:
        metric = size == "mm2"
    return FileUnits(title, length, temperatures.pop() if len(temperatures) == 1 else None, size, metric, mark)


def _stated_size(cells: Cells, mark: str | None) -> str | None:
    unit, settled = size_unit(cells, mark)
    if unit is None and settled:
        return "mm2" if any("mm" in text.lower() for text in cells.distinct) else "AWG"
    return unit


def _in_cells(cells: Cells, column: Column) -> set[str]:
    found = (figure(text, None) for text in cells.distinct)
    known = UNITS[column.unit]
    return {read[1].rstrip(".") for read in found if read is not None and read[1].rstrip(".") in known}


def unit_of(canonical: str, column: Column, name: Name, cells: Cells, file: FileUnits, is_canonical: bool) -> _Unit:
    """Return the unit to declare (None: the canonical one, or each cell its own), how sure it is, and why."""
    if is_canonical:
        return None, "sure", ""
    if column.kind == "size":
        return _of_size(name, cells, file)
    if column.kind not in ("length", "number", "current") or not UNITS[column.unit]:
        return None, "sure", ""
    if name.unit is not None:
        own = name.unit.lower() == column.unit.lower() or UNITS[column.unit].get(name.unit.lower()) == (1.0, 0.0)
        return (column.unit.lower() if own else name.unit), "sure", f"the header says {name.unit}"
    if column.unit not in ("m", "mm", "°C"):
        return None, "sure" if column.unit != "kW" else "likely", ""
    bare = any(is_plain_figure(text) for text in cells.distinct)
    inside = {one for one in (_same(unit, column) for unit in _in_cells(cells, column)) if one}
    if not bare and inside:
        return None, "sure", "every cell states its unit"
    if len(inside) == 1:
        (unit,) = inside
        return unit, "likely", f"the cells that state a unit say {unit}"
    return _guessed(column, cells, file)


def _same(unit: str, column: Column) -> str:
    """Return the usual spelling of a unit."""
    factors = UNITS[column.unit][unit]
    usual = ("m", "ft", "in", "cm", "mm", "yd", "degc", "degf")
    return next((one for one in usual if UNITS[column.unit].get(one) == factors), unit)


def _guessed(column: Column, cells: Cells, file: FileUnits) -> _Unit:
    if column.unit == "°C":
        values = [read[0] for text in cells.filled if (read := figure(text, file.mark)) is not None]
        if values and max(values) > _HOT_C:
            return "degf", "likely", f"{max(values):g} would be too hot in °C"
        if file.temperature is not None:
            return file.temperature, "unsure", "the file's other temperatures say so; this one does not"
        return ("degf" if file.metric is False else "degc"), "unsure", "nothing says °C or °F"
    if column.unit == "mm":
        return ("in" if file.metric is False else "mm"), "unsure", "nothing says in which unit"
    if file.title is not None:
        return file.title, "likely", f"a title says {file.title}"
    if file.length is not None:
        return file.length, "unsure", f"nothing says in which unit; the file's other lengths are in {file.length}"
    if file.metric is not None:
        return ("m" if file.metric else "ft"), "unsure", "nothing says in which unit; the conductor sizes suggest it"
    return None, "unsure", "nothing says in which unit"


def _of_size(name: Name, cells: Cells, file: FileUnits) -> _Unit:
    if name.unit in ("AWG", "mm2"):
        if not bare_sizes_fit(cells, name.unit):
            return name.unit, "likely", f"the header says {name.unit}, though not every figure is such a size"
        return name.unit, "sure", f"the header says {name.unit}"
    unit, settled = size_unit(cells, file.mark)
    if settled:
        return unit, "sure", f"only {unit} has such sizes" if unit else "every cell states its unit"
    if file.size is not None and not bare_sizes_fit(cells, file.size):
        return None, "unsure", f"some figures without a unit are no {file.size} sizes"
    if file.size is not None:
        return file.size, "likely", f"the file's other sizes are in {file.size}"
    guess = "mm2" if file.metric else "AWG"
    if file.metric is not None and bare_sizes_fit(cells, guess):
        return guess, "unsure", "nothing says AWG or mm2; the lengths suggest it"
    return None, "unsure", "nothing says AWG or mm2"
