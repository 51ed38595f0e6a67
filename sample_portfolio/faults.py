"""The faults that are planted, one function each, and the facts that are left out.

A fault is set before the wires are sized, so that nothing else is wrong, or after, where the wire itself is the fault.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from sample_portfolio import verdicts
from sample_portfolio.arithmetic import EQUIPMENT, THREE_PHASE
from sample_portfolio.build import FEEDER_SIZES, Alter, Order, balance, nothing, split
from sample_portfolio.plan import Circuit, System, Units


@dataclass(frozen=True)
class Fault:
    """A kind of fault: the check it must fail, and where and when it may be planted."""

    kind: str
    check: str
    services: tuple[str, ...]
    count: int
    before: Alter = nothing
    after: Alter = nothing
    years: tuple[int, int] = (2012, 2025)
    regions: tuple[str, ...] = ()
    designers: tuple[str, ...] = ()

    @property
    def why(self) -> str:
        """What is wrong, in a sentence."""
        step = self.before if self.after is nothing or self.before is not nothing else self.after
        return (step.__doc__ or self.kind).splitlines()[0].rstrip(".")

    def order(self, service: str, source: str) -> Order:
        """Return what to build."""
        first = max(self.years[0], 2014 if service == "480Y/277" else 2012)
        return Order(service, source, (first, self.years[1]), self.before, self.after)


def one(rng: random.Random, system: System) -> Circuit:
    """Pick the circuit that goes wrong."""
    return rng.choice(system.circuits)


def fill(rng: random.Random, circuit: Circuit, model: str, count: int) -> None:
    """Put so many units of one model on a circuit."""
    circuit.units = [Units(model, count)]
    circuit.extra_trunk = []
    split(rng, circuit)


def refit(rng: random.Random, system: System, model: str, module: str) -> Circuit:
    """Give the whole system another inverter model, in small circuits, and return the one that goes wrong."""
    system.facts["module_model"] = module
    for circuit in system.circuits:
        circuit.breaker_a, circuit.trunk = 20, "Larkfield TC-2"
        fill(rng, circuit, model, min(circuit.count, 8))
    return one(rng, system)


def long_home_run(rng: random.Random, system: System) -> None:
    """One array lies much farther away than was drawn."""
    circuit, goal = one(rng, system), rng.uniform(2.15, 3.2)
    own = verdicts.figures(system)[circuit.circuit_id]
    for run in circuit.home_runs:
        run.stretch((goal - own.total_pct + own.home_run_pct) / own.home_run_pct)


def far_array(rng: random.Random, system: System) -> None:
    """So far away that even the terminal voltage at the top of the range is too high."""
    circuit, room = one(rng, system), 5.0 if system.service in ("120/240", "208Y/120", "480Y/277") else 2.174
    own, goal = verdicts.figures(system)[circuit.circuit_id], room * rng.uniform(1.15, 1.5)
    for run in circuit.home_runs:
        run.stretch((goal - own.total_pct - own.entrance_pct + own.home_run_pct) / own.home_run_pct)


def long_feeder(rng: random.Random, system: System) -> None:
    """The combiner hangs far from the panel, and every circuit suffers."""
    numbers, goal = verdicts.figures(system), rng.uniform(2.2, 2.9)
    for name, runs in system.feeders.items():
        own = [numbers[c.circuit_id] for c in system.circuits if c.combiner_id == name]
        lowest = min(own, key=lambda f: f.total_pct)
        for run in runs:
            run.stretch((goal - lowest.total_pct + lowest.feeder_pct) / lowest.feeder_pct)


def fed_from_the_end(rng: random.Random, system: System) -> None:
    """Big branches fed from the end although drawn with the feed at the centre."""
    for circuit in system.circuits:
        if circuit.feed != "end" and circuit.count > 10:
            circuit.feed, circuit.arm_counts, circuit.orientation = "end", [], "landscape"


def too_many_units(rng: random.Random, system: System) -> None:
    """More units than the spec allows."""
    circuit = one(rng, system)
    limit = verdicts.unit_limit(system, circuit)
    fill(rng, circuit, circuit.model, limit + max(1, round(limit * rng.choice((0.08, 0.12, 0.2)))))


def first_sheet(rng: random.Random, system: System) -> None:
    """Sixteen units, as the first sheet of this model allowed."""
    circuit = one(rng, system)
    fill(rng, circuit, "Larkfield U240", 16)


def odd_breaker(rng: random.Random, system: System) -> None:
    """A rating that is not made."""
    circuit = refit(rng, system, "Larkfield U380", "Sollan 108-425")
    circuit.breaker_a = 18


def small_breaker(rng: random.Random, system: System) -> None:
    """A breaker below 1.25 times the current, although the sheet would have it so."""
    system.facts["module_model"] = "Sollan 60-265"
    for circuit in system.circuits:
        fill(rng, circuit, "Larkfield U215", min(circuit.count, 14))
    circuit = one(rng, system)
    circuit.breaker_a = 15
    fill(rng, circuit, "Larkfield U215", rng.choice((15, 16)))


def breaker_above_trunk(rng: random.Random, system: System) -> None:
    """A breaker larger than the trunk cable allows."""
    circuit = refit(rng, system, "Larkfield U380", "Sollan 108-425")
    fill(rng, circuit, "Larkfield U380", rng.choice((11, 12)))
    circuit.breaker_a = 25


def trunk_overloaded(rng: random.Random, system: System) -> None:
    """More current than the trunk cable is listed for, fed from one end."""
    circuit = refit(rng, system, "Larkfield U380", "Sollan 108-425")
    circuit.feed, circuit.orientation, circuit.breaker_a = "end", "portrait", 30
    fill(rng, circuit, "Larkfield U380", 14)


def keep_end_feed(rng: random.Random, system: System) -> None:
    """Put the overloaded circuit back to one arm, where sizing split it."""
    for circuit in system.circuits:
        if circuit.breaker_a == 30:
            circuit.feed = "end"


def hot_raceway(rng: random.Random, system: System) -> None:
    """A 15 A circuit on small wire, in a hot raceway with many others."""
    circuit = one(rng, system)
    fitting = {"Larkfield U215": 12, "Larkfield U290": 9, "Larkfield U380": 7}
    fill(rng, circuit, circuit.model, fitting.get(circuit.model, 10))
    circuit.breaker_a, circuit.trunk = 15, "Larkfield TC-2"


def thin_wire(rng: random.Random, system: System) -> None:
    """Thin the home run of that circuit."""
    for circuit in system.circuits:
        if circuit.breaker_a == 15:
            circuit.ambient_c, circuit.raceway_conductors = rng.choice((47.0, 49.0, 50.0)), rng.choice((12, 15, 18))
            for run in circuit.home_runs:
                run.size = "14 AWG"
                run.stretch(0.2)


def crowded_raceway(rng: random.Random, system: System) -> None:
    """A 20 A circuit on 12 AWG in a hot raceway, with many others."""
    circuit = one(rng, system)
    circuit.ambient_c, circuit.raceway_conductors = rng.choice((47.0, 50.0, 54.0)), rng.choice((10, 12, 16))
    for run in circuit.home_runs:
        run.size = "12 AWG"
        run.stretch(0.3)


def heavy_branch(rng: random.Random, system: System) -> None:
    """A 25 A branch on the heavier trunk."""
    circuit = refit(rng, system, "Larkfield U380", "Sollan 108-425")
    circuit.trunk, circuit.breaker_a = "Larkfield TC-2H", 25
    fill(rng, circuit, "Larkfield U380", rng.choice((11, 12)))


def sixty_degrees(rng: random.Random, system: System) -> None:
    """Wire that would do at 75 °C, at terminals that are good for 60."""
    for circuit in system.circuits:
        if circuit.breaker_a == 25:
            circuit.ambient_c, circuit.raceway_conductors = 30.0, 3
            for run in circuit.home_runs:
                run.size = "12 AWG"
                run.stretch(0.3)


def thin_feeder(rng: random.Random, system: System) -> None:
    """A feeder of a size or two too small, and short enough not to matter otherwise."""
    name = rng.choice(list(system.feeders))
    down = rng.choice((1, 2, 3))
    for run in system.feeders[name]:
        run.size = FEEDER_SIZES[max(0, FEEDER_SIZES.index(run.size) - down)]
        run.stretch(0.6)


def crowded_busbar(rng: random.Random, system: System) -> None:
    """More solar than the busbar may carry beside its main, by every rule."""
    facts = system.facts
    facts["connection_side"], facts["backfeed_position"] = (
        "load",
        rng.choice(("opposite end", "opposite end", "main end")),
    )
    facts["busbar_a"], facts["main_breaker_a"] = rng.choice(((100, 100), (125, 125), (200, 200), (400, 400)))
    facts["busbar_breakers_a"] = round(float(str(facts["busbar_a"])) * rng.uniform(1.3, 1.7) / 5) * 5


def wrong_end(rng: random.Random, system: System) -> None:
    """A solar breaker next to the main, where the 120 % rule does not hold."""
    crowded_busbar(rng, system)
    system.facts["backfeed_position"] = rng.choice(("main end", "elsewhere"))


def derated_cable(rng: random.Random, system: System) -> None:
    """A cable whose rating as installed is below its breaker."""
    for run in one(rng, system).home_runs:
        run.rated_a = rng.choice((16, 17, 18))


def too_much_current(rng: random.Random, system: System) -> None:
    """A design current above the device."""
    circuit = one(rng, system)
    fill(rng, circuit, circuit.model, {"Brindle E350": 14, "Brindle E235": 21}[circuit.model])
    circuit.phases, circuit.trunk = "", "Brindle K4"


def one_phase(rng: random.Random, system: System) -> None:
    """Single-phase circuits crowded on one phase."""
    system.circuits[0].phases = "A"
    balance(system)
    for circuit in system.circuits[:3]:
        circuit.phases = "A"


def module(name: str, model: str) -> Alter:
    """Return a fault that pairs a module with an inverter model it does not suit."""

    def alter(rng: random.Random, system: System) -> None:
        """A module that the inverter is not made for."""
        system.facts["module_model"] = name
        for circuit in system.circuits:
            if circuit.model != model:
                circuit.breaker_a = 20
                circuit.trunk = "Larkfield TC-2" if system.service not in THREE_PHASE else circuit.trunk
                spec = EQUIPMENT["inverter"][model]["current_a"]
                amps = min(float(a) for a in spec.values())
                fill(rng, circuit, model, max(3, min(circuit.count, int(14 / amps))))

    return alter


NEC_SINGLE = ("120/240",)
NEC = ("120/240", "208Y/120", "480Y/277")
ALL = (*NEC, "230", "400Y/230")
RISE = ("Tevin",)
FAULTS = (
    Fault("long home run", "voltage-rise", ALL, 10, after=long_home_run, years=(2015, 2018), designers=RISE),
    Fault("long home run", "voltage-rise", ALL, 8, after=long_home_run),
    Fault("long feeder", "voltage-rise", ALL, 7, after=long_feeder),
    Fault(
        "end feed on a big branch", "voltage-rise", ("120/240", "208Y/120"), 7, after=fed_from_the_end, designers=RISE
    ),
    Fault("far array", "terminal-voltage", ALL, 6, after=far_array),
    Fault("too many units", "branch-unit-limit", ALL, 7, before=too_many_units),
    Fault("designed to the first sheet", "branch-unit-limit", NEC_SINGLE, 6, first_sheet, years=(2013, 2017)),
    Fault("rating not made", "breaker-size", NEC_SINGLE, 3, odd_breaker, years=(2021, 2025)),
    Fault("breaker too small", "breaker-size", NEC_SINGLE, 4, small_breaker, years=(2012, 2016)),
    Fault("breaker above the trunk's", "breaker-size", NEC_SINGLE, 3, breaker_above_trunk, years=(2021, 2025)),
    Fault("trunk overloaded", "trunk-current", NEC_SINGLE, 3, trunk_overloaded, keep_end_feed, years=(2021, 2025)),
    Fault("hot and crowded raceway", "home-run-ampacity", NEC_SINGLE, 4, hot_raceway, thin_wire),
    Fault("crowded raceway", "home-run-ampacity", NEC_SINGLE, 4, after=crowded_raceway),
    Fault("terminals at 60 °C", "home-run-ampacity", NEC_SINGLE, 3, heavy_branch, sixty_degrees, years=(2021, 2025)),
    Fault("feeder too small", "feeder-ampacity", NEC, 6, after=thin_feeder),
    Fault("crowded busbar", "busbar", NEC, 5, after=crowded_busbar),
    Fault("wrong end of the busbar", "busbar", NEC, 4, after=wrong_end),
    Fault("cable derated below its breaker", "current-coordination", ("230", "400Y/230"), 4, after=derated_cable),
    Fault("current above the device", "current-coordination", ("230",), 3, before=too_much_current),
    Fault("crowded on one phase", "phase-imbalance", ("400Y/230",), 4, before=one_phase),
    Fault(
        "module too high in the cold",
        "module-cold-voltage",
        ("120/240", "208Y/120"),
        4,
        module("Sollan 72-300", "Larkfield U240"),
        years=(2012, 2016),
        regions=("Upper Ennick",),
    ),
    Fault("module below the window", "module-input-window", NEC_SINGLE, 3, module("Pellow S-255", "Larkfield U215")),
    Fault(
        "module current too high",
        "module-input-current",
        NEC_SINGLE,
        3,
        module("Pellow L-500", "Larkfield U380"),
        years=(2021, 2025),
    ),
    Fault(
        "module too strong", "power-ratio", NEC_SINGLE, 3, module("Pellow L-480", "Larkfield U290"), years=(2021, 2025)
    ),
    Fault(
        "module too weak", "power-ratio", NEC_SINGLE, 3, module("Pellow S-190", "Larkfield U240"), years=(2012, 2018)
    ),
)
