"""Which single look would tell most: each possible one with the bits that it is expected to give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.policy import Policy
from auditor.triage import causes
from auditor.triage.contrasts import ONCE_PCT, Contrast
from auditor.triage.site import PERCENT, Site
from auditor.triage.weighing import Prediction, chances_of, information, information_of_kinds

#: Output at which a reading is asked for, and below which expected information a look is not worth a visit.
NEAR_FULL, LEAST_BITS = 0.8, 0.02
#: A unit on a trunk cable has no terminals.
UNIT_READING = (
    "the unit's own reading (gateway), else in the junction box by a qualified person; no trunk connector is opened or"
    " probed under load"
)
#: A look at the settings in force misses a wrong one with this chance, and finds one where there is none likewise.
MISREAD = 0.02


@dataclass(frozen=True)
class Look:
    """One possible look: where, with the solar on or off, what to do in a sentence, what it is expected to tell,
    and which circuit is read live, None where it is none by itself.
    """

    place: str
    solar: str
    sentence: str
    bits: float
    circuit_id: str | None = None


def looks(chances: FloatArray, site: Site, known: set[str], policy: Policy) -> list[Look]:
    """All looks that are worth a visit, the most telling first; `known` are the looks that were taken already."""
    bound = _meter_bound(site, policy)
    found = [
        *(_measured(chances, site, policy, bound, known)),
        *(_looked(chances, policy, known)),
    ]
    return sorted((look for look in found if look.bits >= LEAST_BITS), key=lambda look: -look.bits)


def _meter_bound(site: Site, policy: Policy) -> float:
    """Error of a hand-held meter [% of nominal]."""
    volts = site.unit_v or 240.0
    return policy.triage.meter_error_pct + policy.triage.meter_error_v / volts * PERCENT


def _measured(chances: FloatArray, site: Site, policy: Policy, bound: float, known: set[str]) -> list[Look]:
    """Looks with a meter."""
    circuit = site.worst.circuit_id if site.worst else None
    # Of an entrance that is not recorded nothing is computed; its short way is left out.
    legs = site.conductors
    panel = "main panel" if site.worst and site.worst.between("service", "main panel") is not None else "service"
    made: list[Look] = []

    def add(
        key: str, place: str, solar: str, sentence: str, of: Callable[[], list[Prediction] | None], a: float
    ) -> None:
        predictions = of() if key not in known else None
        if predictions is not None:
            bits = information(chances, predictions, ONCE_PCT, a)
            made.append(Look(place, solar, sentence, bits, circuit if "unit" in place else None))

    add(
        "supply", "main panel", "off",
        f"Measure {legs} at the main panel with the solar off, around noon on a clear day.",
        lambda: causes.of_supply(site, policy), bound,
    )  # fmt: skip
    add(
        "step at panel", "main panel", "on, then off",
        f"Measure {legs} at the main panel with the solar on near full output, then off within minutes, with the same"
        " meter.",
        lambda: causes.of_rise(_wanted("step", panel, panel, None), site, policy), bound / NEAR_FULL,
    )  # fmt: skip
    where = f" of circuit {circuit}" if circuit else ""
    add(
        f"difference {circuit}", "main panel and unit", "on",
        f"Measure {legs} at the main panel near full output, and within minutes the last unit{where}: {UNIT_READING}.",
        lambda: causes.of_rise(_wanted("difference", "main panel", "unit", circuit), site, policy), bound / NEAR_FULL,
    )  # fmt: skip
    add(
        "at trip", "unit", "on",
        f"Record the voltage at the last unit{where} until it trips, with its highest value in each interval:"
        f" {UNIT_READING}.",
        lambda: causes.at_trip(policy) if site.threshold_pct is not None else None, bound,
    )  # fmt: skip
    return made


def _wanted(kind: str, nearer: str, farther: str, circuit: str | None) -> Contrast:
    return Contrast(kind, nearer, farther, circuit, 0.0, 0.0, 0.0, 0, True)


def _looked(chances: FloatArray, policy: Policy, known: set[str]) -> list[Look]:
    """Looks that need no meter."""
    wrong = chances_of(MISREAD, settings=1 - MISREAD)
    right = policy.triage.told_rightly
    high = chances_of(right, other=1 - right)
    made = []
    if "settings" not in known:
        sentence = "Read the grid profile and its overvoltage thresholds out of every unit, swapped ones above all."
        made.append(Look("unit", "on", sentence, information_of_kinds(chances, np.stack([wrong, 1 - wrong], axis=1))))
    if "alarm words" not in known:
        sentence = "Fetch the alarm log of the units for the days of the complaint."
        made.append(Look("unit", "any", sentence, information_of_kinds(chances, np.stack([high, 1 - high], axis=1))))
    return made


def taken(found: list[Contrast], names: set[str]) -> set[str]:
    """The keys of the looks that contrasts and other evidence stand for."""
    keys = set(names)
    for each in found:
        if each.kind == "supply":
            keys.add("supply")
        elif each.kind == "step" and each.farther in ("service", "main panel"):
            keys.add("step at panel")
        elif each.kind == "difference" and each.farther == "unit":
            keys.add(f"difference {each.circuit_id}")
    return keys
