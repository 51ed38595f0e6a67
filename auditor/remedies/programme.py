"""The integer programme of a plan: at most one option a system within a budget, the most gain; exact for any size.

Maximise Σ gain x with Σ cost x <= budget, Σ x <= 1 in each system, x in {0, 1}. At a price λ of the budget every
system takes its best gain - λ cost, and λ budget + Σ best bounds all plans from above (Lagrange). An option that lies
further below its system's best than this bound lies above some plan that fits is in no better plan, and is left out:
of many systems only those near the margin are left for HiGHS, which solves them exactly.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray

#: Longest time for HiGHS [s]; a plan that is not proved best by then says how far from it it may be.
LONGEST_S = 20.0
#: Halvings of the price's range.
HALVINGS = 80
#: Options that are tried to use up what the plan at the price leaves of the budget.
TRIED = 5_000
#: Options next to the margin that are solved first: a plan of these is mostly so good that no others need be looked at.
CORES = (200, 1_000)
#: Relative gap at which a plan counts as the best.
EXACT = 1e-9
#: What rounding may do to a sum of gains, as a share of it.
ROUNDING = 1e-12


@dataclass(frozen=True)
class Options:
    """Options by system, those of one system together, the cheapest first; `first` is where each system starts."""

    gain: FloatArray
    cost: FloatArray
    first: IntArray

    @property
    def system(self) -> IntArray:
        """(n,) the number of each option's system."""
        return np.repeat(np.arange(self.first.size), np.diff([*self.first, self.gain.size]))


@dataclass(frozen=True)
class _Priced:
    """What every system takes at a price: `best` (s,) its worth there, `taken` (n,) which options those are."""

    best: FloatArray
    taken: BoolArray


def _at_price(options: Options, price: float) -> _Priced:
    """Of equal options the first is taken, and none where none is worth its price."""
    worth = options.gain - price * options.cost
    best = np.maximum(np.maximum.reduceat(worth, options.first), 0.0)
    system = options.system
    rows = np.where((worth >= best[system]) & (worth > 0), np.arange(worth.size), worth.size)
    chosen = np.minimum.reduceat(rows, options.first)
    taken = np.zeros(worth.size, dtype=np.bool_)
    taken[chosen[chosen < worth.size]] = True
    return _Priced(best, taken)


def _lowest_price(options: Options, budget: float) -> float:
    """The lowest price, nearly, at which what the systems take is within the budget."""
    paid = options.cost > 0
    low, high = 0.0, float((options.gain[paid] / options.cost[paid]).max(initial=0.0)) * 2 + 1.0
    if float(options.cost[_at_price(options, low).taken].sum()) <= budget:
        return low
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        within = float(options.cost[_at_price(options, middle).taken].sum()) <= budget
        low, high = (low, middle) if within else (middle, high)
    return high


def _filled_up(options: Options, taken: BoolArray, short: FloatArray, budget: float) -> BoolArray:
    """A plan that fits: options that are least short of their system's best, exchanged while the budget lasts."""
    system, plan = options.system, taken.copy()
    held = np.full(options.first.size, -1)
    held[system[taken]] = np.flatnonzero(taken)
    left = budget - float(options.cost[taken].sum())
    for row in np.argsort(short, kind="stable")[:TRIED].tolist():
        now = held[system[row]]
        more = options.cost[row] - (options.cost[now] if now >= 0 else 0.0)
        better = options.gain[row] > (options.gain[now] if now >= 0 else 0.0)
        if better and more <= left:
            plan[row], left = True, left - more
            if now >= 0:
                plan[now] = False
            held[system[row]] = row
    return plan


def solved(options: Options, budget: float) -> tuple[BoolArray, float]:
    """Return which options (n,) the best plan takes, and the most that any plan could gain.

    The two agree where the plan is proved best, which it is unless HiGHS runs out of time.
    """
    price = _lowest_price(options, budget)
    at = _at_price(options, price)
    system = options.system
    short = at.best[system] - (options.gain - price * options.cost)
    best = _filled_up(options, at.taken, short, budget)
    bound, reached = price * budget + float(at.best.sum()), float(options.gain[best].sum())
    if price == 0.0:
        return best, reached  # the budget buys the best of every system
    # What else a system could do, taking nothing among it, by how far that is from its best.
    others = np.sort(np.concatenate([short[~at.taken], at.best[at.best > 0]]))
    for count in (*CORES, others.size):
        gap = max(bound - reached, 0.0) + ROUNDING * bound
        near = min(gap, float(others[count])) if count < others.size else gap
        taken, most = _near_margin(options, at, short, near, budget)
        if float(options.gain[taken].sum()) > reached:
            best, reached = taken, float(options.gain[taken].sum())
        if bound - reached <= near:
            break  # what is further from the margin is in no better plan
    else:
        most = bound
    return best, max(reached, min(bound, most))


def _near_margin(
    options: Options, at: _Priced, short: FloatArray, near: float, budget: float
) -> tuple[BoolArray, float]:
    """The best plan of options no further than `near` from their system's best, and the most that such a plan gains.

    A system that has but one of them takes it.
    """
    kept, none = short <= near, at.best <= near
    several = np.bincount(options.system[kept], minlength=none.size) + none > 1
    core = kept & several[options.system]
    plan = at.taken & ~several[options.system]
    fixed = float(options.gain[plan].sum())
    if not core.any():
        return plan, fixed
    found, most = _by_highs(options, core, none, budget - float(options.cost[plan].sum()))
    plan[np.flatnonzero(core)[found]] = True
    return plan, fixed + most


def _by_highs(options: Options, core: BoolArray, none: BoolArray, budget: float) -> tuple[BoolArray, float]:
    """Solve the options of the core: which of them are taken, and the most that any plan of them gains.

    A system that `none` says can do without may take none; every other takes one. Without a solution in time nothing
    is taken.
    """
    gain, cost = options.gain[core], options.cost[core]
    number, system = np.unique(options.system[core], return_inverse=True)
    ones = np.ones(gain.size)
    # The solver's tolerance is absolute: in shares of the budget it does not depend on the currency.
    scale = budget if budget > 0 else 1.0
    least = np.where(none[number], 0.0, 1.0)
    with _quiet():
        found = milp(
            -gain,
            integrality=ones,
            bounds=Bounds(0, 1),
            constraints=[
                LinearConstraint(csr_array((ones, (system, np.arange(gain.size)))), lb=least, ub=1.0),
                LinearConstraint(csr_array((cost / scale)[None, :]), ub=budget / scale),
            ],
            options={"mip_rel_gap": EXACT, "time_limit": LONGEST_S},
        )
    taken = np.zeros(gain.size, dtype=np.bool_) if found.x is None else np.round(found.x) > 0
    most = np.inf if found.mip_dual_bound is None else -float(found.mip_dual_bound)
    return taken, most


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the solver from printing: for some solutions it says a line of its own, whatever its options ask.

    Descriptor 1 is the whole process's. So only a command, which solves in its main thread, is kept quiet: a server's
    threads, whose lines may be read, are left alone, and so is a process without a standard output.
    """
    held = _own_output()
    if held is None:
        yield
        return
    flush = ctypes.CDLL(None).fflush
    with open(os.devnull, "wb") as nowhere:  # noqa: PTH123
        try:
            os.dup2(nowhere.fileno(), 1)
            yield
        finally:
            flush(None)
            os.dup2(held, 1)
            os.close(held)


def _own_output() -> int | None:
    """A copy of the standard output's descriptor, where there is one that this thread may redirect."""
    if os.name != "posix" or threading.current_thread() is not threading.main_thread():
        return None
    try:
        sys.stdout.flush()
        return os.dup(1)
    except (AttributeError, ValueError, OSError):  # there is none, or it is closed
        return None
