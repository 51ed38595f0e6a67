"""A block of a table: logarithms over the spread of the level, own rise, neighbours' sun and margin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import FloatArray

Logs = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Block:
    """Logarithms (s, u, h, m, columns) in single precision, which is worth 2e-6 of a figure; and their axes.

    spread_pct (s,), own_pct (u,), beta_pct (h,) rise; margins (m,) are the table's. acts tells how the own rise enters
    (see `grid`), weight its weight in the margin; between spreads logs are straight in −1/(spread² + soft_pct2).
    """

    logs: Logs
    spread_pct: FloatArray
    own_pct: FloatArray
    beta_pct: FloatArray
    acts: int
    weight: float
    soft_pct2: float

    @cached_property
    def columns(self) -> tuple[Logs, ...]:
        """Each column by itself, (s·u·h·m,)."""
        return tuple(np.ascontiguousarray(self.logs[..., k]).ravel() for k in range(self.logs.shape[-1]))

    def as_arrays(self, name: str) -> dict[str, npt.NDArray[np.generic]]:
        """The block as arrays by name."""
        return {
            f"{name}_logs": self.logs,
            f"{name}_spread_pct": self.spread_pct,
            f"{name}_own_pct": self.own_pct,
            f"{name}_beta_pct": self.beta_pct,
            f"{name}_own": np.array([float(self.acts), self.weight, self.soft_pct2]),
        }

    @classmethod
    def from_arrays(cls, arrays: dict[str, npt.NDArray[np.generic]], name: str) -> Block:
        """The block that `as_arrays` gave."""
        acts, weight, soft_pct2 = np.asarray(arrays[f"{name}_own"], dtype=np.float64)
        spread, own, beta = (
            np.asarray(arrays[f"{name}_{axis}_pct"], dtype=np.float64) for axis in ("spread", "own", "beta")
        )
        return cls(
            logs=np.asarray(arrays[f"{name}_logs"], dtype=np.float32),
            spread_pct=spread,
            own_pct=own,
            beta_pct=beta,
            acts=int(acts),
            weight=float(weight),
            soft_pct2=float(soft_pct2),
        )
