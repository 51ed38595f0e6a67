"""The array types of the electrical functions, and the one sum they share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
#: A column of figures, or one figure for a whole column.
Figures = FloatArray | float

#: Real and imaginary parts along the first axis, (2, ...): complex arithmetic need not give the same bits in batches
#: of other sizes.
Phasors = FloatArray


def total_by(index: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum values (n,) that share an index (n,) into (size,), each sum in the order of the values."""
    return np.asarray(np.bincount(index, weights=values, minlength=size), dtype=np.float64)


def rise_through(r_ohm: FloatArray, x_ohm: FloatArray, current_a: Phasors) -> Phasors:
    """Return the rise (R + jX)·I [V] that currents (2, ...) [A] make through impedances [Ω]."""
    rise_v = r_ohm * current_a
    rise_v[0] -= x_ohm * current_a[1]
    rise_v[1] += x_ohm * current_a[0]
    return rise_v
