"""The exact operating voltages of single-phase circuits against power-grid-model; aimed at 300 times faster.

    python tests/benchmarks/bench_operating.py [--rows N] [--slow N] [--joined N]

Circuits of 8 to 16 units, each with a home run and sections of its own, fed at the end or in the centre. Here all of
them are one array problem. Beside it, in the same process and on the same circuits, power-grid-model 1) builds and
solves one model a circuit, by the faster of two of its methods, and 2) solves one model that holds many circuits side
by side. Its batch calculation proper varies power and switching but no impedance, and no two circuits have the same
impedances, so the one large model is its way to take many at once. Every answer must agree within 1 mV. Times include
laying out and building the model from flat arrays. Prints one JSON object with the time per circuit and the ratios.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from power_grid_model import CalculationMethod, ComponentType, LoadGenType, PowerGridModel, initialize_array

from auditor.electrical.layout import split_arms
from auditor.electrical.network import Network
from auditor.electrical.operating import operating_voltage

SOURCE_V = 240.0
MILLIVOLT = 1e-3
METHODS = (CalculationMethod.newton_raphson, CalculationMethod.iterative_current)


def circuits(count: int, seed: int = 3) -> Network:
    """So many single-phase systems of one circuit each."""
    rng = np.random.default_rng(seed)
    arm_counts, arm_circuit = split_arms(rng.integers(8, 17, count), rng.random(count) < 0.5)
    units, one, none = int(arm_counts.sum()), np.arange(count), np.zeros(count)
    unit_w = rng.choice([215.0, 240.0, 290.0], count)
    circuit = np.repeat(arm_circuit, arm_counts)
    return Network(
        three_phase=False,
        n_systems=count,
        arm_start=np.concatenate([[0], np.cumsum(arm_counts)]),
        arm_circuit=arm_circuit,
        circuit_feeder=one,
        feeder_system=one,
        section_r_ohm=rng.uniform(0.006, 0.012, units),
        section_x_ohm=rng.uniform(0.0001, 0.0003, units),
        unit_current_a=(unit_w / SOURCE_V)[circuit],
        unit_power_w=unit_w[circuit],
        unit_pair=np.zeros(units, dtype=np.int64),
        nominal_v=np.full(count, SOURCE_V),
        home_run_r_ohm=rng.uniform(0.02, 0.15, count),
        home_run_x_ohm=rng.uniform(0.001, 0.006, count),
        cos_phi=np.ones(count),
        sin_phi=none,
        **{
            f"{name}_ohm": none
            for name in ("home_run_neutral_r", "home_run_neutral_x", "feeder_r", "feeder_x", "feeder_neutral_r",
                         "feeder_neutral_x", "entrance_r", "entrance_x", "entrance_neutral_r", "entrance_neutral_x")
        },
    )  # fmt: skip


def model_voltages(network: Network, first: int, last: int, method: CalculationMethod) -> np.ndarray:
    """Build and solve one model of the circuits from `first` up to `last`; return the voltage across each unit [V].

    A two-conductor loop is one phase of a balanced network whose phase impedance is the loop's, with three times the
    power. Nodes: the source and the junction of each circuit, then the units.
    """
    arms = slice(*np.searchsorted(network.arm_circuit, [first, last]))
    start = network.arm_start[arms.start : arms.stop + 1]
    units = slice(int(start[0]), int(start[-1]))
    n, u = last - first, units.stop - units.start
    parent = 2 * n + np.arange(u) - 1
    parent[start[:-1] - start[0]] = n + network.arm_circuit[arms] - first
    r_ohm = np.concatenate([network.home_run_r_ohm[first:last], network.section_r_ohm[units]])
    x_ohm = np.concatenate([network.home_run_x_ohm[first:last], network.section_x_ohm[units]])
    nodes = 2 * n + u
    node = initialize_array("input", ComponentType.node, nodes)
    node["id"], node["u_rated"] = np.arange(nodes), 3**0.5 * SOURCE_V
    line = initialize_array("input", ComponentType.line, n + u)
    line["id"] = nodes + np.arange(n + u)
    line["from_node"], line["to_node"] = np.concatenate([np.arange(n), parent]), n + np.arange(n + u)
    line["from_status"] = line["to_status"] = 1
    line["r1"], line["x1"], line["c1"], line["tan1"] = 2 * r_ohm, 2 * x_ohm, 0.0, 0.0
    gen = initialize_array("input", ComponentType.sym_gen, u)
    gen["id"], gen["node"] = 2 * nodes + np.arange(u), 2 * n + np.arange(u)
    gen["status"], gen["type"] = 1, LoadGenType.const_power
    gen["p_specified"], gen["q_specified"] = 3 * network.unit_power_w[units], 0.0
    source = initialize_array("input", ComponentType.source, n)
    source["id"], source["node"] = 3 * nodes + np.arange(n), np.arange(n)
    source["status"], source["u_ref"], source["sk"] = 1, 1.0, 1e15  # a source without an impedance of its own
    parts = {ComponentType.node: node, ComponentType.line: line, ComponentType.sym_gen: gen}
    model = PowerGridModel({**parts, ComponentType.source: source})
    wanted = {ComponentType.node: ["u"]}
    solved = model.calculate_power_flow(calculation_method=method, output_component_types=wanted)
    return np.asarray(solved[ComponentType.node]["u"][2 * n :]) / 3**0.5


def one_by_one(network: Network, count: int, method: CalculationMethod) -> np.ndarray:
    """Voltages of the first circuits, one model a circuit."""
    return np.concatenate([model_voltages(network, n, n + 1, method) for n in range(count)])


def clocked(function: Callable[..., np.ndarray], *args: Any, repeats: int = 5) -> tuple[np.ndarray, float]:
    """The answer, and the median seconds of several calls."""
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        answer = function(*args)
        seconds.append(time.perf_counter() - start)
    return answer, statistics.median(seconds)


def worst_difference(ours: np.ndarray, theirs: np.ndarray) -> float:
    """The largest difference [V] over the units that both have; AssertionError beyond 1 mV."""
    difference = float(np.abs(ours[: theirs.size] - theirs).max())
    assert difference < MILLIVOLT, f"the answers differ by {difference} V"
    return difference


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=100_000, help="circuits solved at once here")
    parser.add_argument("--slow", type=int, default=500, help="circuits solved one by one")
    parser.add_argument("--joined", type=int, default=2_000, help="circuits in the one large model")
    args = parser.parse_args()
    network = circuits(args.rows)
    slow, joined = min(args.slow, args.rows), min(args.joined, args.rows)
    ours, own_s = clocked(operating_voltage, network, np.full(args.rows, SOURCE_V))
    alone_us, large_us, difference_v = {}, {}, 0.0
    for method in METHODS:
        alone, seconds = clocked(one_by_one, network, slow, method, repeats=3)
        alone_us[method.name] = seconds / slow * 1e6
        large, seconds = clocked(model_voltages, network, 0, joined, method, repeats=3)
        large_us[method.name] = seconds / joined * 1e6
        difference_v = max(difference_v, worst_difference(ours, alone), worst_difference(ours, large))
    own_us = own_s / args.rows * 1e6
    answer = {
        "benchmark": "operating",
        "circuits": args.rows,
        "units_a_circuit": round(ours.size / args.rows, 2),
        "own_us_a_circuit": own_us,
        "one_model_a_circuit": {"circuits": slow, "us_a_circuit": alone_us},
        "one_large_model": {"circuits": joined, "us_a_circuit": large_us},
        "ratio_one_model_a_circuit": min(alone_us.values()) / own_us,
        "ratio_one_large_model": min(large_us.values()) / own_us,
        "worst_difference_mv": difference_v * 1000,
    }
    print(json.dumps(answer, indent=2))


if __name__ == "__main__":
    main()
