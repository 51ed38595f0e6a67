"""The array types of the electrical functions, and the one sum they share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
#: A column of figures, or one figure for a whole column.
Figures = FloatArray | float

#: Real and imaginary parts, kept apart: complex arithmetic need not give the same bits in batches of other sizes.
Phasors = tuple[FloatArray, FloatArray]


def total_by(index: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum values (n,) that share an index (n,) into (size,), each sum in the order of the values."""
    return np.asarray(np.bincount(index, weights=values, minlength=size), dtype=np.float64)
