"""Conductors: resistance at a temperature."""

from __future__ import annotations

import numpy as np

from auditor.electrical.arrays import Figures, FloatArray


def resistance_at(r_ohm: Figures, alpha_per_c: Figures, reference_c: Figures, temp_c: Figures) -> FloatArray:
    """Return a resistance at another conductor temperature: R2 = R1·[1 + α·(T2 − T1)].

    NEC (NFPA 70) Chapter 9 Table 8, Note 2, with α at the reference temperature T1 (75 °C there: 0.00323 for copper,
    0.00330 for aluminium).

    Parameters
    ----------
    r_ohm : resistance at the reference temperature [Ω, or any unit linear in it].
    alpha_per_c : temperature coefficient at the reference temperature [1/°C].
    reference_c, temp_c : reference and wanted conductor temperature [°C].
    """
    return np.asarray(r_ohm * (1 + alpha_per_c * (temp_c - reference_c)), dtype=np.float64)
