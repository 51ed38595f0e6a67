"""The same systems in two independent power-flow programs: terminal voltage of every unit, in order [V]."""

from __future__ import annotations

import numpy as np
import opendssdirect as dss
from electrical_networks import ROOT3, System, Unit, Z
from power_grid_model import ComponentType, LoadGenType, PowerGridModel, initialize_array


def walk(system: System, add_run, add_unit) -> None:
    """Visit a system from its source; add_run(parent, z) returns the node at the run's end."""
    panel = add_run(None, system.entrance)
    for feeder in system.feeders:
        combiner = add_run(panel, feeder.run)
        for circuit in feeder.circuits:
            junction = add_run(combiner, circuit.home_run)
            for arm in circuit.arms:
                node = junction
                for unit in arm:
                    node = add_run(node, Z(unit.r, unit.x, unit.r, unit.x))
                    add_unit(node, unit)


def balanced_voltages(systems: list[System], source_v: list[float], loop: int, units_a_node: int) -> np.ndarray:
    """Phase voltage at every node with units, by power-grid-model (Newton–Raphson, symmetric).

    A two-conductor loop is one phase of a balanced network whose phase impedance is the loop's (`loop` = 2), with
    three times the power. In a balanced three-phase network (`loop` = 1) every three units of a node make one.
    """
    lines: list[tuple[int, int, float, float]] = []
    gens: list[tuple[int, float, float]] = []
    sources: list[tuple[int, float]] = []
    nodes: list[float] = []

    def new_node(volts: float) -> int:
        nodes.append(volts)
        return len(nodes) - 1

    for system, volts in zip(systems, source_v, strict=True):
        top = new_node(volts)
        sources.append((top, volts))

        def add_run(parent, z, top=top, volts=volts):
            start = top if parent is None else parent
            if z.r == 0 and z.x == 0:
                return start
            end = new_node(volts)
            lines.append((start, end, loop * z.r, loop * z.x))
            return end

        def add_unit(node, unit, tan=system.sin_phi / system.cos_phi):
            gens.append((node, unit.power_w, unit.power_w * tan))

        walk(system, add_run, add_unit)
    gens = gens[::units_a_node]
    voltage = _solve_balanced(nodes, lines, gens, sources)
    return np.array([voltage[node] for node, _, _ in gens])


def _solve_balanced(nodes, lines, gens, sources) -> np.ndarray:
    n, m, g, s = len(nodes), len(lines), len(gens), len(sources)
    node = initialize_array("input", ComponentType.node, n)
    node["id"], node["u_rated"] = np.arange(n), ROOT3 * np.array(nodes)
    line = initialize_array("input", ComponentType.line, m)
    line["id"] = n + np.arange(m)
    line["from_node"], line["to_node"] = [a for a, *_ in lines], [b for _, b, *_ in lines]
    line["from_status"] = line["to_status"] = 1
    line["r1"], line["x1"] = [r for *_, r, _ in lines], [x for *_, x in lines]
    line["c1"], line["tan1"] = 0.0, 0.0
    gen = initialize_array("input", ComponentType.sym_gen, g)
    gen["id"], gen["node"] = n + m + np.arange(g), [a for a, *_ in gens]
    gen["status"], gen["type"] = 1, LoadGenType.const_power
    gen["p_specified"], gen["q_specified"] = [3 * p for _, p, _ in gens], [3 * q for *_, q in gens]
    source = initialize_array("input", ComponentType.source, s)
    source["id"], source["node"] = n + m + g + np.arange(s), [a for a, _ in sources]
    source["status"], source["u_ref"], source["sk"] = 1, 1.0, 1e15  # a source without an impedance of its own
    model = PowerGridModel(
        {
            ComponentType.node: node,
            ComponentType.line: line,
            ComponentType.sym_gen: gen,
            ComponentType.source: source,
        }
    )
    result = model.calculate_power_flow(symmetric=True, error_tolerance=1e-12, max_iterations=50)
    return result[ComponentType.node]["u"] / ROOT3


def four_wire_voltages(systems: list[System], source_v: list[float]) -> np.ndarray:
    """Voltage across every unit by OpenDSS, on lines of four uncoupled conductors, neutral grounded at the source."""
    dss.Text.Command("clear")
    taps: list[tuple[str, Unit]] = []
    count = 0

    def new(what: str) -> None:
        dss.Text.Command(f"new {what}")

    for number, (system, volts) in enumerate(zip(systems, source_v, strict=True)):
        top = f"s{number}"
        name = "circuit.c" if number == 0 else f"vsource.{top}"
        new(f"{name} bus1={top}.1.2.3 phases=3 basekv={ROOT3 * volts / 1000!r} pu=1 angle=0 r1=0 x1=1e-7 r0=0 x0=1e-7")

        def add_run(parent, z, top=top):
            nonlocal count
            count += 1
            start, end = f"{top}.1.2.3.0" if parent is None else f"{parent}.1.2.3.4", f"n{count}"
            diagonal = [
                f"[{v!r} | 0 {v!r} | 0 0 {v!r} | 0 0 0 {n!r}]" for v, n in ((z.r, z.neutral_r), (z.x, z.neutral_x))
            ]
            none = "[0 | 0 0 | 0 0 0 | 0 0 0 0]"
            new(
                f"line.l{count} phases=4 bus1={start} bus2={end}.1.2.3.4 length=1 "
                f"rmatrix={diagonal[0]} xmatrix={diagonal[1]} cmatrix={none}"
            )
            return end

        def add_unit(node, unit, volts=volts, tan=system.sin_phi / system.cos_phi):
            first, second = ((1, 2), (2, 3), (3, 1), (1, 4), (2, 4), (3, 4))[unit.pair]
            kv = volts * (ROOT3 if unit.pair < 3 else 1.0) / 1000
            new(
                f"load.u{len(taps)} bus1={node}.{first}.{second} phases=1 conn=wye model=1 kv={kv!r} "
                f"kw={-unit.power_w / 1000!r} kvar={-unit.power_w * tan / 1000!r} vminpu=0.01 vmaxpu=10"
            )
            taps.append((node, unit))

        walk(system, add_run, add_unit)
    dss.Text.Command("set tolerance=1e-11 maxiterations=1000 controlmode=off mode=snapshot")
    dss.Solution.Solve()
    assert dss.Solution.Converged()
    flat = np.array(dss.Circuit.YNodeVArray()).reshape(-1, 2)
    at = {name.lower(): complex(*value) for name, value in zip(dss.Circuit.YNodeOrder(), flat, strict=True)}
    pairs = ((1, 2), (2, 3), (3, 1), (1, 4), (2, 4), (3, 4))
    return np.array([abs(at[f"{n}.{pairs[u.pair][0]}"] - at[f"{n}.{pairs[u.pair][1]}"]) for n, u in taps])


def triplex_voltage(leg_v: float, self_ohm: complex, mutual_ohm: complex, power_w: float) -> float:
    """Voltage leg to leg at the end of a drop with coupled legs and an open neutral, by OpenDSS."""
    dss.Text.Command("clear")
    for name, angle in (("circuit.c bus1=s.1", 0), ("vsource.b bus1=s.2", 180)):
        dss.Text.Command(f"new {name} phases=1 basekv={leg_v / 1000!r} pu=1 angle={angle} r1=0 x1=1e-7 r0=0 x0=1e-7")
    matrices = [f"[{s!r} | {m!r} {s!r}]" for s, m in zip(_parts(self_ohm), _parts(mutual_ohm), strict=True)]
    dss.Text.Command(
        f"new line.l phases=2 bus1=s.1.2 bus2=h.1.2 length=1 rmatrix={matrices[0]} xmatrix={matrices[1]} "
        "cmatrix=[0 | 0 0]"
    )
    dss.Text.Command(
        f"new load.u bus1=h.1.2 phases=1 conn=wye model=1 kv={2 * leg_v / 1000!r} kw={-power_w / 1000!r} kvar=0 "
        "vminpu=0.01 vmaxpu=10"
    )
    dss.Text.Command("set tolerance=1e-11 maxiterations=1000 controlmode=off mode=snapshot")
    dss.Solution.Solve()
    assert dss.Solution.Converged()
    dss.Circuit.SetActiveBus("h")
    a_re, a_im, b_re, b_im = dss.Bus.Voltages()
    return abs(complex(a_re - b_re, a_im - b_im))


def _parts(z: complex) -> tuple[float, float]:
    return z.real, z.imag
