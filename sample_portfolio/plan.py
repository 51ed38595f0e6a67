"""What the sample holds in memory: systems, circuits and runs, as a person would sketch them."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Run:
    """A run of wire; length one way [m], from whole feet where the file gives feet. Ratings are None unless stated."""

    length_m: float
    size: str
    material: str = "copper"
    raceway: str | None = None
    terminal_c: int | None = None
    rated_a: float | None = None
    feet: int | None = None

    def stretch(self, factor: float) -> None:
        """Change the length, to a whole foot or a tenth of a metre, as it is written."""
        if self.feet is None:
            self.length_m = max(0.5, round(self.length_m * factor, 1))
        else:
            self.feet = max(2, round(self.feet * factor))
            self.length_m = self.feet * 0.3048


@dataclass
class Units:
    """So many inverters of one model; a position [1 = start of the cut cable] where a single unit differs."""

    model: str
    count: int
    position: int | None = None


@dataclass
class Circuit:
    """A branch circuit. `shown` holds what the files say instead of the truth ("" where they say nothing).

    `again` is what a second row of the circuit says otherwise, `stated_pct` the total rise that its design states [%];
    `modules` are as many as its units unless said.
    """

    circuit_id: str
    units: list[Units]
    trunk: str
    orientation: str
    feed: str
    breaker_a: float
    home_runs: list[Run]
    arm_counts: list[int] = field(default_factory=list)
    first_section_m: float | None = None
    extra_trunk: list[tuple[int, float]] = field(default_factory=list)
    combiner_id: str = ""
    phases: str = ""
    ambient_c: float | None = None
    raceway_conductors: int | None = 3
    modules: int | None = None
    stated_pct: float | None = None
    shown: dict[str, str] = field(default_factory=dict)
    again: dict[str, str] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Inverters on the circuit."""
        return sum(group.count for group in self.units)

    @property
    def module_count(self) -> int:
        """Modules on the circuit."""
        return self.count if self.modules is None else self.modules

    @property
    def mixed(self) -> bool:
        """Whether units of several models share the circuit."""
        return len({group.model for group in self.units}) > 1

    @property
    def model(self) -> str:
        """The model most of its units are of."""
        return max(self.units, key=lambda group: group.count).model


@dataclass
class System:
    """A system; `facts` are the system's columns by their canonical names, as text or number.

    `doubts` are values planted in it that nobody would build: (circuit or "", code of the warning, why).
    """

    system_id: str
    service: str
    facts: dict[str, object]
    circuits: list[Circuit]
    feeders: dict[str, list[Run]]
    entrance: Run
    source: str = "tidy"
    shown: dict[str, str] = field(default_factory=dict)
    kinds: list[str] = field(default_factory=list)
    doubts: list[tuple[str, str, str]] = field(default_factory=list)

    def number(self, name: str) -> float:
        """A system fact as a number; KeyError where it has none."""
        return float(str(self.facts[name]))

    def text(self, name: str) -> str:
        """A system fact as text, "" where it has none."""
        return str(self.facts.get(name, ""))
