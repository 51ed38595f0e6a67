"""The workings of the voltage-rise checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.one_system.carried import Carried, carried, rise_v, trunk_sections
from auditor.one_system.case import Case
from auditor.one_system.profile import PAIR_NAMES
from auditor.one_system.sums import Row, Worked, add, compare, fig, known, over, signed

RUNS = (("home_run", "home run"), ("feeder", "feeder"), ("service_entrance", "service entrance"))


@dataclass(frozen=True)
class Part:
    """One part's rise at the worst unit of a circuit: how it is found, in volts and in percent."""

    name: str
    line: str
    volts: float | None
    percent: float | None


def _factor(r: float, x: float, cos: float, sin: float) -> tuple[str, str]:
    """The impedances that in-phase and across currents meet, as text."""
    if sin == 0:
        return fig(r * cos, "Ω"), fig(x * cos, "Ω")
    return (
        f"({fig(r)} × {fig(cos)} + {fig(x)} × {fig(sin)}) Ω",
        f"({fig(x)} × {fig(cos)} − {fig(r)} × {fig(sin)}) Ω",
    )


def _product(three_phase: bool, load: Carried, r: float, x: float, cos: float, sin: float, each: float | None) -> str:
    """One product of a rise: currents times impedance. `each` is the unit's current where all are equal."""
    along, across = _factor(r, x, cos, sin)

    def current(amperes: float) -> str:
        return f"{fig(each, 'A')} × {fig(amperes / each)}" if each else fig(amperes, "A")

    if not three_phase:
        return f"2 × {current(load.along_a / 2)} × {along}"
    text = f"{current(load.along_a)} × {along}"
    # What cancels leaves rounding behind; it is added, but not shown.
    if abs(load.across_a * x) <= 1e-9 * abs(load.along_a * r) or np.isnan(x):
        return text
    sign = "−" if load.across_a < 0 else "+"
    return f"{text} {sign} {current(abs(load.across_a))} × {across}"


class Rises:
    """The parts of one circuit's rise at its worst unit."""

    def __init__(self, case: Case, row: Row) -> None:
        self.case, self.row, self.number = case, row, row.index("row")
        turn = case.turns[int(case.worse[self.number])]
        self.network, self.unit = turn.network, int(turn.worst[self.number])
        self.rank = int(turn.units.rank[self.unit])
        self.arm = int(self.network.unit_arm[self.unit])
        self.pair = int(self.network.unit_pair[self.unit])
        self.cos, self.sin = float(self.network.cos_phi[0]), float(self.network.sin_phi[0])
        self.unit_v = row.number("unit_voltage_v")

    def each(self, units: np.ndarray[tuple[int], np.dtype[np.int64]]) -> float | None:
        """The units' current where it is the same for all."""
        currents = self.network.unit_current_a[units]
        return float(currents[0]) if currents.size and bool((currents == currents[0]).all()) else None

    def part(self, name: str, body: str, volts: float | None) -> Part:
        """A part from its sum and its volts."""
        percent = None if volts is None or not self.unit_v else volts / self.unit_v * 100
        line = f"{body} = {fig(volts, 'V')}; {fig(volts)} / {fig(self.unit_v)} = {fig(percent, '%')}"
        return Part(name, f"{name[0].upper()}{name[1:]}: {line}", volts, percent)

    def trunk(self) -> Part:
        """The trunk from the feed point to the worst unit."""
        n = self.network
        start, end = int(n.arm_start[self.arm]), int(n.arm_start[self.arm + 1])
        if not self.row.flag("laid_out"):
            return Part("trunk", "Trunk: how the units lie along it is not known", None, None)
        groups = trunk_sections(n, self.unit)
        each = self.each(np.arange(start, end))
        body = " + ".join(
            _product(n.three_phase, g.carried, g.r_ohm, g.x_ohm, self.cos, self.sin, each) for g in groups
        )
        volts = known(sum(rise_v(g.r_ohm, g.x_ohm, self.cos, self.sin, g.carried) for g in groups))
        return self.part("trunk", body, volts)

    def where(self) -> str:
        """Which unit is the worst, and what its sums run over."""
        n = self.network
        on_arm = int(n.arm_start[self.arm + 1] - n.arm_start[self.arm])
        arms = int((n.arm_circuit == self.number).sum())
        place = f"unit {self.rank} of {on_arm}" + (f" on the worse of {arms} arms" if arms > 1 else "")
        pair = f", across {PAIR_NAMES[self.pair]}" if n.three_phase else ""
        return f"Worst: {place}{pair}, rated current, {fig(self.unit_v, 'V')} nominal"

    def sections(self) -> str | None:
        """How a section's ohms come about, and what is summed."""
        row, total = self.row, self.row.number("trunk_r_ohm_per_m")
        length = row.number("section_m")
        if total is None or length is None or not row.flag("laid_out"):
            return None
        connector = row.number("connector_r_ohm") or 0.0
        plus = f" + connector {fig(1000 * connector, 'mΩ')}" if connector else ""
        one = f"{fig(length, 'm')} × {fig(1000 * total, 'Ω/km')}{plus} = {fig(length * total + connector, 'Ω')}"
        return f"Section, one way: {one}; the count beside it is the sum over sections of the units at or beyond each"

    def counts(self) -> str | None:
        """How units on other pairs count."""
        if not self.network.three_phase:
            return None
        if self.pair < 3:
            return (
                f"Along {PAIR_NAMES[self.pair]} a unit on the same pair counts 2, on another pair ½ in phase and"
                " ± 0.866 across; the ones across meet X cos φ − R sin φ"
            )
        return (
            f"Along {PAIR_NAMES[self.pair]} a unit on the same phase counts 2 (phase and neutral), on another phase"
            " −½ in phase and ± 0.866 across; the ones across meet X cos φ − R sin φ"
        )

    def run(self, prefix: str, name: str) -> Part:
        """A run that carries the circuit, its feeder or the whole system."""
        n = self.network
        circuit_of = n.unit_circuit
        if prefix == "home_run":
            units, at, r, x = np.flatnonzero(circuit_of == self.number), self.number, n.home_run_r_ohm, n.home_run_x_ohm
        elif prefix == "feeder":
            at = int(n.circuit_feeder[self.number])
            units, r, x = np.flatnonzero(n.circuit_feeder[circuit_of] == at), n.feeder_r_ohm, n.feeder_x_ohm
        else:
            units, at, r, x = np.arange(circuit_of.size), 0, n.entrance_r_ohm, n.entrance_x_ohm
        load = carried(n, self.pair, units)
        body = _product(n.three_phase, load, float(r[at]), float(x[at]), self.cos, self.sin, self.each(units))
        volts = known(rise_v(float(r[at]), float(x[at]), self.cos, self.sin, load))
        made = self._made(prefix, float(r[at]))
        return self.part(name, f"{made}{body}", volts)

    def _made(self, prefix: str, r_ohm: float) -> str:
        """What a run is made of."""
        if prefix == "service_entrance":
            row = Row(self.case.prepared.system.row(0, named=True))
        elif prefix == "feeder":
            row = Row(self.case.prepared.feeder.row(self.row.index("feeder_row"), named=True))
        else:
            row = self.row
        length = row.number(f"{prefix}_length_m")
        wire = " ".join(t for t in (row.text(f"{prefix}_size"), row.text(f"{prefix}_material")) if t)
        ohms = f" = {fig(r_ohm, 'Ω')} one way" if not np.isnan(r_ohm) else ""
        return f"{fig(length, 'm')} of {wire or 'unrecorded wire'}{ohms}; "

    def parts(self) -> list[Part]:
        """The parts that count towards the target, from the unit to where it starts."""
        runs = RUNS if self.row.text("rise_starts_at") == "point of supply" else RUNS[:2]
        return [self.trunk(), *(self.run(prefix, name) for prefix, name in runs)]


def voltage_rise(case: Case, row: Row) -> Worked:
    """The sum of the parts at the worst unit against the target."""
    rises, target = Rises(case, row), row.number("rise_target_pct")
    parts = rises.parts()
    total = add(*(part.percent for part in parts))
    so_far = sum(part.percent or 0.0 for part in parts)
    about = (rises.where(), rises.counts(), rises.sections())
    lines = [*(line for line in about if line), *(part.line for part in parts)]
    total_text = " ".join(f"{signed(part.percent, '%')} {part.name}" for part in parts).removeprefix("+ ")
    lines.append(f"Total, from the {row.text('rise_starts_at')}: {total_text} = {compare(total, target, '%')}")
    if total is not None:
        return Worked(tuple(lines), total, target)
    already = row.flag("rise_only_adds") and over(so_far, target)
    if already:
        lines.append(f"What is known makes {fig(so_far, '%')} already, and the rest can only add to it")
    beyond = row.number("home_run_fails_at_m")
    if row.number("home_run_length_m") is None and beyond is not None and not already:
        lines.append(f"With the rest as above, the target is met by a home run of up to {fig(beyond, 'm')}")
    return Worked(tuple(lines), so_far if already else None, target)


def part_rise(case: Case, row: Row) -> Worked:
    """The part with the highest share of its own limit."""
    rise = case.policy.rise
    limits = {"trunk": rise.trunk_pct, "home run": rise.home_run_pct, "feeder": rise.feeder_pct}
    named = {name: limit for name, limit in limits.items() if limit is not None}
    parts = [part for part in Rises(case, row).parts() if part.name in named]
    lines = tuple(f"{part.line}; {compare(part.percent, named[part.name], '%')}" for part in parts)
    shares = {part.name: part.percent / named[part.name] for part in parts if part.percent is not None}
    fails = any(over(share, 1.0) for share in shares.values())
    if not shares or not (fails or len(shares) == len(parts)):
        return Worked(lines, None, None)
    worst = max(parts, key=lambda part: shares.get(part.name, -np.inf))
    return Worked(lines, worst.percent, named[worst.name])


def terminal_voltage(case: Case, row: Row) -> Worked:
    """The exact solution with the supply at the top of the service range, part by part."""
    limit, top = row.number("terminal_limit_v"), row.number("service_top_v")
    parts = [
        part
        for part in case.top_profile.parts.iter_rows(named=True)
        if part["circuit_id"] == row.text("circuit_id") and part["part"] not in ("transformer", "service drop")
    ]
    volts = [known(part["operating_v"]) for part in parts]
    value = add(top, *volts) if parts else None
    text = " ".join(f"{signed(v, 'V')} {part['part']}" for v, part in zip(volts, parts, strict=True))
    lines = (
        "Exact AC solution, every unit at full output, from the point of common coupling outwards; design practice"
        f" gives {fig(row.number('total_rise_pct'), '%')} from the {row.text('rise_starts_at')}",
        f"{fig(top, 'V')} supply {text or '+ ?'} = {fig(value, 'V')}",
        f"Lowest threshold: {compare(value, limit, 'V')}",
    )
    return Worked(lines, value, limit)
