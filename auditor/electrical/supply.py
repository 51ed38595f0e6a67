"""The supply ahead of the wiring: transformer and triplex service drop."""

from __future__ import annotations

import numpy as np

from auditor.electrical.arrays import Figures, FloatArray


def reactance_pct(z_pct: Figures, r_pct: Figures) -> FloatArray:
    """Return a transformer's reactance [%] from its impedance and resistance [%]: X% = √(Z%² − R%²).

    NaN where R% exceeds Z%, which no transformer has.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(np.sqrt(z_pct * z_pct - r_pct * r_pct), dtype=np.float64)


def transformer_impedance(
    kva: Figures, r_pct: Figures, x_pct: Figures, winding_v: Figures
) -> tuple[FloatArray, FloatArray]:
    """Return a transformer's resistance and reactance [Ω] on one winding: z = z%/100 · V²/S.

    Parameters
    ----------
    kva : rating [kVA].
    r_pct, x_pct : resistance and reactance on that rating [%].
    winding_v : full winding voltage [V]: 240 on a 120/240 V service, where the figure is that of the whole loop (half
        of it stands for each of the two conductors); the line voltage on three phases, where it is that of each phase.
    """
    base_ohm = winding_v * winding_v / (1000 * kva)
    return np.asarray(r_pct / 100 * base_ohm), np.asarray(x_pct / 100 * base_ohm)


def transformer_rise_pct(r_pct: Figures, x_pct: Figures, p_kw: Figures, q_kvar: Figures, kva: Figures) -> FloatArray:
    """Return the linear rise [%] through a transformer: (R%·P + X%·Q)/S.

    Parameters
    ----------
    r_pct, x_pct : resistance and reactance on the rating [%].
    p_kw, q_kvar : injected real and reactive power [kW], [kvar].
    kva : rating S [kVA].
    """
    return np.asarray((r_pct * p_kw + x_pct * q_kvar) / kva, dtype=np.float64)


def triplex_leg_impedance(self_ohm: Figures, mutual_ohm: Figures) -> FloatArray:
    """Return the impedance of one leg of a triplex drop to the current that returns in the other: Z_self − Z_mutual.

    Holds for resistance and for reactance alike [Ω, or any unit linear in it]; the 240 V loop has twice as much.
    """
    return np.asarray(self_ohm - mutual_ohm, dtype=np.float64)
