"""The built-in tables as their data files print them, and how each becomes rows in the program's units."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from auditor.catalog.entries import (
    KM_PER_KFT,
    MM2_PER_CMIL,
    Entry,
    Mark,
    Material,
    Positive,
    Raceway,
    RatingC,
    Service,
    Size,
    Text,
)
from auditor.catalog.tables import (
    AmbientFactor,
    Ampacity,
    AmpacityIec,
    Conductor,
    FillFactor,
    Loaded,
    Method,
    Reactance,
    Row,
    ServiceRange,
    SmallConductor,
    StandardBreaker,
    Year,
)

RATINGS_C: tuple[RatingC, ...] = (60, 75, 90)


class PrintedRow(Entry):
    """One printed row; its own mark, where it has one, replaces the table's."""

    mark: Mark | None = None


class PrintedTable(Entry):
    """One printed table with its provenance; `to_rows` gives the program's rows."""

    table: Text
    edition: Text
    source: Text
    mark: Mark

    def provenance(self, row: PrintedRow | None = None) -> dict[str, Any]:
        """Table, edition, source and mark of one of its rows."""
        mark = self.mark if row is None or row.mark is None else row.mark
        return {"table": self.table, "edition": self.edition, "source": self.source, "mark": mark}

    def to_rows(self) -> list[Row]:
        """The rows in the program's units."""
        raise NotImplementedError


class _ConductorRow(PrintedRow):
    size: Size
    area_cmil: Positive | None = None
    area_mm2: Positive | None = None
    r_ohm_per_kft: Positive | None = None
    r_ohm_per_km: Positive | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> _ConductorRow:
        if (self.area_cmil is None) == (self.area_mm2 is None):
            raise ValueError("give either area_cmil or area_mm2")
        if (self.r_ohm_per_kft is None) == (self.r_ohm_per_km is None):
            raise ValueError("give either r_ohm_per_kft or r_ohm_per_km")
        return self


class ConductorTable(PrintedTable):
    """Resistances of one material."""

    material: Material
    reference_c: float
    alpha_per_c: Positive
    rows: tuple[_ConductorRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a size."""
        return [
            Conductor(
                size=row.size,
                material=self.material,
                area_mm2=row.area_mm2 or (row.area_cmil or 0.0) * MM2_PER_CMIL,
                r_ohm_per_km=row.r_ohm_per_km or (row.r_ohm_per_kft or 0.0) / KM_PER_KFT,
                reference_c=self.reference_c,
                alpha_per_c=self.alpha_per_c,
                **self.provenance(row),
            )
            for row in self.rows
        ]


class _ReactanceRow(PrintedRow):
    size: Size
    x_ohm_per_kft: Positive | None = None
    x_ohm_per_km: Positive | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> _ReactanceRow:
        if (self.x_ohm_per_kft is None) == (self.x_ohm_per_km is None):
            raise ValueError("give either x_ohm_per_kft or x_ohm_per_km")
        return self


class ReactanceTable(PrintedTable):
    """Reactances that hold for every raceway named."""

    raceways: tuple[Raceway, ...]
    rows: tuple[_ReactanceRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a size and raceway."""
        return [
            Reactance(
                size=row.size,
                raceway=raceway,
                x_ohm_per_km=row.x_ohm_per_km or (row.x_ohm_per_kft or 0.0) / KM_PER_KFT,
                **self.provenance(row),
            )
            for raceway in self.raceways
            for row in self.rows
        ]


class _AmpacityRow(PrintedRow):
    size: Size
    ampacity_60_a: Positive
    ampacity_75_a: Positive
    ampacity_90_a: Positive


class AmpacityTable(PrintedTable):
    """NEC ampacities of one material, three temperature ratings a row."""

    edition_from: Year
    material: Material
    rows: tuple[_AmpacityRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a size and rating."""
        return [
            Ampacity(
                size=row.size,
                material=self.material,
                rating_c=rating_c,
                ampacity_a=amps,
                edition_from=self.edition_from,
                **self.provenance(row),
            )
            for row in self.rows
            for rating_c, amps in zip(RATINGS_C, (row.ampacity_60_a, row.ampacity_75_a, row.ampacity_90_a), strict=True)
        ]


class _AmpacityIecRow(PrintedRow):
    size: Size
    ampacity_a: Positive


class AmpacityIecTable(PrintedTable):
    """IEC capacities of one material, method and number of loaded conductors."""

    material: Material
    loaded: Loaded
    method: Method
    rows: tuple[_AmpacityIecRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a size."""
        return [
            AmpacityIec(
                size=row.size,
                material=self.material,
                loaded=self.loaded,
                method=self.method,
                ampacity_a=row.ampacity_a,
                **self.provenance(row),
            )
            for row in self.rows
        ]


class _SmallConductorRow(PrintedRow):
    size: Size
    material: Material
    max_breaker_a: Positive


class SmallConductorTable(PrintedTable):
    """Largest device by small conductor."""

    rows: tuple[_SmallConductorRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a conductor."""
        return [
            SmallConductor(
                size=row.size, material=row.material, max_breaker_a=row.max_breaker_a, **self.provenance(row)
            )
            for row in self.rows
        ]


class _AmbientRow(PrintedRow):
    from_c: float
    to_c: float
    factor_60: Positive | None = None
    factor_75: Positive | None = None
    factor_90: Positive | None = None


class AmbientTable(PrintedTable):
    """Ambient factors, up to three temperature ratings a row."""

    edition_from: Year
    rows: tuple[_AmbientRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a range and rating; none where the table prints a dash."""
        return [
            AmbientFactor(
                from_c=row.from_c,
                to_c=row.to_c,
                rating_c=rating_c,
                factor=factor,
                edition_from=self.edition_from,
                **self.provenance(row),
            )
            for row in self.rows
            for rating_c, factor in zip(RATINGS_C, (row.factor_60, row.factor_75, row.factor_90), strict=True)
            if factor is not None
        ]


class _FillRow(PrintedRow):
    from_n: Annotated[int, Field(ge=1)]
    to_n: Annotated[int, Field(ge=1)]
    factor: Positive


class FillTable(PrintedTable):
    """Fill factors by number of conductors."""

    rows: tuple[_FillRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a range."""
        return [
            FillFactor(from_n=row.from_n, to_n=row.to_n, factor=row.factor, **self.provenance(row)) for row in self.rows
        ]


class BreakerTable(PrintedTable):
    """Standard ampere ratings."""

    amps: tuple[Positive, ...]

    def to_rows(self) -> list[Row]:
        """One row a rating."""
        return [StandardBreaker(amps=amps, **self.provenance()) for amps in self.amps]


class _RangeRow(PrintedRow):
    service: Service
    base_v: Positive
    low_v: Positive
    high_v: Positive


class RangeTable(PrintedTable):
    """Service ranges of one standard."""

    range: Text
    rows: tuple[_RangeRow, ...]

    def to_rows(self) -> list[Row]:
        """One row a service and base voltage."""
        return [
            ServiceRange(
                service=row.service,
                range=self.range,
                low_v=row.low_v,
                high_v=row.high_v,
                base_v=row.base_v,
                **self.provenance(row),
            )
            for row in self.rows
        ]


#: The built-in tables by the name their data files give them, which is also the name of the frame.
PRINTED: dict[str, type[PrintedTable]] = {
    "conductor": ConductorTable,
    "reactance": ReactanceTable,
    "ampacity": AmpacityTable,
    "ampacity_iec": AmpacityIecTable,
    "small_conductor": SmallConductorTable,
    "ambient_factor": AmbientTable,
    "fill_factor": FillTable,
    "standard_breaker": BreakerTable,
    "service_range": RangeTable,
}
