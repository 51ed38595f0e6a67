"""The units of prepared systems one by one: the networks behind the figures of a circuit's worst unit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from auditor.electrical.arrays import FloatArray, IntArray
from auditor.electrical.network import Network
from auditor.prepare.frames import Prepared
from auditor.prepare.layout import Units, listed_units, section_lengths
from auditor.prepare.networks import Batch, _turned, _worst_unit, build, is_worse, unit_rises
from auditor.prepare.specs import Frames


@dataclass(frozen=True)
class Turn:
    """The systems with their units rotating in one direction along the cable.

    Attributes
    ----------
    network : the network; the impedance of a home run of unknown length is NaN.
    units : where the units sit.
    section_m : (U,) length of the trunk section before each unit [m].
    rise_pct : (U,) by part (trunk, home_run, feeder, service_entrance, service_drop) and `known`: the design-practice
        rise [%]; that of a home run of unknown length is the rise of one metre.
    worst : (C,) the unit of each circuit with the largest known rise.
    """

    network: Network
    units: Units
    section_m: FloatArray
    rise_pct: dict[str, FloatArray]
    worst: IntArray


def turns(prepared: Prepared, unit: pl.DataFrame, catalog: Frames) -> list[Turn]:
    """Return the systems' units: one turn for single-phase services, both directions on three phases.

    The rotation's direction is not in the records, so the figures of a circuit are those of its worse turn; see
    `worse_turn`. Empty where no system has a circuit; ValueError where the services are of both kinds.
    """
    if not prepared.circuit.height:
        return []
    kinds = prepared.system["three_phase_service"].unique().to_list()
    if len(kinds) != 1:
        raise ValueError("single-phase and three-phase services have no network in common")
    listed = listed_units(prepared.circuit, unit, catalog)
    batch = Batch(prepared.system, prepared.feeder, prepared.circuit, listed)
    network, units = build(batch, bool(kinds[0]))
    unmeasured = prepared.circuit["home_run_no_length"].fill_null(False).to_numpy()
    measured = np.where(unmeasured, np.nan, network.home_run_r_ohm)
    lengths = section_lengths(prepared.circuit, units)
    found = []
    for turned in _turned(network, units, batch):
        rises = unit_rises(turned, units, batch)
        exact = replace(turned, home_run_r_ohm=measured, home_run_neutral_r_ohm=measured)
        found.append(Turn(exact, units, lengths, rises, _worst_unit(rises["known"], units)))
    return found


def worse_turn(found: list[Turn]) -> IntArray:
    """Return for each circuit (C,) the turn that its rise is taken from: the first, unless the second is worse."""
    known = [turn.rise_pct["known"][turn.worst] for turn in found]
    worse = np.zeros(known[0].size, dtype=np.int64)
    for number in range(1, len(found)):
        worse = np.where(is_worse(known[number], known[0]), number, worse)
    return worse
