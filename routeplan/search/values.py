"""What the searches return."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True, eq=False)
class Loop:
    """A closed walk from the start. Edges are indices into the caller's arrays, in riding order."""

    edges: np.ndarray  # (k,) int64
    length_m: float
    gain: float  # as the search counts it: streets once, turns, clock, repeats, pull to the target
    repeated_m: float = 0.0  # on streets ridden before
    time_s: float = 0.0  # sum of time_s, 0 without it


@dataclass(frozen=True, eq=False)
class LoopResult:
    """Loops, best first, and what no loop can pass."""

    loops: tuple[Loop, ...]
    gain_at_most: float
    proof: str  # how gain_at_most was had, and for which loops it holds
    stopped: bool  # whether the time limit bound
    steps: int = 0  # label offers and the like that were spent
    certificate: dict[str, Any] | None = None  # of a tightened bound: see routeplan.search.bounds


@dataclass(frozen=True, eq=False)
class TradeOff:
    """Loops on the trade-off of two or three costs."""

    costs: np.ndarray  # (m, k): effort, loss less what the clock gave, third; sorted by the first
    edges: tuple[np.ndarray, ...]  # m arrays of edge indices, in riding order
    length_m: np.ndarray  # (m,)
    repeated_m: np.ndarray  # (m,)
    price: np.ndarray  # (m,) turns, repeats, near streets and distance from the target, in the unit of the loss
    non_dominated: np.ndarray  # (m,) bool; the others are a reserve for `distinct`
    street: tuple[np.ndarray, ...]  # m sorted arrays of street numbers, for shared lengths
    street_length_m: np.ndarray  # by street number
    stopped: bool
    steps: int = 0


def shared_share(one: np.ndarray, other: np.ndarray, street_length_m: np.ndarray) -> float:
    """Length of the streets that two loops share, over that of the one with less of them.

    one, other : (m,) sorted street numbers, each once; street_length_m : (s,)"""
    shared_m = street_length_m[np.intersect1d(one, other, assume_unique=True)].sum()
    return float(shared_m / max(min(street_length_m[one].sum(), street_length_m[other].sum()), 1e-9))


@dataclass(frozen=True, eq=False)
class ParetoResult:
    """Non-dominated routes, sorted by their costs."""

    costs: np.ndarray  # (m, k)
    edges: tuple[np.ndarray, ...]  # m arrays of edge indices; ties by index
    complete: bool  # False: the time limit bound, vectors may be missing
    epsilon: float  # every non-dominated vector is passed by at most this share in each cost
