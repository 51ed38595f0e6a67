"""Builds one system the way a careful designer would: lay it out, then upsize until every figure has room."""

from __future__ import annotations

import datetime
import random
from collections.abc import Callable
from dataclasses import dataclass

from sample_portfolio import verdicts
from sample_portfolio.arithmetic import EQUIPMENT, THREE_PHASE, design_flow, run_ohm, unit_volts
from sample_portfolio.company import pick_model, pick_module, place_of, system_facts
from sample_portfolio.plan import Circuit, Run, System, Units

HOME_SIZES = ("10 AWG", "8 AWG", "6 AWG", "4 AWG", "3 AWG", "2 AWG")
FEEDER_SIZES = (
    "10 AWG",
    "8 AWG",
    "6 AWG",
    "4 AWG",
    "3 AWG",
    "2 AWG",
    "1 AWG",
    "1/0 AWG",
    "2/0 AWG",
    "3/0 AWG",
    "4/0 AWG",
)
METRIC_HOME = ("4 mm2", "6 mm2", "10 mm2", "16 mm2", "25 mm2")
METRIC_FEEDER = ("6 mm2", "10 mm2", "16 mm2", "25 mm2", "35 mm2", "50 mm2", "70 mm2", "95 mm2", "120 mm2")
#: What the invented designers state as the rating of a metric run as installed [A].
STATED_A = {"4 mm2": 26, "6 mm2": 34, "10 mm2": 46, "16 mm2": 61, "25 mm2": 80, "35 mm2": 99, "50 mm2": 119}
STATED_A |= {"70 mm2": 151, "95 mm2": 182, "120 mm2": 210}
#: Busbar and main breaker of panels [A].
PANELS = ((125, 100), (200, 150), (200, 175), (200, 200), (225, 200), (400, 300), (400, 400), (600, 500))
PANELS += ((800, 600), (800, 800), (1200, 1000), (1200, 1200), (1600, 1200))
TRUNKS = {"120/240": "Larkfield TC-2", "230": "Brindle K4"}
THREE_PHASE_TRUNKS = {"208Y/120": "Larkfield TC-3", "480Y/277": "Merrow W4", "400Y/230": "Brindle K4-4"}
CIRCUITS = {
    "120/240": ((1, 2, 3, 4, 5), (2, 4, 5, 3, 1)),
    "208Y/120": ((2, 3, 4, 5, 6), (3, 4, 4, 2, 1)),
    "480Y/277": ((4, 5, 6, 8), (3, 3, 3, 1)),
    "230": ((1, 2, 3), (3, 4, 2)),
    "400Y/230": ((2, 3, 4, 6), (3, 4, 2, 2)),
}
Alter = Callable[[random.Random, System], None]


def nothing(rng: random.Random, system: System) -> None:
    """Alter nothing."""


@dataclass(frozen=True)
class Order:
    """What is asked for: a service, the file it comes in, the years, and what goes wrong before and after sizing."""

    service: str
    source: str
    years: tuple[int, int] = (2012, 2025)
    before: Alter = nothing
    after: Alter = nothing


def most_units(system: System, circuit: Circuit, model: str) -> int:
    """Return the most units that leave 5 % of the branch in hand and keep within the spec."""
    spec = EQUIPMENT["inverter"][model]
    amps = float(spec["current_a"][f"{unit_volts(system):g}"])
    how, count = verdicts.wiring(system, circuit), 1
    allowed = 0.8 * verdicts.INSIDE * circuit.breaker_a + 1e-9
    while verdicts.line_factor(spec["connection"], how, count + 1) * amps <= allowed:
        count += 1
    return min(count, verdicts.unit_limit(system, circuit))


def make_run(rng: random.Random, source: str, low_m: float, high_m: float, size: str) -> Run:
    """Return a copper run of some length; whole feet in the files that give feet."""
    length_m = rng.uniform(low_m, high_m)
    if source in ("field", "book") or (source == "json" and "AWG" in size and rng.random() < 0.3):
        feet = round(length_m / 0.3048)
        return Run(feet * 0.3048, size, feet=feet)
    return Run(round(length_m, 1), size)


def add_circuit(rng: random.Random, system: System, number: int, model: str, phases: str) -> Circuit:
    """Add a circuit with a plausible count, orientation and feed."""
    metric = system.service in ("230", "400Y/230")
    single = system.service not in THREE_PHASE or phases != "ABC"
    trunk = (TRUNKS.get(system.service) or ("Brindle K4" if metric else "Larkfield TC-2")) if single else ""
    run = make_run(rng, system.source, 8, 40, METRIC_HOME[0] if metric else HOME_SIZES[0])
    circuit = Circuit(
        circuit_id=str(number),
        units=[Units(model, 1)],
        trunk=trunk or THREE_PHASE_TRUNKS[system.service],
        orientation=rng.choice(("portrait", "landscape", "landscape")),
        feed=rng.choices(("end", "centre", "arms"), weights=(5, 4, 1))[0],
        breaker_a=20,
        home_runs=[run],
        phases=phases,
        ambient_c=rng.choice((*place_of(system.text("region")).ambient_c, None)),
        raceway_conductors=rng.choice((2, 3, 3, 4, 6)),
    )
    if model == "Larkfield U380" and system.service == "120/240" and rng.random() < 0.4:
        circuit.trunk, circuit.breaker_a = "Larkfield TC-2H", rng.choice((25, 30))
    if not metric and rng.random() < 0.1:
        run.raceway = rng.choice(("steel", "pvc"))
    most = most_units(system, circuit, model)
    circuit.units[0].count = rng.randint(max(2, most * 2 // 3), most)
    split(rng, circuit)
    system.circuits.append(circuit)
    return circuit


def split(rng: random.Random, circuit: Circuit) -> None:
    """Give explicit arms where the feed asks for them; a short circuit is fed from its end."""
    if circuit.feed != "end" and circuit.count < 4:
        circuit.feed = "end"
    circuit.arm_counts = []
    if circuit.feed == "arms":
        first = rng.randint(max(1, circuit.count // 3), circuit.count // 2)
        circuit.arm_counts = [first, circuit.count - first]


def add_oddities(rng: random.Random, system: System, circuit: Circuit, model: str) -> None:
    """Add what only nested files can say: swapped units, extra trunk, a first section, two runs in series."""
    if rng.random() < 0.25 and model == "Larkfield U240" and circuit.count > 4:
        newer = "Larkfield U290"
        count = min(circuit.count, most_units(system, circuit, newer))
        circuit.units = [Units(model, count - 1), Units(newer, 1, rng.randint(1, count))]
        split(rng, circuit)
    if rng.random() < 0.2 and circuit.count > 4:
        cut = circuit.arm_counts[0] if circuit.arm_counts else (circuit.count + 1) // 2
        after = rng.choice([k for k in range(1, circuit.count) if k != cut])
        circuit.extra_trunk = [(after, rng.choice((2.0, 3.5, 5.0)))]
    if rng.random() < 0.1:
        circuit.first_section_m = rng.choice((0.0, 0.6, 3.0))
    if rng.random() < 0.15:
        run = circuit.home_runs[0]
        circuit.home_runs.append(Run(6.0, run.size))


def lay_out(rng: random.Random, number: int, order: Order) -> System:
    """Return a system with its circuits, before any wire is sized."""
    energized = datetime.date(rng.randint(*order.years), 1, 1) + datetime.timedelta(days=rng.randrange(365))
    facts = system_facts(rng, number, order.service, energized)
    metric = order.service in ("230", "400Y/230")
    entrance = make_run(rng, order.source, 3, 12, "70 mm2" if metric else "4/0 AWG")
    facts["service_drop_length_m"] = round(rng.uniform(12, 40), 1)
    facts["service_drop_size"] = rng.choice(("25 mm2", "35 mm2") if metric else ("2 AWG", "1/0 AWG", "4/0 AWG"))
    facts["service_drop_material"] = "aluminium"
    if not metric and rng.random() < 0.5:
        entrance.material = "aluminium"
    prefix = {"tidy": "Q", "field": "0", "json": "N", "book": "0", "island": "T"}[order.source]
    system = System(f"{prefix}{number:04d}", order.service, facts, [], {}, entrance, order.source)
    model = pick_model(rng, order.service, energized.year)
    facts["module_model"] = pick_module(model, energized.year)
    if order.service in ("120/240", "230"):
        facts.pop("distribution_feeder_id") if rng.random() < 0.2 else None
    for index in range(rng.choices(*CIRCUITS[order.service])[0]):
        add_circuit(rng, system, index + 1, model, phases_of(rng, order.service, index))
    balance(system)
    combine(rng, system)
    if order.source == "json":
        for circuit in system.circuits:
            add_oddities(rng, system, circuit, model)
        if any(circuit.mixed for circuit in system.circuits):
            facts["module_model"] = "Sollan 60-305"
    if order.source == "book":
        for circuit in system.circuits:
            if rng.random() < 0.2:
                circuit.home_runs.append(Run(20 * 0.3048, circuit.home_runs[0].size, feet=20))
    return system


def phases_of(rng: random.Random, service: str, index: int) -> str:
    """Return the phases a circuit uses: mostly all three, on three-phase services."""
    if service not in THREE_PHASE:
        return ""
    if rng.random() < 0.85:
        return "ABC"
    return ("AB", "BC", "CA")[index % 3] if service == "208Y/120" else ("A", "B", "C")[index % 3]


def balance(system: System) -> None:
    """Keep single-phase circuits on a metric three-phase service in sets of three alike."""
    if system.service != "400Y/230" or all(circuit.phases == "ABC" for circuit in system.circuits):
        return
    model, trunk = system.circuits[0].units[0].model, "Brindle K4"
    for index, circuit in enumerate(system.circuits):
        circuit.phases, circuit.trunk, circuit.arm_counts = "ABC"[index % 3], trunk, []
        circuit.units = [Units(model, 7 if model == "Brindle E350" else 10)]
        circuit.feed = "centre" if circuit.feed == "arms" else circuit.feed


def combine(rng: random.Random, system: System) -> None:
    """Gather circuits on one feeder, or on two combiners where there are many."""
    metric = system.service in ("230", "400Y/230")
    size = METRIC_FEEDER[0] if metric else FEEDER_SIZES[0]
    names = ("",)
    if len(system.circuits) >= 4 and rng.random() < 0.6:
        names = ("AC-1", "AC-2")
    for index, circuit in enumerate(system.circuits):
        circuit.combiner_id = names[index * len(names) // len(system.circuits)]
    for name in names:
        run = make_run(rng, system.source, 4, 22, size)
        system.feeders[name] = [run]
        if system.source == "json" and rng.random() < 0.25:
            system.feeders[name].append(Run(round(rng.uniform(2, 6), 1), size))
        if rng.random() < 0.25 and not metric:
            for part in system.feeders[name]:
                part.material = "aluminium"
        if system.source in ("json", "book") and not metric and rng.random() < 0.3:
            for part in system.feeders[name]:
                part.terminal_c = 75


def upsize(runs: list[Run], sizes: tuple[str, ...]) -> bool:
    """Take the next size; false when there is none."""
    place = sizes.index(runs[0].size)
    if place + 1 == len(sizes):
        return False
    for run in runs:
        run.size = sizes[place + 1]
    return True


def size_feeders(system: System, metric: bool) -> None:
    """Upsize each feeder until it carries its current and takes little of the target."""
    sizes, volts = (METRIC_FEEDER if metric else FEEDER_SIZES), unit_volts(system)
    flow, ambient_c = design_flow(system), verdicts.AMBIENT_C[system.text("region")]
    for name, runs in system.feeders.items():
        line_a = verdicts.line_amps(system, flow.feeder_a[name])
        while True:
            if metric:
                sound = all(1.1 * line_a <= STATED_A[run.size] for run in runs)
            else:
                sound = all(verdicts.ampacity(run, line_a, ambient_c, 3) == "pass" for run in runs)
            rough = sum(both_ways_v(run, line_a) for run in runs) / volts * 100
            if sound and rough < 0.5:
                break
            if not upsize(runs, sizes):
                for run in runs:
                    run.stretch(0.7)
                if rough < 0.5 or runs[0].length_m <= 0.5:
                    break


def both_ways_v(run: Run, line_a: float) -> float:
    """Return the voltage along a run and back [V]."""
    return 2 * line_a * run_ohm(run).real


def size_home_runs(rng: random.Random, system: System, metric: bool) -> None:
    """Feed long arms at their centre and upsize home runs until each total is below the goal set for it."""
    sizes = METRIC_HOME if metric else HOME_SIZES
    goals = {circuit.circuit_id: rng.uniform(1.1, 1.85) for circuit in system.circuits}
    for _ in range(14):
        numbers, busy = verdicts.figures(system), False
        for circuit in system.circuits:
            own = numbers[circuit.circuit_id]
            if circuit.feed == "end" and own.trunk_pct > 0.9 and circuit.count > 3:
                circuit.feed, busy = "centre", True
                continue
            ambient_c, conductors = verdicts.ambient_of(system, circuit), circuit.raceway_conductors or 3
            sound = metric or all(
                verdicts.ampacity(run, own.line_a, ambient_c, conductors) == "pass"
                and verdicts.next_standard(verdicts.usable_amps(run, ambient_c, conductors)[1]) >= circuit.breaker_a
                for run in circuit.home_runs
            )
            if not sound or own.total_pct > goals[circuit.circuit_id]:
                busy = True
                if not upsize(circuit.home_runs, sizes):
                    for run in circuit.home_runs:
                        run.stretch(0.7)
        if not busy:
            return


def choose_panel(rng: random.Random, system: System) -> None:
    """Choose a panel and a place on it that carries the solar current with room, or the supply side."""
    facts = system.facts
    facts["connection_side"] = "supply" if rng.random() < 0.2 else "load"
    facts["other_sources_a"] = 0
    solar_a = verdicts.line_amps(system, design_flow(system).system_a)
    places = ["opposite end"] * 6 + ["main end", "elsewhere"]
    facts["backfeed_position"] = rng.choice(places + (["centre-fed end"] if system.service == "120/240" else []))
    fitting = []
    for facts["busbar_a"], facts["main_breaker_a"] in PANELS:
        if verdicts.busbar(system, solar_a) != "near" and verdicts.busbar(system, solar_a) != "fail":
            fitting.append((facts["busbar_a"], facts["main_breaker_a"]))
    facts["busbar_a"], facts["main_breaker_a"] = rng.choice(fitting[:3])
    if rng.random() < 0.5:
        facts["busbar_breakers_a"] = round(float(facts["busbar_a"]) * rng.uniform(1.1, 1.6) / 5) * 5


def finish(rng: random.Random, system: System) -> None:
    """Size every run, choose the panel and state the ratings of metric runs."""
    metric = system.service in ("230", "400Y/230")
    size_feeders(system, metric)
    size_home_runs(rng, system, metric)
    if not metric:
        choose_panel(rng, system)
        return
    for runs in [circuit.home_runs for circuit in system.circuits] + list(system.feeders.values()):
        for run in runs:
            run.rated_a = STATED_A[run.size]
