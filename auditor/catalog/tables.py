"""Rows of the built-in tables, in the units the program uses; each names its table, edition, source and mark."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from auditor.catalog.entries import Entry, Mark, Material, Positive, Raceway, RatingC, Service, Size, Text

Year = Annotated[int, Field(ge=1900, le=2100)]
Loaded = Literal[2, 3]
Method = Literal["B1", "C"]


class Row(Entry):
    """A row and where it comes from: the printed table, its edition, the texts it was read in, the mark."""

    table: Text
    edition: Text
    source: Text
    mark: Mark


class Conductor(Row):
    """One conductor of one size: DC resistance [ohm/km] at reference_c [°C] and its temperature coefficient there."""

    size: Size
    material: Material
    area_mm2: Positive
    r_ohm_per_km: Positive
    reference_c: float
    alpha_per_c: Positive


class Reactance(Row):
    """Inductive reactance of one conductor, to neutral [ohm/km], by size and raceway."""

    size: Size
    raceway: Raceway
    x_ohm_per_km: Positive


class Ampacity(Row):
    """NEC ampacity [A] before factors; edition_from is the first edition of the code in which the value is known."""

    size: Size
    material: Material
    rating_c: RatingC
    ampacity_a: Positive
    edition_from: Year


class AmpacityIec(Row):
    """IEC current-carrying capacity [A], by reference method and number of loaded conductors."""

    size: Size
    material: Material
    loaded: Loaded
    method: Method
    ampacity_a: Positive


class SmallConductor(Row):
    """Largest overcurrent device [A] of a small conductor, NEC 240.4(D)."""

    size: Size
    material: Material
    max_breaker_a: Positive


class AmbientFactor(Row):
    """Ambient correction: holds for from_c < ambient <= to_c; a rating without a row may not be used there."""

    from_c: float
    to_c: float
    rating_c: RatingC
    factor: Positive
    edition_from: Year


class FillFactor(Row):
    """Adjustment for from_n to to_n current-carrying conductors, both included."""

    from_n: Annotated[int, Field(ge=1)]
    to_n: Annotated[int, Field(ge=1)]
    factor: Positive


class StandardBreaker(Row):
    """A standard ampere rating of breakers [A], NEC 240.6(A)."""

    amps: Positive


class ServiceRange(Row):
    """The voltage range of a service [V]; base_v is the nominal voltage across the two conductors it speaks of."""

    service: Service
    range: Text
    low_v: Positive
    high_v: Positive
    base_v: Positive
