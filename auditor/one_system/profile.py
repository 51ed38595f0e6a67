"""The voltage along the path of every circuit, from the transformer to the last unit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from auditor.electrical.arrays import FloatArray, IntArray
from auditor.electrical.operating import operating_voltage
from auditor.one_system.case import Case
from auditor.one_system.grid import Grid, grid
from auditor.one_system.probes import Places, design_places, operating_places

#: Conductors that a unit sits across, by the number of its pair.
PAIR_NAMES = ("A-B", "B-C", "C-A", "A-N", "B-N", "C-N")

#: Places on the path, from the source outwards.
PLACES = ("ahead of transformer", "transformer", "PCC", "main panel", "feeder end", "home run end", "unit")

#: Parts of the rise in the same order; the first two are ahead of the point of common coupling.
PARTS = ("transformer", "service drop", "service entrance", "feeder", "home run", "trunk")

_POINT_SCHEMA = {
    "circuit_id": pl.String, "place": pl.String, "arm": pl.Int64, "unit": pl.Int64, "cable_place": pl.Int64,
    "on_path": pl.Boolean, "pair": pl.String, "design_rise_v": pl.Float64, "design_rise_pct": pl.Float64,
    "operating_v": pl.Float64, "own_pair": pl.String, "own_v": pl.Float64,
}  # fmt: skip
_PART_SCHEMA = {
    "circuit_id": pl.String, "part": pl.String, "counted": pl.Boolean, "design_v": pl.Float64, "design_pct": pl.Float64,
    "operating_v": pl.Float64,
}  # fmt: skip


@dataclass(frozen=True)
class Profile:
    """The voltage profile of a system.

    Attributes
    ----------
    base_v : nominal voltage across the units of most circuits [V]; None where no circuit's is known.
    supply_v : voltage at the point of common coupling across such a unit [V].
    grids : by circuit, the service range and the thresholds in its units' volts.
    points : one row per place of a circuit's path and per unit of each arm. `design_rise_*` count from the point of
        common coupling, negative ahead of it; `operating_v` is the exact solution, but ahead of that point the linear
        rise is taken off the supply. `unit` counts from the feed point, `cable_place` along the cut cable.
        `on_path` marks the way to the highest unit. On three phases both figures are those across that unit's pair of
        conductors, `pair` for the design figure; `own_pair` and `own_v` are each unit's own.
    parts : one row per part of a circuit's rise, on the way to the worst unit; `counted` where the target counts it.
    """

    base_v: float | None
    supply_v: float | None
    grids: dict[str, Grid | None]
    points: pl.DataFrame
    parts: pl.DataFrame


@dataclass(frozen=True)
class _Solved:
    """Per circuit: its turn and worst unit, and the figures at all places, by design practice and exactly."""

    worst: IntArray
    pair: IntArray
    places: Places
    own_pair: IntArray
    own_v: FloatArray


def _at(places: list[Places], turn: IntArray, of_unit: IntArray) -> Places:
    """The places of each circuit from the turn chosen for it."""

    def choose(name: str) -> FloatArray:
        rows = np.stack([getattr(p, name) for p in places])
        chosen = turn if name != "trunk" else turn[of_unit]
        return np.asarray(rows[chosen, np.arange(rows.shape[1])], dtype=np.float64)

    return Places(choose("panel"), choose("feeder"), choose("home_run"), choose("trunk"))


def _design(case: Case) -> _Solved:
    """The design-practice rises across the pair of each circuit's worst unit."""
    found, turn = case.turns, case.worse
    circuits = np.arange(turn.size)
    worst = np.stack([t.worst for t in found])[turn, circuits]
    pair = np.stack([t.network.unit_pair for t in found])[turn, worst]
    places = [design_places(t.network, pair) for t in found]
    of_unit = found[0].network.unit_circuit
    own_pair = np.stack([t.network.unit_pair for t in found])[turn[of_unit], np.arange(of_unit.size)]
    return _Solved(worst, pair, _at(places, turn, of_unit), own_pair, np.full(of_unit.size, np.nan))


def _operating(case: Case, supply_pu: float) -> _Solved:
    """The exact solution across the pair of each circuit's highest unit, in the turn that has it highest."""
    found = case.turns
    of_unit, starts = found[0].network.unit_circuit, found[0].units.circuit_start[:-1]
    source = [t.network.nominal_v * supply_pu for t in found]
    volts = np.stack([operating_voltage(t.network, s) for t, s in zip(found, source, strict=True)])
    highest = np.stack([np.maximum.reduceat(v, starts) for v in volts])
    turn = np.argmax(np.nan_to_num(highest, nan=-np.inf), axis=0)
    circuits = np.arange(turn.size)
    level = highest[turn, circuits]
    mine = volts[turn[of_unit], np.arange(of_unit.size)]
    number = np.where(mine == level[of_unit], np.arange(of_unit.size), of_unit.size)
    worst = np.minimum.reduceat(number, starts)
    worst = np.where(worst == of_unit.size, np.stack([t.worst for t in found])[turn, circuits], worst)
    pair = np.stack([t.network.unit_pair for t in found])[turn, worst]
    places = [operating_places(t.network, pair, s) for t, s in zip(found, source, strict=True)]
    own_pair = np.stack([t.network.unit_pair for t in found])[turn[of_unit], np.arange(of_unit.size)]
    return _Solved(worst, pair, _at(places, turn, of_unit), own_pair, mine)


def base_voltage(case: Case) -> float | None:
    """The nominal voltage across the units of most circuits, the higher where two are as common [V]."""
    counts = case.prepared.circuit["unit_voltage_v"].drop_nulls().value_counts()
    if not counts.height:
        return None
    return float(counts.sort("count", "unit_voltage_v", descending=True)["unit_voltage_v"][0])


def top_supply(case: Case) -> float | None:
    """The top of the service range across a unit of the commonest nominal voltage [V]; None where it is not known."""
    base_v, top_pu = base_voltage(case), case.prepared.system["service_top_pu"][0]
    return None if base_v is None or top_pu is None else float(base_v * top_pu)


def profile(case: Case, supply_v: float | None = None) -> Profile:
    """Return the voltages of every circuit with the supply at `supply_v`, by default the top of the service range.

    `supply_v` is the voltage [V] at the point of common coupling across a unit on the commonest nominal voltage of the
    system; other units are taken to have the same supply in per unit.
    """
    base_v = base_voltage(case)
    supply_v = top_supply(case) if supply_v is None else supply_v
    circuits = case.prepared.circuit.select("circuit_id", "unit_voltage_v").rows()
    grids = {circuit: grid(case, unit_v) for circuit, unit_v in circuits}
    if base_v is None or supply_v is None or not case.turns:
        return Profile(base_v, supply_v, grids, pl.DataFrame(schema=_POINT_SCHEMA), pl.DataFrame(schema=_PART_SCHEMA))
    supply_pu = supply_v / base_v
    design, operating = _design(case), _operating(case, supply_pu)
    points, parts = [], []
    for row in case.prepared.circuit.with_row_index("row").iter_rows(named=True):
        path = _path(case, row, design, operating, supply_pu)
        points += path.points()
        parts += path.parts()
    return Profile(
        base_v,
        supply_v,
        grids,
        pl.DataFrame(points, schema=_POINT_SCHEMA, orient="row"),
        pl.DataFrame(parts, schema=_PART_SCHEMA, orient="row"),
    )


def _known(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)


def _plus(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def _minus(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


@dataclass(frozen=True)
class _Unit:
    """One unit of a path's circuit."""

    arm: int
    rank: int
    cable_place: int
    on_path: bool
    trunk_v: float | None
    exact_v: float | None
    own_pair: str | None
    own_v: float | None


@dataclass(frozen=True)
class _Path:
    """One circuit's path: what each part adds [V], and the exact voltage behind it."""

    circuit_id: str
    unit_v: float | None
    supply_v: float | None
    pair: str | None
    from_pcc: bool
    ahead_v: tuple[float | None, float | None]
    design_v: tuple[float | None, ...]
    exact_v: tuple[float | None, ...]
    units: list[_Unit]
    worst: tuple[float | None, float | None]

    def _row(self, place: str, rise_v: float | None, exact_v: float | None) -> tuple[object, ...]:
        return (self.circuit_id, place, None, None, None, True, self.pair, rise_v, self._pct(rise_v), exact_v,
                None, None)  # fmt: skip

    def _pct(self, volts: float | None) -> float | None:
        return None if volts is None or not self.unit_v else 100 * volts / self.unit_v

    def points(self) -> list[tuple[object, ...]]:
        transformer_v, drop_v = self.ahead_v
        at_transformer = _minus(0.0, drop_v)
        ahead = _minus(at_transformer, transformer_v)
        rows = [
            self._row("ahead of transformer", ahead, _plus(self.supply_v, ahead)),
            self._row("transformer", at_transformer, _plus(self.supply_v, at_transformer)),
            self._row("PCC", 0.0, self.supply_v),
        ]
        rise: float | None = 0.0
        for place, part_v, exact_v in zip(PLACES[3:6], self.design_v, self.exact_v, strict=True):
            rise = _plus(rise, part_v)
            rows.append(self._row(place, rise, exact_v))
        for unit in self.units:
            total = _plus(rise, unit.trunk_v)
            rows.append((self.circuit_id, "unit", unit.arm, unit.rank, unit.cable_place, unit.on_path, self.pair,
                         total, self._pct(total), unit.exact_v, unit.own_pair, unit.own_v))  # fmt: skip
        return rows

    def parts(self) -> list[tuple[object, ...]]:
        trunk_v, last_v = self.worst
        steps = [self.supply_v, *self.exact_v, last_v]
        exact = [*self.ahead_v, *(_minus(b, a) for a, b in pairwise(steps))]
        volts = [*self.ahead_v, *self.design_v, trunk_v]
        counted = [False, False, self.from_pcc, True, True, True]
        return [
            (self.circuit_id, part, count, volt, self._pct(volt), exactly)
            for part, count, volt, exactly in zip(PARTS, counted, volts, exact, strict=True)
        ]


def _units(case: Case, number: int, design: _Solved, operating: _Solved, exact: bool) -> list[_Unit]:
    """The units of one circuit, arm by arm; without an exact figure the way leads to the worst by design practice."""
    turn = case.turns[0]
    arm = turn.network.unit_arm
    first, end = (int(turn.units.circuit_start[k]) for k in (number, number + 1))
    last = int((operating if exact else design).worst[number])
    return [
        _Unit(
            arm=int(arm[u] - arm[first]) + 1,
            rank=int(turn.units.rank[u]),
            cable_place=int(turn.units.cable_index[u]) + 1,
            on_path=bool(arm[u] == arm[last] and u <= last),
            trunk_v=_known(design.places.trunk[u]),
            exact_v=_known(operating.places.trunk[u]) if exact else None,
            own_pair=PAIR_NAMES[int(operating.own_pair[u])] if turn.network.three_phase else None,
            own_v=_known(operating.own_v[u]) if exact else None,
        )
        for u in range(first, end)
    ]


def _path(case: Case, row: dict[str, object], design: _Solved, operating: _Solved, supply_pu: float) -> _Path:
    """One circuit's path from the solutions of all."""
    number, unit_v = int(str(row["row"])), row["unit_voltage_v"]
    unit_v = None if unit_v is None else float(str(unit_v))
    system = case.prepared.system.row(0, named=True)
    # The network of a single-phase service is solved between its lines; units on another voltage have no exact figure.
    exact = bool(system["three_phase_service"]) or unit_v == system["line_line_v"]

    def exactly(values: FloatArray, at: int) -> float | None:
        return _known(values[at]) if exact else None

    def ahead(pct: object) -> float | None:
        return None if pct is None or unit_v is None else _known(float(str(pct)) * unit_v / 100)

    places = operating.places
    units = _units(case, number, design, operating, exact) if row["laid_out"] else []
    return _Path(
        circuit_id=str(row["circuit_id"]),
        unit_v=unit_v,
        supply_v=None if unit_v is None else unit_v * supply_pu,
        pair=PAIR_NAMES[int(design.pair[number])] if system["three_phase_service"] else None,
        from_pcc=row["rise_starts_at"] == "point of supply",
        ahead_v=(ahead(system["transformer_rise_pct"]), ahead(row["service_drop_rise_pct"])),
        design_v=tuple(_known(v[number]) for v in (design.places.panel, design.places.feeder, design.places.home_run)),
        exact_v=tuple(exactly(v, number) for v in (places.panel, places.feeder, places.home_run)),
        units=units,
        worst=(
            _known(design.places.trunk[design.worst[number]]) if row["laid_out"] else None,
            exactly(places.trunk, int(operating.worst[number])),
        ),
    )
